"""Least-squares fit of DC and sines of known frequencies to a record of any length."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.records import mono_record, require_below_nyquist

MINIMUM_BEATS = 4.0
"""Fewest turns of the closest pair of lines: the weights' main lobe is three bins to a side."""

_ROWS = 8192  # rows of the basis held at once: some megabytes, whatever the record's length


@dataclass(frozen=True)
class SineFit:
    """DC and sines ``dc_v + sum level_v sin(2 pi frequency_hz t + phase_rad)``, t = 0 at sample 0.

    Attributes
    ----------
    frequencies_hz, levels_v, phases_rad : (sines,)
        Peak levels; phases of sines, in (-pi, pi].
    """

    dc_v: float
    frequencies_hz: FloatArray
    levels_v: FloatArray
    phases_rad: FloatArray


def steady_weights(samples: int) -> FloatArray:
    """Weights sin^4(pi (n + 1/2)/samples), which keep what the model leaves out from leaking in.

    Notes
    -----
    Their transform falls as the fifth power of the distance in bins beyond a main lobe of three
    bins to a side.
    """
    angle = np.pi * (np.arange(samples) + 0.5) / samples
    return np.asarray(np.sin(angle) ** 4, dtype=np.float64)


def fit_sines(signal: ArrayLike, sample_rate_hz: float, frequencies_hz: ArrayLike) -> SineFit:
    """Fit DC and sines of known frequencies by weighted least squares.

    Parameters
    ----------
    signal : (samples,)
    sample_rate_hz : float
    frequencies_hz : (sines,)
        Each above DC and below half the sample rate, no two alike.

    Returns
    -------
    SineFit

    Raises
    ------
    UsageError
        If a frequency cannot be held at this rate, or the record is too short to tell two lines
        (or a line and DC) apart.

    Notes
    -----
    What the model contains is found exactly, also when the record is no whole number of periods;
    :func:`steady_weights` hold off the rest. For fixed frequencies the problem is linear
    (the three-parameter fit of IEEE Std 1057, from memory, with more sines at once).

    Examples
    --------
    >>> t = np.arange(1000) / 48e3
    >>> fit = fit_sines(0.5 + 2.0 * np.sin(2 * np.pi * 997.0 * t + 0.3), 48e3, [997.0])
    >>> round(fit.dc_v, 6), fit.levels_v.round(6).tolist(), fit.phases_rad.round(6).tolist()
    (0.5, [2.0], [0.3])
    """
    record = mono_record(signal, "signal")
    lines = np.asarray(frequencies_hz, dtype=np.float64)
    for line in lines:
        require_below_nyquist(float(line), sample_rate_hz, "frequency")
    _require_separable(len(record), sample_rate_hz, lines)
    weights = steady_weights(len(record))
    size = 2 * len(lines) + 1
    gram, moment = np.zeros((size, size)), np.zeros(size)
    for start in range(0, len(record), _ROWS):
        rows = slice(start, start + _ROWS)
        basis = _basis(np.arange(len(record))[rows] / sample_rate_hz, lines)
        weighted = basis * weights[rows, np.newaxis]
        gram += weighted.T @ basis
        moment += weighted.T @ record[rows]
    solution = np.linalg.solve(gram, moment)
    sines, cosines = solution[1 : len(lines) + 1], solution[len(lines) + 1 :]
    return SineFit(float(solution[0]), lines, np.hypot(sines, cosines), np.arctan2(cosines, sines))


def sines_at(fit: SineFit, samples: int, sample_rate_hz: float) -> FloatArray:
    """Samples of the fitted DC and sines, shape (samples,)."""
    total = np.full(samples, fit.dc_v)
    angle = 2.0 * np.pi * np.arange(samples) / sample_rate_hz
    for line, level, phase in zip(fit.frequencies_hz, fit.levels_v, fit.phases_rad, strict=True):
        total += level * np.sin(line * angle + phase)
    return total


def _basis(time_s: FloatArray, lines: FloatArray) -> FloatArray:
    angle = 2.0 * np.pi * np.outer(time_s, lines)
    return np.hstack([np.ones((len(time_s), 1)), np.sin(angle), np.cos(angle)])


def _require_separable(samples: int, sample_rate_hz: float, lines: FloatArray) -> None:
    around = np.sort(np.concatenate([[0.0], lines, [sample_rate_hz - lines.max(initial=0.0)]]))
    closest = float(np.diff(around).min())
    duration = samples / sample_rate_hz
    if closest * duration < MINIMUM_BEATS:
        needed = "frequencies that differ" if closest == 0.0 else f"{MINIMUM_BEATS / closest:.3g} s"
        raise UsageError(
            f"measure: lines {closest:.6g} Hz apart need a record of {MINIMUM_BEATS:g} turns of "
            f"their difference, got {duration:.3g} s; give {needed}"
        )
