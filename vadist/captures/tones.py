"""Steady tones within a comparison: harmonic levels and phases, measured against modelled."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vadist.captures.align import Alignment
from vadist.captures.capture import Passage
from vadist.errors import UsageError
from vadist.measure import harmonics
from vadist.measure.records import FloatArray
from vadist.measure.sine_fit import fit_sines, sines_at

_SETTLING_S = 4e-3
_FEWEST_PERIODS = 5.0
_PURE = 0.03
# An input counts as a steady tone if no more than 3 % of its amplitude is anything else.

_TRUSTED = 30.0
# A harmonic is judged if it stands 30 standard errors above the noise: 0.3 dB, 2 degrees.


@dataclass(frozen=True)
class Tone:
    """A stretch of a comparison with a steady input.

    Attributes
    ----------
    first, last : int
        Samples of the comparison.
    frequency_hz : float
    level_v : float or None
        Of the input, if it is known.
    """

    first: int
    last: int
    frequency_hz: float
    level_v: float | None


@dataclass(frozen=True)
class HarmonicDifference:
    """One harmonic, measured against modelled.

    Attributes
    ----------
    tone_hz, tone_v : float, float or None
        The input.
    order : int
    measured_v, model_v : float
        Peak levels.
    level_db, phase_deg : float
        Measured over model; phase of the harmonic itself.
    standard_error_db : float
        Of the level, from what is neither tone nor harmonic.
    judged : bool
        Whether it stands far enough above the noise.
    """

    tone_hz: float
    tone_v: float | None
    order: int
    measured_v: float
    model_v: float
    level_db: float
    phase_deg: float
    standard_error_db: float
    judged: bool


def known_tones(
    passages: Sequence[Passage], alignment: Alignment, time_s: FloatArray
) -> list[Tone]:
    """Tones a stimulus's sidecar tells of, that lie within the comparison."""
    tones = []
    speed = 1.0 + 1e-6 * alignment.clock_ppm
    for passage in passages:
        if passage.kind != "tone" or not passage.frequency_hz:
            continue
        begin = alignment.delay_s + (passage.start_s + _SETTLING_S) / speed
        end = alignment.delay_s + (passage.start_s + passage.duration_s - _SETTLING_S) / speed
        if begin < time_s[0] or end > time_s[-1]:
            continue
        first, last = (int(np.searchsorted(time_s, t)) for t in (begin, end))
        if (end - begin) * passage.frequency_hz >= _FEWEST_PERIODS:
            tones.append(Tone(first, last, passage.frequency_hz * speed, passage.level_v))
    return tones


def steady_tone(stimulus: FloatArray, rate_hz: float) -> list[Tone]:
    """Tone of an input that is nothing but one, from where it starts to where it ends.

    Parameters
    ----------
    stimulus : (samples,)
        Measured input over the comparison.
    """
    loud = np.flatnonzero(np.abs(stimulus - np.median(stimulus)) > 0.1 * np.ptp(stimulus))
    if not len(loud):
        return []
    first, last = int(loud[0]), int(loud[-1]) + 1
    centred = stimulus[first:last] - stimulus[first:last].mean()
    power = float(np.mean(centred**2))
    if power == 0.0 or len(centred) < 64:
        return []
    window = np.hanning(len(centred))
    spectrum = np.abs(np.fft.rfft(centred * window))
    k = int(np.argmax(spectrum[1:-1])) + 1
    # Peak of a parabola through the logarithms of three bins (a textbook interpolation).
    a, b, c = np.log(spectrum[k - 1 : k + 2] + 1e-300)
    bin_hz = rate_hz / len(centred)
    frequency = float((k + 0.5 * (a - c) / (a - 2.0 * b + c)) * bin_hz)
    for _ in range(3):  # the phase of halves tells how far off it is
        if not 8.0 * bin_hz <= frequency < rate_hz / 2.0:
            return []
        half = len(centred) // 2
        try:
            phases = [
                float(fit_sines(part, rate_hz, [frequency]).phases_rad[0])
                for part in (centred[:half], centred[half : 2 * half])
            ]
        except UsageError:
            return []
        slip = phases[1] - phases[0] - 2.0 * math.pi * frequency * half / rate_hz
        frequency += math.remainder(slip, 2.0 * math.pi) / (2.0 * math.pi * half / rate_hz)
    fit = fit_sines(centred, rate_hz, [frequency])
    rest = centred - sines_at(fit, len(centred), rate_hz)
    if float(np.mean(rest**2)) > 2.0 * _PURE**2 * power:
        return []
    return [Tone(first, last, frequency, float(fit.levels_v[0]))]


def harmonic_differences(
    measured: FloatArray,
    predicted: FloatArray,
    rate_hz: float,
    top_hz: float,
    tones: list[Tone],
    count: int,
) -> list[HarmonicDifference]:
    """Compare harmonics of each tone up to an order or the top of the band.

    Parameters
    ----------
    measured, predicted : (samples,)
    rate_hz, top_hz : float
    tones : list of Tone
    count : int
        Highest order.
    """
    found = []
    for tone in tones:
        orders = min(count, int(top_hz / tone.frequency_hz))
        y, m = measured[tone.first : tone.last], predicted[tone.first : tone.last]
        try:
            ours, theirs = (harmonics(x, rate_hz, tone.frequency_hz, orders) for x in (m, y))
        except UsageError:
            continue
        lines = tone.frequency_hz * np.arange(1.0, orders + 1.0)
        noise = _noise(y, rate_hz, np.asarray(lines, dtype=np.float64))
        for n in range(orders):
            level, model = float(theirs.levels_v[n]), float(ours.levels_v[n])
            smaller = max(min(level, model), 1e-15)
            turn = float(theirs.phases_rad[n] - ours.phases_rad[n])
            found.append(
                HarmonicDifference(
                    tone.frequency_hz, tone.level_v, n + 1, level, model,
                    20.0 * math.log10(max(level, 1e-15) / max(model, 1e-15)),
                    math.degrees(math.remainder(turn, 2.0 * math.pi)),
                    20.0 / math.log(10.0) * noise / smaller,
                    smaller > _TRUSTED * noise,
                )
            )  # fmt: skip
    return found


def _noise(record: FloatArray, rate_hz: float, lines: FloatArray) -> float:
    """Standard error of a line's level, from what the lines leave of the record."""
    rest = record - sines_at(fit_sines(record, rate_hz, lines), len(record), rate_hz)
    weights = np.sin(np.pi * (np.arange(len(record)) + 0.5) / len(record)) ** 4
    rms = math.sqrt(float(np.sum(weights * rest**2) / np.sum(weights)))
    # Weighted fit: variance 2 sigma^2 sum w^2 / (sum w)^2.
    return float(rms * math.sqrt(2.0 * np.sum(weights**2)) / np.sum(weights))
