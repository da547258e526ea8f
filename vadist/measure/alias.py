"""Aliases of a steady tone: what a sampled nonlinearity adds between the harmonics."""

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike

from vadist.errors import UsageError
from vadist.measure.records import (
    AUDIO_BAND_HZ,
    bin_frequencies,
    mono_record,
    require_below_nyquist,
    require_positive,
)

MINIMUM_PHASES = 1024
"""Fewest distinct phases in a record: aliases of lower orders then miss the harmonics' bins."""

_WHOLE_PERIODS = 1e-9  # periods; leakage of a frequency this far off is below -160 dB


def coherent_frequency(target_hz: float, sample_rate_hz: float, samples: int) -> float:
    """Nearest frequency that turns a whole number of times, coprime to the record's length.

    Parameters
    ----------
    target_hz : float
        Above DC and below half the sample rate.
    sample_rate_hz : float
    samples : int
        Length of the record, at least 1024.

    Returns
    -------
    float
        k sample_rate_hz/samples; k and samples have no common factor, so every sample of the
        record meets another phase of the tone and aliases fall between its harmonics.

    Examples
    --------
    >>> coherent_frequency(1249.0, 44100.0, 44100)
    1249.0
    >>> round(coherent_frequency(1000.0, 48000.0, 48000), 6)
    1001.0
    """
    require_below_nyquist(target_hz, sample_rate_hz, "target_hz")
    if samples < MINIMUM_PHASES:
        raise UsageError(f"measure: samples must be >= {MINIMUM_PHASES}, got {samples}")
    wanted = target_hz * samples / sample_rate_hz
    coprime = (k for k in _outwards(wanted, samples) if math.gcd(k, samples) == 1)
    return next(coprime) * sample_rate_hz / samples


def alias_power_db(
    signal: ArrayLike,
    sample_rate_hz: float,
    fundamental_hz: float,
    band_hz: tuple[float, float] = AUDIO_BAND_HZ,
) -> float:
    """Power between the harmonics relative to the power of the harmonics.

    Parameters
    ----------
    signal : (samples,)
        The settled response to a sine, a whole number of its periods: see
        :func:`coherent_frequency`.
    sample_rate_hz, fundamental_hz : float
    band_hz : tuple of two floats
        Lowest and highest frequency counted, in aliases and harmonics alike.

    Returns
    -------
    float
        dB; -inf if nothing lies between the harmonics. DC counts in neither.

    Raises
    ------
    UsageError
        If the record is no whole number of periods, its phases repeat, or it holds no harmonic.

    Notes
    -----
    Over whole periods a plain Fourier transform puts each harmonic in one bin and leaks nothing,
    so no window hides or spreads anything. Noise and hum in the band count as aliases.

    Examples
    --------
    >>> t = np.arange(2048) / 2048
    >>> tone = np.sin(2 * np.pi * 101 * t) + 0.001 * np.sin(2 * np.pi * 150 * t)
    >>> round(alias_power_db(tone, 48e3, 101 * 48e3 / 2048), 3)
    -60.0
    """
    record = mono_record(signal, "signal")
    require_below_nyquist(fundamental_hz, sample_rate_hz, "fundamental_hz")
    turns = _whole_turns(len(record), sample_rate_hz, fundamental_hz)
    power = np.abs(np.fft.rfft(record)) ** 2
    frequency = bin_frequencies(len(record), sample_rate_hz)
    inside = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    inside[0] = False
    harmonic = np.arange(len(power)) % turns == 0
    wanted = float(power[inside & harmonic].sum())
    unwanted = float(power[inside & ~harmonic].sum())
    if wanted == 0.0:
        raise UsageError(
            f"measure: signal must hold a harmonic of {fundamental_hz:g} Hz between "
            f"{band_hz[0]:g} and {band_hz[1]:g} Hz, got none"
        )
    return 10.0 * math.log10(unwanted / wanted) if unwanted > 0.0 else -math.inf


def _outwards(wanted: float, samples: int) -> Iterator[int]:
    """Whole turns that a record holds below half its rate, the nearest to a wanted number first."""
    middle = round(wanted)
    for distance in range(samples):
        step = distance if wanted >= middle else -distance
        for turns in (middle + step, middle - step):
            if 0 < 2 * turns < samples:
                yield turns


def _whole_turns(samples: int, sample_rate_hz: float, fundamental_hz: float) -> int:
    require_positive(sample_rate_hz, "sample_rate_hz", "Hz")
    turns = fundamental_hz * samples / sample_rate_hz
    whole = round(turns)
    advice = "take fundamental_hz from coherent_frequency() and cut the record to its samples"
    if whole < 1 or abs(turns - whole) > _WHOLE_PERIODS * max(1.0, turns):
        raise UsageError(
            f"measure: signal must be a whole number of periods of fundamental_hz, "
            f"got {turns:.9g}; {advice}"
        )
    phases = samples // math.gcd(whole, samples)
    if phases < MINIMUM_PHASES:
        raise UsageError(
            f"measure: signal must meet {MINIMUM_PHASES} phases of fundamental_hz or aliases hide "
            f"under its harmonics, got {phases}; {advice}"
        )
    return whole
