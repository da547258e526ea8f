"""Harmonics of a steady sine after a nonlinear stage, and the distortion figures made of them."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.records import (
    AUDIO_BAND_HZ,
    bin_frequencies,
    mono_record,
    require_below_nyquist,
)
from vadist.measure.sine_fit import fit_sines, sines_at, steady_weights


@dataclass(frozen=True)
class Harmonics:
    """Harmonic levels of a steady tone.

    Attributes
    ----------
    fundamental_hz : float
    dc_v : float
    levels_v : (count,)
        Peak levels; index 0 is the fundamental, index n - 1 the n-th harmonic.
    phases_rad : (count,)
        Harmonic n is ``level sin(2 pi n fundamental_hz t + phase)`` with t = 0 at sample 0.
    """

    fundamental_hz: float
    dc_v: float
    levels_v: FloatArray
    phases_rad: FloatArray


def harmonics(
    signal: ArrayLike, sample_rate_hz: float, fundamental_hz: float, count: int = 10
) -> Harmonics:
    """Measure DC and the first harmonics of a steady tone of known frequency.

    Parameters
    ----------
    signal : (samples,)
        Four periods or more; not necessarily a whole number of them.
    sample_rate_hz : float
    fundamental_hz : float
        The generator's frequency, known exactly.
    count : int
        Harmonics to report, the fundamental included. Those at or above half the sample rate,
        which the record cannot hold, are reported as zero.

    Returns
    -------
    Harmonics

    Raises
    ------
    UsageError
        If the record is too short, or the fundamental is not below half the sample rate.

    Examples
    --------
    >>> x = np.sin(2 * np.pi * 440.0 * np.arange(4000) / 48e3)
    >>> harmonics(x + 0.1 * x**2, 48e3, 440.0, count=3).levels_v.round(6).tolist()
    [1.0, 0.05, 0.0]
    """
    require_below_nyquist(fundamental_hz, sample_rate_hz, "fundamental_hz")
    if count < 1:
        raise UsageError(f"measure: count of harmonics must be >= 1, got {count}")
    orders = np.arange(1, count + 1)
    held = orders * fundamental_hz < sample_rate_hz / 2.0
    fit = fit_sines(signal, sample_rate_hz, orders[held] * fundamental_hz)
    levels, phases = np.zeros(count), np.zeros(count)
    levels[held], phases[held] = fit.levels_v, fit.phases_rad
    return Harmonics(float(fundamental_hz), fit.dc_v, levels, phases)


def thd_fundamental(measured: Harmonics) -> float:
    """Total harmonic distortion relative to the fundamental, THD_F, as a ratio.

    Notes
    -----
    sqrt(sum of V_n^2, n >= 2) / V_1, over the harmonics measured. May exceed 1.

    Examples
    --------
    >>> tone = Harmonics(440.0, 0.0, np.array([1.0, 0.3, 0.4]), np.zeros(3))
    >>> round(thd_fundamental(tone), 6)
    0.5
    """
    fundamental, rest = _split(measured)
    return rest / fundamental


def thd_rms(measured: Harmonics) -> float:
    """Total harmonic distortion relative to the whole tone, THD_R, as a ratio.

    Notes
    -----
    sqrt(sum of V_n^2, n >= 2) / sqrt(sum of V_n^2, n >= 1): the form of IEC 60268-3 (from memory,
    not located). Always below 1; THD_R = THD_F / sqrt(1 + THD_F^2).

    Examples
    --------
    >>> tone = Harmonics(440.0, 0.0, np.array([4.0, 3.0]), np.zeros(2))
    >>> round(thd_rms(tone), 6)
    0.6
    """
    fundamental, rest = _split(measured)
    return rest / math.hypot(fundamental, rest)


def thd_plus_noise(
    signal: ArrayLike,
    sample_rate_hz: float,
    fundamental_hz: float,
    band_hz: tuple[float, float] = AUDIO_BAND_HZ,
) -> float:
    """Everything in a band but the fundamental, relative to everything in it, as a ratio.

    Parameters
    ----------
    signal : (samples,)
        A steady tone, possibly with noise, hum and aliases.
    sample_rate_hz, fundamental_hz : float
    band_hz : tuple of two floats
        Lowest and highest frequency counted.

    Returns
    -------
    float
        rms of the rest over rms of the whole, between 0 and 1; DC counts in neither.

    Notes
    -----
    AES17 removes the tone by a notch and band-limits at 20 kHz (from memory, not located). Here
    the tone is fitted and subtracted, and the band has ideal edges as fine as the record is long:
    there is no notch to correct for.

    Examples
    --------
    >>> t = np.arange(9600) / 48e3
    >>> tone = np.sin(2 * np.pi * 997 * t) + 0.01 * np.sin(2 * np.pi * 5000 * t)
    >>> round(thd_plus_noise(tone, 48e3, 997.0), 4)
    0.01
    """
    record = mono_record(signal, "signal")
    require_below_nyquist(fundamental_hz, sample_rate_hz, "fundamental_hz")
    low_hz, high_hz = band_hz
    if not low_hz <= fundamental_hz <= high_hz:
        raise UsageError(
            f"measure: fundamental_hz must lie in the band {low_hz:g} to {high_hz:g} Hz, "
            f"got {fundamental_hz:g} Hz"
        )
    fit = fit_sines(record, sample_rate_hz, [fundamental_hz])
    rest = _band_mean_square(
        record - sines_at(fit, len(record), sample_rate_hz), sample_rate_hz, band_hz
    )
    tone = fit.levels_v[0] ** 2 / 2.0
    if tone + rest == 0.0:
        raise UsageError("measure: signal must not be silent, its rms in the band is 0 V")
    return float(math.sqrt(rest / (tone + rest)))


def without_harmonics_above(measured: Harmonics, limit_hz: float) -> Harmonics:
    """Drop the harmonics above a frequency, as a band-limited distortion meter does."""
    kept = np.arange(1, len(measured.levels_v) + 1) * measured.fundamental_hz <= limit_hz
    return replace(
        measured,
        levels_v=np.where(kept, measured.levels_v, 0.0),
        phases_rad=np.where(kept, measured.phases_rad, 0.0),
    )


def _split(measured: Harmonics) -> tuple[float, float]:
    fundamental = float(measured.levels_v[0])
    if fundamental == 0.0:
        raise UsageError(
            f"measure: distortion needs a fundamental at {measured.fundamental_hz:g} Hz, "
            f"its level is 0 V"
        )
    return fundamental, float(np.sqrt(np.sum(measured.levels_v[1:] ** 2)))


def _band_mean_square(
    record: FloatArray, sample_rate_hz: float, band_hz: tuple[float, float]
) -> float:
    weights = steady_weights(len(record))
    power = np.abs(np.fft.rfft(record * weights)) ** 2
    power[1 : (len(record) + 1) // 2] *= 2.0  # the negative frequencies of a real record
    frequency = bin_frequencies(len(record), sample_rate_hz)
    inside = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    return float(power[inside].sum() / (len(record) * np.sum(weights**2)))
