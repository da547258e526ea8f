"""A time column to an even sample rate: rounding smoothed, doubled rows dropped, gaps filled."""

import numpy as np

from vadist.errors import CaptureError
from vadist.measure.records import FloatArray

MOST_MISSING = 0.02
"""Share of rows that may be missing: what interpolation puts there is a guess."""

LONGEST_GAP = 8
"""Rows on end that may be missing."""

_OFF_GRID = 0.35
# Share of the interval by which a printed time may be off: beyond it the spacing is not even.


def even_samples(
    time_s: FloatArray,
    values: FloatArray,
    lines: np.ndarray[tuple[int], np.dtype[np.int64]],
    place: str,
) -> tuple[float, float, FloatArray, list[str]]:
    """Put rows on an even grid.

    Parameters
    ----------
    time_s : (rows,)
    values : (rows, channels)
    lines : (rows,)
        Line of each row in the file, for messages.
    place : str

    Returns
    -------
    sample_rate_hz, start_s : float
    values : (samples, channels)
    notes : list of str
        What was mended.

    Raises
    ------
    CaptureError
        If time goes backwards, stands still, or is not even enough.
    """
    steps = np.diff(time_s)
    if (steps < 0.0).any():
        k = int(np.argmax(steps < 0.0))
        raise CaptureError(
            f"{place}: line {lines[k + 1]}: time goes backwards ({time_s[k]:g} s to "
            f"{time_s[k + 1]:g} s)"
        )
    notes = []
    same = steps == 0.0
    if same.any():
        differ = same & (np.diff(values, axis=0) != 0.0).any(axis=1)
        if differ.any():
            k = int(np.argmax(differ))
            raise CaptureError(
                f"{place}: line {lines[k + 1]}: repeats the time of the line before with other "
                "values; if times are rounded that coarsely, state the rate with --rate"
            )
        keep = np.concatenate([[True], ~same])
        time_s, values, lines = time_s[keep], values[keep], lines[keep]
        notes.append(f"{int(same.sum())} duplicated rows were dropped")
        steps = np.diff(time_s)
    if len(time_s) < 2:
        raise CaptureError(f"{place}: time stands still")
    usual = float(np.median(steps))
    place_of = np.concatenate([[0], np.cumsum(np.maximum(np.rint(steps / usual), 1))])
    interval, start_s = np.polyfit(place_of, time_s, 1)
    # Rounded printing makes single steps uneven; counting again with the fitted one settles it.
    place_of = np.rint((time_s - start_s) / interval)
    off = np.abs(time_s - start_s - place_of * interval)
    if (np.diff(place_of) < 1).any() or off.max() > _OFF_GRID * interval:
        k = int(np.argmax(off))
        raise CaptureError(
            f"{place}: line {lines[k]}: time is not evenly spaced ({off[k] / interval:.0%} of an "
            "interval off); if it is only rounded, state the rate with --rate"
        )
    place_of -= place_of[0]
    gaps = np.diff(place_of).astype(int) - 1
    missing = int(gaps.sum())
    if missing:
        k = int(np.argmax(gaps))
        if gaps[k] > LONGEST_GAP or missing > MOST_MISSING * place_of[-1]:
            raise CaptureError(
                f"{place}: {missing} rows are missing, {gaps[k]} of them after line {lines[k]}; at "
                f"most {LONGEST_GAP} on end and {MOST_MISSING:.0%} of all can be filled in"
            )
        from scipy.interpolate import CubicSpline

        values = CubicSpline(place_of, values)(np.arange(int(place_of[-1]) + 1))
        notes.append(f"{missing} missing rows were filled in by cubic interpolation")
    return 1.0 / float(interval), float(start_s), np.ascontiguousarray(values), notes
