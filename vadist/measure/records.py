"""What counts as a record that can be measured: real, finite, long enough, at a known rate."""

import math

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray as FloatArray
from vadist.errors import UsageError

AUDIO_BAND_HZ = (20.0, 20_000.0)
"""The band of hearing that figures of merit for audio are quoted over."""


def mono_record(signal: ArrayLike, name: str) -> FloatArray:
    """Take one channel of samples as float64.

    Parameters
    ----------
    signal : (samples,)
    name : str
        What the caller names the argument, for the message.

    Raises
    ------
    UsageError
        If the array is not one-dimensional, is empty, or holds NaN or infinity.
    """
    record = np.asarray(signal, dtype=np.float64)
    if record.ndim != 1:
        raise UsageError(
            f"measure: {name} must have one channel, shape (samples,), got shape {record.shape}; "
            f"pass one column at a time"
        )
    return _checked(record, name)


def channel_record(signal: ArrayLike, name: str) -> FloatArray:
    """Take one or several channels of samples as a float64 array of shape (samples, channels).

    Parameters
    ----------
    signal : (samples,) or (samples, channels)
    name : str
        What the caller names the argument, for the message.

    Raises
    ------
    UsageError
        If the array has another shape, is empty, or holds NaN or infinity.
    """
    record = np.asarray(signal, dtype=np.float64)
    if record.ndim == 1:
        record = record[:, np.newaxis]
    if record.ndim != 2:
        raise UsageError(
            f"measure: {name} must have shape (samples,) or (samples, channels), "
            f"got shape {record.shape}"
        )
    return _checked(record, name)


def _checked(record: FloatArray, name: str) -> FloatArray:
    if record.size == 0:
        raise UsageError(f"measure: {name} must hold at least one sample, got none")
    if not np.isfinite(record).all():
        index = int(np.argmin(np.isfinite(record.reshape(len(record), -1)).all(axis=1)))
        raise UsageError(
            f"measure: {name} must hold finite samples only, sample {index} is "
            f"{record[index]}; render or record it again"
        )
    return record


def bin_frequencies(samples: int, sample_rate_hz: float) -> FloatArray:
    """Frequencies of the bins of a real Fourier transform, shape (samples // 2 + 1,)."""
    return np.asarray(np.fft.rfftfreq(samples, 1.0 / sample_rate_hz), dtype=np.float64)


def require_positive(value: float, name: str, unit: str) -> float:
    """Return the value, or explain that it must be a finite number above zero."""
    if not (math.isfinite(value) and value > 0.0):
        raise UsageError(f"measure: {name} must be > 0 {unit}, got {value}")
    return float(value)


def require_below_nyquist(frequency_hz: float, sample_rate_hz: float, name: str) -> float:
    """Return the frequency, or explain that a record at this rate cannot hold it."""
    require_positive(sample_rate_hz, "sample_rate_hz", "Hz")
    require_positive(frequency_hz, name, "Hz")
    if frequency_hz >= sample_rate_hz / 2.0:
        raise UsageError(
            f"measure: {name} must be below half the sample rate, {sample_rate_hz / 2.0:g} Hz, "
            f"got {frequency_hz:g} Hz"
        )
    return float(frequency_hz)
