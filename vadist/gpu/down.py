"""The filters from an output's own rate to that of a take, for threads.

What :mod:`vadist.stepping.resampling` does is measured, impulse by impulse, and taken for one
filter that keeps every so many samples: whatever stages that is made of, it is linear and the same
at every frame.
"""

from functools import lru_cache

import numpy as np
from scipy.signal import firwin, kaiserord

from vadist.arrays import FloatArray
from vadist.stepping.resampling import REACH, resampler

_STOPPED_DB = 165.0
# By the first of two stages: a double has some 300 dB, and -140 dB are wanted of both.

LEFT = 1e-9
"""Sum of the magnitudes that may be cut off at either end of a filter: -180 dB."""


@lru_cache(maxsize=16)
def measured_filter(sample_rate_hz: float, factor: int) -> FloatArray:
    """Weights by which a frame is made of the samples around it.

    Parameters
    ----------
    sample_rate_hz : float
        Of the take.
    factor : int
        Samples to a frame.

    Returns
    -------
    (2 half + 1,)
        Frame n is the sum of ``weights[k]`` times sample ``n factor - half + k``.
    """
    frames, middle = 2 * REACH + 1, REACH
    impulses = np.zeros((frames * factor, factor))
    impulses[middle * factor + np.arange(factor), np.arange(factor)] = 1.0
    convert = resampler(sample_rate_hz, factor, factor, down=True)
    heard = convert(impulses, True)[:frames]
    # Sample middle * factor + phase is offset (middle - n) * factor + phase of frame n.
    weights = heard[::-1].reshape(-1)
    half = middle * factor
    weights = np.append(weights, 0.0)[: 2 * half + 1]
    outside = np.maximum(np.cumsum(np.abs(weights[:half])), np.cumsum(np.abs(weights[:half:-1])))
    cut = int(np.searchsorted(outside, LEFT))
    return np.ascontiguousarray(weights[cut : len(weights) - cut])


@lru_cache(maxsize=16)
def two_stages(sample_rate_hz: float, factor: int) -> tuple[FloatArray, FloatArray]:
    """The same as two filters one after the other, for a fifth of the work.

    Returns
    -------
    wide, sharp : (2 half + 1,) each
        The first leaves twice the rate of a take, and what it passes it does not touch; the second,
        the measured one read at that rate, halves it.
    """
    inner = factor // 2
    # Up to half the rate nothing may change; what folds there lies from three halves on.
    taps, beta = kaiserord(_STOPPED_DB, 2.0 / factor)
    wide = firwin(taps | 1, 2.0 / factor, window=("kaiser", beta))
    measured = measured_filter(sample_rate_hz, factor)
    half = len(measured) // 2
    sharp = inner * measured[half % inner :: inner]
    return np.asarray(wide), np.ascontiguousarray(sharp)


def padded(weights: FloatArray, factor: int) -> FloatArray:
    """A filter as :func:`vadist.gpu.kernels.bring_down` takes it."""
    return np.pad(weights, 7 * factor)
