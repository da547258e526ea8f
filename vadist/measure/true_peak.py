"""True peak: the highest point of the waveform between the samples."""

import math

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.measure.records import channel_record, require_positive

MINIMUM_RATE_HZ = 384_000.0
"""Rate reached by oversampling: eightfold at 48 kHz, twice what BS.1770-4 Annex 2 asks for."""

MINIMUM_FACTOR = 4

CEILING_DBTP = -1.0
"""Highest true peak of what is delivered (EBU R 128)."""

_CHUNK = 65_536  # samples resampled at once, so that long takes need little memory
_PADDING = 1024  # samples of silence at both ends, room for the resampler's ringing


class TruePeakMeter:
    """Highest magnitude of the continuous waveform, measured piece by piece.

    Parameters
    ----------
    sample_rate_hz : float
    channels : int

    Notes
    -----
    The record is oversampled by a whole factor, at least 4 and to at least 384 kHz (soxr, VHQ).
    A grid N times as fine as the record's under-reads a tone at half the sample rate by up to
    -20 log10 cos(pi/2N): 0.17 dB at N = 8. Silence is taken to surround the record, so a clip
    cut abruptly shows the overshoot that a player's filter makes of it. The result is never
    below the sample peak.

    References
    ----------
    ITU-R BS.1770-4, Annex 2; EBU Tech 3341.

    Examples
    --------
    >>> meter = TruePeakMeter(48000, channels=1)
    >>> meter.add(np.zeros((100, 1)))
    >>> meter.dbtp()
    -inf
    """

    def __init__(self, sample_rate_hz: float, channels: int) -> None:
        import soxr

        rate = require_positive(sample_rate_hz, "sample_rate_hz", "Hz")
        factor = max(MINIMUM_FACTOR, math.ceil(MINIMUM_RATE_HZ / rate))
        self._silence = np.zeros((_PADDING, channels))
        self._stream = soxr.ResampleStream(
            rate, factor * rate, channels, dtype="float64", quality="VHQ"
        )
        self._peak = 0.0
        self._resampled(self._silence)

    def add(self, samples: FloatArray) -> None:
        """Take the next piece, (samples, channels), full scale 1.0."""
        self._peak = max(self._peak, float(np.abs(samples).max(initial=0.0)))
        for start in range(0, len(samples), _CHUNK):
            self._resampled(np.ascontiguousarray(samples[start : start + _CHUNK]))

    def dbtp(self) -> float:
        """Peak of all that was added, dBTP, -inf for silence; nothing can be added afterwards."""
        self._resampled(self._silence, last=True)
        return 20.0 * math.log10(self._peak) if self._peak > 0.0 else -math.inf

    def _resampled(self, piece: FloatArray, *, last: bool = False) -> None:
        fine = self._stream.resample_chunk(piece, last=last)
        self._peak = max(self._peak, float(np.abs(fine).max(initial=0.0)))


def true_peak_dbtp(samples: ArrayLike, sample_rate_hz: float) -> float:
    """Highest magnitude of a clip's continuous waveform, in dB relative to full scale (dBTP).

    Parameters
    ----------
    samples : (samples,) or (samples, channels)
        Full scale is 1.0.
    sample_rate_hz : float

    Returns
    -------
    float
        dBTP, the highest of all channels; -inf for silence; see :class:`TruePeakMeter`.

    Examples
    --------
    >>> round(true_peak_dbtp(np.zeros(100), 48e3), 1)
    -inf
    """
    record = channel_record(samples, "samples")
    meter = TruePeakMeter(sample_rate_hz, record.shape[1])
    meter.add(record)
    return meter.dbtp()
