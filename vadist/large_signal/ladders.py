"""Limits of many boards, from the ladder of one: each board in a lane, at a level of its own.

A board's curve of distortion against level is that of its neighbour, moved a little. So the search
for where it reaches 1 starts at the neighbour's level: some six runs a stage, each of which is
shared by all boards.
"""

import math
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.resting import resting_stages
from vadist.arrays import FloatArray
from vadist.large_signal.headroom import (
    HIGHEST_V,
    LOWEST_V,
    headroom_ladder,
    limit_curves,
)
from vadist.large_signal.steady_sine import SineRunner, run_boards

CLOSE = 0.005
"""Of the level: how far off a limit may be told."""

_STEPS = 12
_FIRST_MOVE = 1.1
_LEAST_SHARE = 0.1


def limits_of_boards(
    boards: Sequence[SolvedDesign], frequency_hz: float, stages: Sequence[str]
) -> FloatArray:
    """Levels at which stages of many boards first limit.

    Parameters
    ----------
    boards : sequence of SolvedDesign
        Of one structure; the first is searched in full, as :func:`headroom_ladder` does.
    frequency_hz : float
    stages : sequence of str
        Empty for the whole output's distortion.

    Returns
    -------
    (boards, stages) peak volts at the input
        Infinite for a stage that does not limit in the first board; a limit at either end of the
        levels searched is told as that end.

    Raises
    ------
    ConvergenceError
    """
    ladder = headroom_ladder(boards[0], frequency_hz)
    known = {rung.stage: rung.input_v for rung in ladder.limits} | {"": ladder.output_input_v}
    found = np.tile([known[stage] for stage in stages], (len(boards), 1))
    if len(boards) == 1:
        return found
    others = boards[1:]
    runners = [SineRunner(board, frequency_hz) for board in others]
    resting = [resting_stages(board) for board in others]
    reached = [stage for stage in stages if math.isfinite(known[stage])]

    def height(stage: str, levels: FloatArray) -> FloatArray:
        """Logarithm of a stage's highest curve, of every board at its own level."""
        runs = run_boards(runners, levels)
        heights = [
            max(
                float(curve[0])
                for (name, _), curve in limit_curves(sines, rest).items()
                if name == stage
            )
            for sines, rest in zip(runs, resting, strict=True)
        ]
        return np.log(np.maximum(heights, 1e-12))

    for stage in reached:
        start = np.full(len(others), math.log(known[stage]))
        found[1:, list(stages).index(stage)] = np.exp(_crossings(partial(height, stage), start))
    return found


def _crossings(height: Callable[[FloatArray], FloatArray], start: FloatArray) -> FloatArray:
    """Logarithms of the levels at which each board's curve passes zero.

    Walks away from where a curve stands, in growing steps, until it has changed sides; then closes
    in by false position, never by less than a tenth: curves have corners where causes change.
    """
    low, high = np.full(len(start), -np.inf), np.full(len(start), np.inf)
    y_low, y_high = np.full(len(start), -1.0), np.full(len(start), 1.0)
    level, step = start, np.full(len(start), math.log(_FIRST_MOVE))
    ends = math.log(LOWEST_V), math.log(HIGHEST_V)
    for _ in range(_STEPS):
        y = height(np.exp(level))
        above = y >= 0.0
        high, y_high = np.where(above, level, high), np.where(above, y, y_high)
        low, y_low = np.where(above, low, level), np.where(above, y_low, y)
        width = high - low
        at_end = (above & (level <= ends[0])) | (~above & (level >= ends[1]))
        if ((width < CLOSE) | at_end).all():
            break
        closed = np.isfinite(width)
        with np.errstate(invalid="ignore"):
            share = np.clip(-y_low / (y_high - y_low), _LEAST_SHARE, 1.0 - _LEAST_SHARE)
            inside = low + share * width
        walked = np.clip(level + np.where(above, -step, step), *ends)
        level = np.where(closed, np.where(width < CLOSE, level, inside), walked)
        step = step * np.where(closed, 1.0, 2.0)
    with np.errstate(invalid="ignore"):
        line = low + np.clip(-y_low / (y_high - y_low), 0.0, 1.0) * (high - low)
    return np.where(np.isfinite(line), line, level)
