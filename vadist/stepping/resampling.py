"""Up to the oversampled rate and back, by filters that every factor shares.

Between 21.9 and 23 kHz, at 48 kHz, a converter of another ratio has another slope, and two renders
at different factors would differ there by -85 to -100 dB for that reason alone. So each way goes
over one rate, that of the default factor: the sharp filter at the edge of the audio band is then
the same for every factor, and what the others do happens far above it.
"""

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from vadist.arrays import FloatArray

REACH = 256
"""Frames after which the filters have forgotten: the impulse response of up and down together is
below 1e-8 beyond 187 frames, at 1x beyond 235 (measured with soxr's VHQ; a test holds it)."""

_PASSING_HZ = 352_800.0
# Eight times 44.1 kHz.


def default_oversample(sample_rate_hz: float) -> int:
    """Power of two that brings a rate to at least 352.8 kHz, and never below 2."""
    factor = 2
    while factor * sample_rate_hz < _PASSING_HZ:
        factor *= 2
    return factor


def resampler(
    sample_rate_hz: float, factor: float, channels: int, *, down: bool = False
) -> Callable[[FloatArray, bool], FloatArray]:
    """Stream from the rate of a take to ``factor`` times that, or down again.

    Parameters
    ----------
    sample_rate_hz : float
        Rate of the take.
    factor : float
        Power of two.
    channels : int

    Returns
    -------
    callable (chunk, last) -> chunk
        (samples, channels) in and out, C-ordered; linear phase, aligned to the sample. ``last``
        brings out what the filters still hold.
    """
    import soxr

    way: list[float] = [1, default_oversample(sample_rate_hz)]
    if factor != way[1]:
        way.append(factor)
    if down:
        way.reverse()
    streams = [
        soxr.ResampleStream(
            sample_rate_hz * here, sample_rate_hz * there, channels, dtype="float64", quality="VHQ"
        )
        for here, there in pairwise(way)
    ]

    def convert(chunk: FloatArray, last: bool) -> FloatArray:
        for stream in streams:
            chunk = np.asarray(stream.resample_chunk(chunk, last=last))
        return chunk

    return convert
