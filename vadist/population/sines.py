"""Figures of boards driven by a sine: distortion, level, and where each block first limits.

Boards of one structure share a run of one level, each in a lane of its own; all settle until the
slowest has, so a figure depends on its neighbours by as much as counts as settled, some 0.01 %.
Limits are searched board by board.
"""

import math
from collections.abc import Sequence

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.arrays import FloatArray
from vadist.errors import VadistError
from vadist.large_signal.headroom import headroom_ladder, output_limit
from vadist.large_signal.steady_sine import SineRunner, SteadySines, run_boards
from vadist.population.figure_names import WHOLE, Figure

SINE_HZ = 220.0
"""A3, in the middle of the fretboard, as :mod:`vadist.inspection.figures` takes it."""

SINES = ("THD", "level", "1 % level")
"""Figures that take a sine."""


def sine_figures(
    boards: Sequence[SolvedDesign], figures: Sequence[Figure]
) -> tuple[FloatArray, dict[int, str]]:
    """Figures of boards of one structure.

    Parameters
    ----------
    boards : sequence of SolvedDesign
    figures : sequence of Figure
        Of the kinds in :data:`SINES`.

    Returns
    -------
    values : (boards, figures)
    faults : mapping of board -> text
        Boards whose equations could not be solved.
    """
    try:
        return _together(boards, figures), {}
    except VadistError as error:
        if len(boards) == 1:
            return np.full((1, len(figures)), math.nan), {0: str(error)}
    values, faults = np.full((len(boards), len(figures)), math.nan), dict[int, str]()
    for number, board in enumerate(boards):  # one of them: the others have figures
        alone, fault = sine_figures([board], figures)
        values[number] = alone[0]
        faults |= dict.fromkeys([number] if fault else [], fault.get(0, ""))
    return values, faults


def _together(boards: Sequence[SolvedDesign], figures: Sequence[Figure]) -> FloatArray:
    values = np.full((len(boards), len(figures)), math.nan)
    levels = dict.fromkeys(f.at for f in figures if f.kind != "1 % level")
    runners = [SineRunner(board, SINE_HZ) for board in boards] if levels else []
    for level in levels:
        columns = [k for k, f in enumerate(figures) if f.kind != "1 % level" and f.at == level]
        for number, sines in enumerate(run_boards(runners, np.full(len(boards), level))):
            values[number, columns] = [_figure(sines, figures[k]) for k in columns]
    limits = [k for k, f in enumerate(figures) if f.kind == "1 % level"]
    for number, board in enumerate(boards if limits else ()):
        found = _limits(board, [figures[k].place for k in limits])
        values[number, limits] = [found[figures[k].place] for k in limits]
    return values


def _limits(board: SolvedDesign, places: Sequence[str]) -> dict[str, float]:
    """Levels at which blocks first limit, and under :data:`WHOLE` that of the output."""
    if set(places) == {WHOLE}:
        return {WHOLE: output_limit(board, SINE_HZ).input_v}
    ladder = headroom_ladder(board, SINE_HZ)
    return {rung.stage: rung.input_v for rung in ladder.limits} | {WHOLE: ladder.output_input_v}


def _figure(sines: SteadySines, figure: Figure) -> float:
    place = figure.place or tuple(sines.responses)[-1]
    if figure.kind == "THD":
        return 100.0 * float(sines.distortion(place)[0])
    low, high = sines.peaks(place)
    return float(high[0] - low[0]) / 2.0
