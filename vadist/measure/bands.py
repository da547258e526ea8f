"""Third-octave levels and spectral centroid: where the energy of a take lies."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.records import (
    AUDIO_BAND_HZ,
    bin_frequencies,
    channel_record,
    require_positive,
)

OCTAVE_RATIO = 10.0**0.3
"""Octave ratio G of the base-10 system (IEC 61260-1)."""

NOMINAL_STEPS = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""Nominal mid-band frequencies of one decade of third octaves (IEC 61260-1, annex)."""

HOPS_IN_SEGMENT = 4
"""Segments overlap by three quarters."""

_SEGMENT_S = 1.0  # at least; 1 Hz bins put several into the 4.6 Hz of the lowest band


@dataclass(frozen=True)
class ThirdOctaves:
    """Levels of third-octave bands.

    Attributes
    ----------
    nominal_hz, centres_hz, levels_db : (bands,)
        Name and exact mid-band frequency of each band, and its mean-square level in dB
        relative to 1 V rms, or to an rms of 1.0.
    """

    nominal_hz: FloatArray
    centres_hz: FloatArray
    levels_db: FloatArray


def third_octave_levels(signal: ArrayLike, sample_rate_hz: float) -> ThirdOctaves:
    """Level of each third-octave band from 20 Hz to 20 kHz that lies below half the sample rate.

    Parameters
    ----------
    signal : (samples,) or (samples, channels)
        The power of channels is averaged.
    sample_rate_hz : float

    Returns
    -------
    ThirdOctaves

    Notes
    -----
    Mid-bands 1000 G^(x/3) Hz with G = 10^0.3, edges a factor G^(1/6) to either side. Bands have
    ideal edges made of Fourier bins, not the filters of a class 1 meter; a bin that straddles an
    edge is shared. Bands that touch half the sample rate are left out.

    References
    ----------
    IEC 61260-1 (base-10 system; from memory, not located).

    Examples
    --------
    >>> bands = third_octave_levels(np.sin(2 * np.pi * 1000 * np.arange(48000) / 48e3), 48e3)
    >>> loudest = int(np.argmax(bands.levels_db))
    >>> float(bands.nominal_hz[loudest]), round(float(bands.levels_db[loudest]), 2)
    (1000.0, -3.01)
    """
    frequency, power = _mean_power(signal, sample_rate_hz)
    centres, nominal = band_centres(sample_rate_hz)
    # Power below a frequency, linear within each bin: differences share bins between bands.
    edges = np.concatenate([[0.0], frequency + frequency[1] / 2.0])
    below = np.concatenate([[0.0], np.cumsum(power)])
    half = OCTAVE_RATIO ** (1.0 / 6.0)
    band = np.interp(centres * half, edges, below) - np.interp(centres / half, edges, below)
    with np.errstate(divide="ignore"):
        levels = 10.0 * np.log10(np.maximum(band, 0.0))
    return ThirdOctaves(nominal, centres, levels)


def band_centres(sample_rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Exact and nominal mid-bands of the third octaves that a rate holds, (bands,) each.

    Raises
    ------
    UsageError
        If it holds none.
    """
    index = np.arange(-17, 14)
    centres = 1000.0 * OCTAVE_RATIO ** (index / 3.0)
    index = index[centres * OCTAVE_RATIO ** (1.0 / 6.0) <= sample_rate_hz / 2.0]
    if len(index) == 0:
        raise UsageError(
            f"measure: sample_rate_hz must hold the 20 Hz band, got {sample_rate_hz:g} Hz"
        )
    nominal = np.array([NOMINAL_STEPS[i % 10] * 10.0 ** (3 + i // 10) for i in index])
    return centres[: len(index)], nominal


def bin_shares(sample_rate_hz: float) -> list[tuple[int, FloatArray]]:
    """Bins whose power each third octave adds up: the first, and the share of each from there on.

    Of segments of :func:`segment_size` samples; a bin that stands for two frequencies, one of them
    negative, counts twice.
    """
    size = segment_size(sample_rate_hz)
    frequency = bin_frequencies(size, sample_rate_hz)
    edges = np.concatenate([[0.0], frequency + frequency[1] / 2.0])
    half, found = OCTAVE_RATIO ** (1.0 / 6.0), []
    for centre in band_centres(sample_rate_hz)[0]:
        low, high = centre / half, centre * half
        inside = np.minimum(edges[1:], high) - np.maximum(edges[:-1], low)
        shares = np.maximum(inside, 0.0) / np.diff(edges)
        shares[1:-1] *= 2.0
        first, last = np.flatnonzero(shares)[[0, -1]]
        found.append((int(first), shares[first : last + 1]))
    return found


def segment_size(sample_rate_hz: float) -> int:
    """Samples of the segments that spectra are averaged over."""
    return 1 << max(10, math.ceil(math.log2(_SEGMENT_S * sample_rate_hz)))


def segment_window(size: int) -> FloatArray:
    """What a segment is weighed by."""
    return np.asarray(np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2)


def band_change_db(reference: ArrayLike, candidate: ArrayLike, sample_rate_hz: float) -> float:
    """How far the third octaves of two signals differ in level, where their energy is.

    Parameters
    ----------
    reference, candidate : (samples,) or (samples, channels)
        Neither silent; their levels are matched first, by total power.
    sample_rate_hz : float

    Returns
    -------
    float
        Root mean square of the bands' differences in dB, each band weighted by the mean of its
        shares in the power of either signal; 0 for signals that differ in level alone.

    Examples
    --------
    >>> t = np.arange(48000) / 48e3
    >>> low, high = np.sin(2 * np.pi * 200 * t), np.sin(2 * np.pi * 2000 * t)
    >>> round(band_change_db(low + high, 0.5 * (low + high), 48e3), 9)
    0.0
    """
    levels = [third_octave_levels(s, sample_rate_hz).levels_db for s in (reference, candidate)]
    return level_change_db(*levels)


def level_change_db(reference_db: FloatArray, candidate_db: FloatArray) -> float:
    """:func:`band_change_db` of levels of bands, (bands,) each."""
    powers = [10.0 ** (each / 10.0) for each in (reference_db, candidate_db)]
    shares = [power / power.sum() for power in powers]
    weights = 0.5 * (shares[0] + shares[1])
    there = (shares[0] > 0.0) & (shares[1] > 0.0)
    change = 10.0 * np.log10(shares[1][there] / shares[0][there])
    return math.sqrt(float(np.sum(weights[there] * change**2) / np.sum(weights[there])))


def spectral_centroid_hz(signal: ArrayLike, sample_rate_hz: float) -> float:
    """Power-weighted mean frequency between 20 Hz and 20 kHz: higher is brighter.

    Parameters
    ----------
    signal : (samples,) or (samples, channels)
    sample_rate_hz : float

    Returns
    -------
    float
        sum f P(f) / sum P(f).

    Raises
    ------
    UsageError
        If the signal is silent in that band.

    Notes
    -----
    The usual descriptor, here weighted by power; some authors weight by magnitude, which reads
    higher (common practice, no published source taken).

    Examples
    --------
    >>> t = np.arange(48000) / 48e3
    >>> pair = np.sin(2 * np.pi * 500 * t) + np.sin(2 * np.pi * 1500 * t)
    >>> round(spectral_centroid_hz(pair, 48e3))
    1000
    """
    frequency, power = _mean_power(signal, sample_rate_hz)
    inside = (frequency >= AUDIO_BAND_HZ[0]) & (frequency <= AUDIO_BAND_HZ[1])
    total = float(power[inside].sum())
    if total == 0.0:
        raise UsageError("measure: signal must not be silent, no centroid without power")
    return float(np.sum(frequency[inside] * power[inside])) / total


def _mean_power(signal: ArrayLike, sample_rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Mean-square power per Fourier bin; the sum over bins is the record's mean square.

    Hann windows overlapped by three quarters have squares that add up to a constant, so with
    silence around the record each sample counts alike (the averaged periodogram of Welch).
    """
    record = channel_record(signal, "signal")
    rate = require_positive(sample_rate_hz, "sample_rate_hz", "Hz")
    size = segment_size(rate)
    hop = size // HOPS_IN_SEGMENT
    window = segment_window(size)
    silence = np.zeros((size - hop, record.shape[1]))
    padded = np.concatenate([silence, record, silence, np.zeros((hop, record.shape[1]))])
    power = np.zeros(size // 2 + 1)
    for start in range(0, len(padded) - size + 1, hop):
        segment = padded[start : start + size] * window[:, np.newaxis]
        power += np.mean(np.abs(np.fft.rfft(segment, axis=0)) ** 2, axis=1)
    power[1:-1] *= 2.0  # the negative frequencies of a real record
    overlapped = float(np.sum(window**2)) / hop  # how often each sample was counted
    return bin_frequencies(size, rate), power / (size * overlapped * len(record))
