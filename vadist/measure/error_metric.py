"""How far an estimate is from a target: error-to-signal ratio and null depth.

References
----------
A. Wright, V. Valimaki, "Perceptual Loss Function for Neural Modelling of Audio Systems",
arXiv:1911.08922 (pre-emphasis 1 - 0.85 z^-1 and the DC term).
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.records import channel_record

PRE_EMPHASIS = 0.85
"""Coefficient of the pre-emphasis 1 - 0.85 z^-1; state it wherever a figure made with it stands."""


def error_to_signal_ratio_db(
    target: ArrayLike, estimate: ArrayLike, pre_emphasis: float = 0.0
) -> float:
    """Power of the difference over the power of the target, in dB.

    Parameters
    ----------
    target, estimate : (samples,) or (samples, channels)
        Of one shape, aligned in time and level; all channels count together.
    pre_emphasis : float
        Coefficient c of a filter 1 - c z^-1 applied to both, 0 for none: 0 <= c < 1.

    Returns
    -------
    float
        10 log10(sum (y - y_hat)^2 / sum y^2); -inf if the two are identical. 1 % is -20 dB.

    Raises
    ------
    UsageError
        If shapes differ or the target is silent.

    Examples
    --------
    >>> y = np.sin(np.arange(100.0))
    >>> round(error_to_signal_ratio_db(y, 0.9 * y), 6)
    -20.0
    """
    wanted, found = _pair(target, estimate)
    if not 0.0 <= pre_emphasis < 1.0:
        raise UsageError(f"measure: pre_emphasis must be >= 0 and < 1, got {pre_emphasis}")
    error = _emphasised(wanted - found, pre_emphasis)
    return _ratio_db(error, _emphasised(wanted, pre_emphasis))


def dc_error_ratio_db(target: ArrayLike, estimate: ArrayLike) -> float:
    """Power of the mean difference over the power of the target, in dB: the DC term.

    Parameters
    ----------
    target, estimate : (samples,) or (samples, channels)
        As for :func:`error_to_signal_ratio_db`.

    Returns
    -------
    float
        10 log10((mean (y - y_hat))^2 / mean y^2), means along time; -inf without an offset.

    Examples
    --------
    >>> y = np.array([1.0, -1.0, 1.0, -1.0])
    >>> round(dc_error_ratio_db(y, y + 0.1), 6)
    -20.0
    """
    wanted, found = _pair(target, estimate)
    offset = np.broadcast_to((wanted - found).mean(axis=0), wanted.shape)
    return _ratio_db(offset, wanted)


def null_depth_db(reference: ArrayLike, candidate: ArrayLike) -> float:
    """What is left of a reference when the candidate at its best gain is subtracted, in dB.

    Parameters
    ----------
    reference, candidate : (samples,) or (samples, channels)
        Of one shape and aligned in time. One gain, of either sign, serves all channels.

    Returns
    -------
    float
        Residual power over reference power, at most 0 dB; -inf if nothing is left.

    Notes
    -----
    The gain g = <r, c>/<c, c> minimises |r - g c|^2 (least squares). The depth shows differences
    of shape alone; differences of level are what g takes away.

    Examples
    --------
    >>> y = np.sin(np.arange(100.0))
    >>> null_depth_db(y, 0.5 * y)
    -inf
    """
    wanted, found = _pair(reference, candidate)
    energy = _product(found, found)
    gain = _product(wanted, found) / energy if energy > 0.0 else 0.0
    return _ratio_db(wanted - gain * found, wanted)


def _pair(target: ArrayLike, estimate: ArrayLike) -> tuple[FloatArray, FloatArray]:
    wanted = channel_record(target, "target")
    found = channel_record(estimate, "estimate")
    if wanted.shape != found.shape:
        raise UsageError(
            f"measure: target and estimate must have one shape (samples, channels), "
            f"got {wanted.shape} and {found.shape}; align and cut them first"
        )
    return wanted, found


def _emphasised(record: FloatArray, coefficient: float) -> FloatArray:
    emphasised = record.copy()
    emphasised[1:] -= coefficient * record[:-1]
    return emphasised


def _product(a: FloatArray, b: FloatArray) -> float:
    """Sum of products, whose digits do not hang on how many threads a library sums with."""
    return float(np.sum(a * b))


def _ratio_db(error: FloatArray, wanted: FloatArray) -> float:
    power = float(np.sum(wanted**2))
    if power == 0.0:
        raise UsageError("measure: target must not be silent, every sample is 0")
    left = float(np.sum(error**2)) / power
    return 10.0 * math.log10(left) if left > 0.0 else -math.inf
