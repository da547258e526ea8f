"""Gain against frequency of many boards."""

from collections.abc import Sequence

import numpy as np

from vadist.analysis.chain_response import decibels
from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.errors import DesignError
from vadist.population.responses import modal_responses
from vadist.population.solved import solve_stack
from vadist.population.stacks import likeness


def gain_curves(designs: Sequence[Design], frequencies_hz: FloatArray) -> FloatArray:
    """Small-signal gain from input to output.

    Parameters
    ----------
    designs : sequence of Design
    frequencies_hz : (f,)

    Returns
    -------
    (boards, f) dB
        NaN for a board that cannot be solved.

    Examples
    --------
    >>> from vadist import load_design
    >>> gain_curves([load_design("treble_boost")], np.array([100.0, 1e3])).shape
    (1, 2)
    """
    found = np.full((len(designs), len(frequencies_hz)), np.nan)
    networks = [design.network() for design in designs]
    groups: dict[object, list[int]] = {}
    for board, network in enumerate(networks):
        groups.setdefault(likeness(network), []).append(board)
    for rows in groups.values():
        try:
            solved = solve_stack([designs[b] for b in rows], [networks[b] for b in rows])
        except DesignError:
            continue
        sound = [k for k in range(len(rows)) if k not in solved.faults]
        if sound:
            output = tuple(solved.networks[0].outputs.values())[-1]
            response = modal_responses(solved, [output])(
                np.broadcast_to(frequencies_hz, (len(rows), len(frequencies_hz)))
            )[output]
            found[[rows[k] for k in sound]] = decibels(response[sound])
    return found
