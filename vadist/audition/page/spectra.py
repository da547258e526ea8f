"""Spectra for the eye: levels in twelfths of an octave."""

from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.measure.records import AUDIO_BAND_HZ, bin_frequencies

_STEPS_AN_OCTAVE = 12
_LOWEST_HZ = 40.0


@dataclass(frozen=True)
class Spectrum:
    """Levels of narrow bands.

    Attributes
    ----------
    frequencies_hz, levels_db : (bands,)
        Mid-bands; mean-square level relative to an rms of 1, -inf where there is nothing.
    """

    frequencies_hz: FloatArray
    levels_db: FloatArray


def spectrum_levels(samples: FloatArray, sample_rate_hz: float) -> Spectrum:
    """Level in each twelfth of an octave from 40 Hz to 20 kHz, the power of channels averaged.

    Parameters
    ----------
    samples : (frames, channels)
    sample_rate_hz : float

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 640.0 * np.arange(48000) / 48e3)[:, None]
    >>> found = spectrum_levels(tone, 48e3)
    >>> loudest = int(np.argmax(found.levels_db))
    >>> round(float(found.frequencies_hz[loudest])), round(float(found.levels_db[loudest]), 2)
    (640, -3.01)
    """
    size = max(len(samples), round(sample_rate_hz / 4.0))
    power = np.zeros(size // 2 + 1)
    for channel in samples.T:
        power += np.abs(np.fft.rfft(channel, size)) ** 2
    power[1:-1] *= 2.0  # the negative frequencies of a real record
    power /= size * len(samples) * samples.shape[1]
    frequencies = bin_frequencies(size, sample_rate_hz)
    highest = min(AUDIO_BAND_HZ[1], sample_rate_hz / 2.2)
    count = int(_STEPS_AN_OCTAVE * np.log2(highest / _LOWEST_HZ)) + 1
    centres = _LOWEST_HZ * 2.0 ** (np.arange(count) / _STEPS_AN_OCTAVE)
    half = 2.0 ** (0.5 / _STEPS_AN_OCTAVE)
    # Power below a frequency, linear within each bin: neighbouring bands share a bin.
    edges = np.concatenate([[0.0], frequencies + 0.5 * frequencies[1]])
    below = np.concatenate([[0.0], np.cumsum(power)])
    band = np.interp(centres * half, edges, below) - np.interp(centres / half, edges, below)
    with np.errstate(divide="ignore"):
        return Spectrum(centres, 10.0 * np.log10(np.maximum(band, 0.0)))
