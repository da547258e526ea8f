"""Integrated loudness after ITU-R BS.1770."""

import math

import numpy as np
from numpy.typing import ArrayLike

from vadist.errors import UsageError
from vadist.measure.records import FloatArray, channel_record

BLOCK_S = 0.4
"""Length of a gating block (BS.1770-4 Annex 1); hops are a quarter of it."""

REFERENCE_RATE_HZ = 48_000.0
"""Rate at which BS.1770 tabulates its filters."""

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000.0, 384_000.0
"""Sample rates the loudness meter takes."""

MOST_CHANNELS = 5

# Corner and quality of the analogue high-pass ("RLB") behind the tabulated coefficients.
_RLB_CORNER_HZ, _RLB_QUALITY = 38.13547087602444, 0.5003270373238773
# Below this the bilinear shelf departs from the tabulated response by more than 0.01 dB.
_LOWEST_FILTER_RATE_HZ = 44_000.0


def integrated_loudness(samples: ArrayLike, sample_rate_hz: float) -> float:
    """Gated programme loudness, in LUFS.

    Parameters
    ----------
    samples : (samples,) or (samples, channels)
        Full scale is 1.0. One array dimension is one channel, a front one. Channels are left,
        right, centre, left surround, right surround.
    sample_rate_hz : float
        8 kHz to 384 kHz.

    Returns
    -------
    float
        LUFS; -inf if no block passes the absolute gate of -70 LUFS, as for silence.

    Raises
    ------
    UsageError
        If the clip is shorter than one block of 400 ms, has more than five channels, or the rate
        is out of range.

    Notes
    -----
    L = -0.691 + 10 log10(sum of G_i z_i) over blocks of 400 ms with 75 % overlap, gated at -70
    LUFS and then 10 LU below the mean of what is left. The computation is pyloudnorm's with its
    "DeMan" filters, which reproduce the tabulated coefficients; its default ones do not.
    An incomplete block at the end is left out, as the standard says. Two additions hold the
    response to that at 48 kHz, as BS.1770 demands of other rates: the gain of the high-pass,
    whose numerator stays (1, -2, 1), is corrected, and records below 44 kHz are resampled.

    References
    ----------
    ITU-R BS.1770-4, Annex 1; EBU Tech 3341.

    Examples
    --------
    >>> t = np.arange(48000) / 48e3
    >>> round(integrated_loudness(np.sin(2 * np.pi * 997.0 * t), 48e3), 2)
    -3.01
    """
    from pyloudnorm import Meter

    record = channel_record(samples, "samples")
    _require_measurable(record, sample_rate_hz)
    record, rate = _at_filter_rate(record, float(sample_rate_hz))
    record = _whole_blocks(record, rate) * (_rlb_gain(REFERENCE_RATE_HZ) / _rlb_gain(rate))
    return float(Meter(rate, filter_class="DeMan").integrated_loudness(record))


def _require_measurable(record: FloatArray, rate: float) -> None:
    if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        raise UsageError(
            f"measure: sample_rate_hz must be {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz for "
            f"loudness, got {rate:g} Hz"
        )
    if record.shape[1] > MOST_CHANNELS:
        raise UsageError(
            f"measure: loudness takes at most {MOST_CHANNELS} channels, got {record.shape[1]}"
        )
    if len(record) < BLOCK_S * rate:
        raise UsageError(
            f"measure: loudness needs a clip of at least {BLOCK_S * 1e3:g} ms, "
            f"got {1e3 * len(record) / rate:.1f} ms; pad it with silence or take a longer one"
        )


def _at_filter_rate(record: FloatArray, rate: float) -> tuple[FloatArray, float]:
    if rate >= _LOWEST_FILTER_RATE_HZ:
        return record, rate
    import soxr

    higher = rate * math.ceil(REFERENCE_RATE_HZ / rate)
    resampled = np.asarray(soxr.resample(record, rate, higher, quality="VHQ"))
    return resampled, higher


def _whole_blocks(record: FloatArray, rate: float) -> FloatArray:
    """Drop what does not fill a block: it would count as one padded with silence."""
    hop = BLOCK_S * rate / 4.0
    hops = math.floor((len(record) - 4.0 * hop) / hop + 1e-9)
    return record[: math.ceil((4.0 + max(hops, 0)) * hop - 1e-6)]


def _rlb_gain(rate: float) -> float:
    """Gain at high frequencies of the high-pass whose numerator is (1, -2, 1)."""
    k = math.tan(math.pi * _RLB_CORNER_HZ / rate)
    return 1.0 + k / _RLB_QUALITY + k * k
