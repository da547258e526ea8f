"""Volts of full scale, from what a person knows; and whether a take's volts are a guitar's.

A converter's full scale in volts is what turns samples into what the first block meets. It is
known from the interface's stated maximum input, from a recorded tone that a meter was held
against, or, roughly, from a note.
"""

import math
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.sine_fit import fit_sines

HOTTEST_V, QUIETEST_V = 3.0, 0.02
"""Peaks of a take beyond which a guitar is unlikely: passive pickups give 50 mV to 2 V at their
peaks, and no pickup without electronics of its own passes 3 V (common practice, no published
source)."""

NOTE_V = 0.2
"""Peak of a firmly struck note where nothing better is known: single coils some 200 mV, pickups of
two coils some 400 mV, each off by 6 dB or more (common practice, no published source)."""

_WINDOW_S = 0.05
_NEAR_DB = 1.0  # windows of a steady tone lie this close to each other
_LEAST_S = 0.2
_CLEAN = 0.05  # what a tone may hold besides itself, as a share of its rms
_LOWEST_HZ = 20.0


@dataclass(frozen=True)
class Tone:
    """A steady tone found in a recording.

    Attributes
    ----------
    frequency_hz, peak : float
        Peak of its fundamental, full scale 1.
    begins_s, seconds : float
        The stretch it was measured in.
    rest : float
        Rms of all else there, relative to the tone's.
    """

    frequency_hz: float
    peak: float
    begins_s: float
    seconds: float
    rest: float


def implausible(peak_v: float) -> str:
    """What is odd about a take's peak, in words; empty if nothing is, or it is silent.

    >>> implausible(0.4), implausible(0.004)[:18]
    ('', 'a peak of 4 mV is ')
    """
    if peak_v > HOTTEST_V:
        return (
            f"a peak of {peak_v:.3g} V is hotter than passive pickups get "
            f"(common practice: at most some 2 V); is --full-scale right? see vadist level"
        )
    if 0.0 < peak_v < QUIETEST_V:
        return (
            f"a peak of {1e3 * peak_v:.2g} mV is quieter than a guitar that is played "
            f"(common practice: 50 mV and more); is --full-scale right? see vadist level"
        )
    return ""


def find_tone(samples: FloatArray, sample_rate_hz: float) -> Tone:
    """Find the longest steady tone of a recording and measure its fundamental.

    Parameters
    ----------
    samples : (frames,)
        Full scale 1; silence or noise before and after the tone do no harm.
    sample_rate_hz : float

    Raises
    ------
    UsageError
        If there is none of 0.2 s, or what is there holds too much else.

    Notes
    -----
    The tone is fitted by least squares (IEEE Std 1057, its frequency a parameter, too), so noise
    and hum at other frequencies do not add to its level.
    """
    size = round(_WINDOW_S * sample_rate_hz)
    windows = samples[: len(samples) // size * size].reshape(-1, size)
    power = np.mean(np.square(windows - windows.mean(axis=1, keepdims=True)), axis=1)
    first, last = _steady(power)
    if (last - first) * _WINDOW_S < _LEAST_S or not power[first:last].any():
        raise UsageError(f"holds no steady tone of {_LEAST_S:g} s or more")
    piece = samples[first * size : last * size]
    frequency = _frequency(piece, sample_rate_hz)
    fit = fit_sines(piece, sample_rate_hz, [frequency])
    time = np.arange(len(piece)) / sample_rate_hz
    level = float(fit.levels_v[0])
    left = piece - fit.dc_v - level * np.sin(
        2.0 * np.pi * frequency * time + float(fit.phases_rad[0])
    )  # fmt: skip
    rest = float(np.sqrt(2.0 * np.mean(left**2))) / level
    if rest > _CLEAN:
        raise UsageError(
            f"holds no clean tone: what is not {frequency:.1f} Hz makes up {100.0 * rest:.0f} % of "
            "its longest steady stretch; record a sine alone"
        )
    return Tone(frequency, level, first * _WINDOW_S, (last - first) * _WINDOW_S, rest)


def _steady(power: FloatArray) -> tuple[int, int]:
    """Longest run of windows of one level; its ends, where the tone may begin, left out."""
    best = (0, 0)
    start = 0
    near = 10.0 ** (_NEAR_DB / 10.0)
    for k in range(1, len(power) + 1):
        run = power[start:k]
        if k == len(power) or power[k] > near * run.min() or near * power[k] < run.max():
            loud = power[start] > 1e-3 * power.max()
            if loud and k - start > best[1] - best[0]:
                best = (start, k)
            start = k
    return (best[0] + 1, best[1] - 1) if best[1] - best[0] > 2 else (0, 0)


def _frequency(piece: FloatArray, sample_rate_hz: float) -> float:
    """Frequency at which a sine takes up most of a record."""
    from scipy.optimize import minimize_scalar

    spectrum = np.abs(np.fft.rfft((piece - piece.mean()) * np.hanning(len(piece))))
    step = sample_rate_hz / len(piece)
    lowest = max(math.ceil(_LOWEST_HZ / step), 4)
    centre = (lowest + int(np.argmax(spectrum[lowest:-4]))) * step

    def missed(frequency: float) -> float:
        return -float(fit_sines(piece, sample_rate_hz, [frequency]).levels_v[0])

    found = minimize_scalar(
        missed, bounds=(centre - step, centre + step), method="bounded", options={"xatol": 1e-4}
    )
    return float(found.x)
