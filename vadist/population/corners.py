"""-3 dB points of many boards: the scan of one board, then halvings, all boards at once."""

from collections.abc import Sequence

import numpy as np

from vadist.analysis.chain_response import decibels
from vadist.analysis.crossings import HALF_POWER_DB, HIGHEST_HZ, LOWEST_HZ, SCAN_HZ
from vadist.arrays import FloatArray, IndexArray
from vadist.population.responses import Responses

HALVINGS = 44
"""By which a step of the scan is narrowed: to the last digits."""


def find_corners(
    responses: Responses, boards: int, wanted: Sequence[tuple[str, str]]
) -> FloatArray:
    """-3 dB points of some responses.

    Parameters
    ----------
    responses : Responses
    boards : int
    wanted : sequence of (node, kind)
        ``bass cut``, ``treble cut``, ``scoop from``, ``scoop to``, as
        :class:`vadist.analysis.corners.Corner` has them; of several scoops the lowest.

    Returns
    -------
    (boards, wanted) hertz
        NaN where a board has no such point from 1 Hz to 1 MHz.
    """
    scan = np.broadcast_to(SCAN_HZ, (boards, len(SCAN_HZ)))
    found = responses(scan)
    place = np.zeros((boards, len(wanted)), dtype=int)
    rising = np.zeros((boards, len(wanted)), dtype=bool)
    there, goal = rising.copy(), np.zeros((boards, len(wanted)))
    for k, (node, kind) in enumerate(wanted):
        level = decibels(found[node])
        goal[:, k] = level.max(axis=1) - HALF_POWER_DB
        sign = np.sign(level - goal[:, k, None])
        steps = np.diff(sign)
        place[:, k], there[:, k] = _step(steps, kind)
        rising[:, k] = np.take_along_axis(sign[:, 1:], place[:, k, None], axis=1)[:, 0] > 0.0
    low, high = SCAN_HZ[place], SCAN_HZ[place + 1]
    for _ in range(HALVINGS):
        middle = np.sqrt(low * high)
        volts = responses(middle)
        level = np.stack([decibels(volts[n][:, k]) for k, (n, _) in enumerate(wanted)], axis=1)
        below = (level < goal) == rising
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    hz = np.sqrt(low * high)
    return np.where(there & (hz >= LOWEST_HZ) & (hz <= HIGHEST_HZ), hz, np.nan)


def _step(steps: FloatArray, kind: str) -> tuple[IndexArray, np.ndarray]:
    """Place of the step of a kind among each board's, and whether there is one.

    Steps over -3 dB alternate: a rising one in front is the bass cut, a falling one at the end the
    treble cut, and a falling one with a rising one behind it the sides of a scoop.
    """
    boards, points = steps.shape
    is_step = steps != 0.0
    first = is_step.argmax(axis=1)
    last = points - 1 - is_step[:, ::-1].argmax(axis=1)
    every = np.arange(boards)
    some = is_step.any(axis=1)
    if kind == "bass cut":
        return first, some & (steps[every, first] > 0.0)
    if kind == "treble cut":
        return last, some & (steps[every, last] < 0.0)
    falling = (steps < 0.0) & (np.arange(points) < last[:, None])
    start = falling.argmax(axis=1)
    there = falling.any(axis=1)
    if kind == "scoop from":
        return start, there
    behind = (steps > 0.0) & (np.arange(points) > start[:, None])
    return behind.argmax(axis=1), there & behind.any(axis=1)
