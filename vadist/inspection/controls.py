"""What turning one knob does: gain, corners and headroom of the whole at its positions."""

from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign, decibels, node_responses, solve_design
from vadist.analysis.crossings import WHOLE, find_crossings
from vadist.designs.design import Design
from vadist.large_signal.headroom import output_limit

CONTROL_HZ = (100.0, 1e3, 5e3)
POSITIONS = (0.0, 0.25, 0.5, 0.75, 1.0)

_HAIR = 1e-3


@dataclass(frozen=True)
class ControlPosition:
    """The whole with one control at a position, the others where they are.

    Attributes
    ----------
    control : str
    position : float
    gain_db : tuple of float
        At :data:`CONTROL_HZ`.
    bass_cut_hz, treble_cut_hz : float or None
        Outermost -3 dB points; None where there is none.
    limit_v : float
        Peak volts at the input at which the output has 1 % distortion; infinite if it has nowhere.
    below : bool
        Whether it has at the lowest level searched already.
    """

    control: str
    position: float
    gain_db: tuple[float, ...]
    bass_cut_hz: float | None
    treble_cut_hz: float | None
    limit_v: float
    below: bool


def control_positions(design: Design, frequency_hz: float) -> tuple[ControlPosition, ...]:
    """The whole at every position of every control.

    Parameters
    ----------
    design : Design
    frequency_hz : float
        Of the sine that the headroom is told for.
    """
    rows = []
    for control in design.controls:
        for position in POSITIONS:
            turned = solve_design(design.with_value(control, position))
            gains = tuple(whole_db(turned, CONTROL_HZ).tolist())
            limit = output_limit(_stepped(design, control, position, turned), frequency_hz)
            row = ControlPosition(
                control, position, gains, *outer_corners(turned), limit.input_v, limit.below
            )
            rows.append(row)
    return tuple(rows)


def _stepped(design: Design, control: str, position: float, turned: SolvedDesign) -> SolvedDesign:
    """The design as it is stepped in time: a knob at its end a hair before it.

    An end makes one node of two, and each such circuit wants a kernel of its own, some seconds of
    compiling; real tracks end at some ohms, too.
    """
    inside = min(max(position, _HAIR), 1.0 - _HAIR)
    held = design.controls[control].position
    if inside == position or held == position:
        return turned
    return solve_design(design.with_value(control, inside))


def whole_db(solved: SolvedDesign, frequencies_hz: tuple[float, ...]) -> np.ndarray:
    """Gain of the whole in decibels."""
    found = node_responses(solved, np.array(frequencies_hz))
    return decibels(found[solved.design.output])


def outer_corners(solved: SolvedDesign) -> tuple[float | None, float | None]:
    """Lowest bass cut and highest treble cut of the whole, hertz; None where there is none."""
    found = find_crossings(solved, [WHOLE])
    bass = [c.frequency_hz for c in found if c.kind == "bass cut"]
    treble = [c.frequency_hz for c in found if c.kind == "treble cut"]
    return min(bass, default=None), max(treble, default=None)
