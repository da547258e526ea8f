"""Test signals for the bench: what they are, and their files.

Every stimulus is silence, a marker to find it by, silence, the body and silence again::

    |-- lead-in --|marker|-- gap --|---------- body ----------|-- tail --|

The lead-in shows noise and offset and lets the circuit rest; the marker is a short chirp whose
correlation has one sharp peak, so that even a steady tone is aligned without doubt.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.captures.capture import Capture, Passage
from vadist.errors import UsageError
from vadist.measure.records import FloatArray

LEAD_IN_S, MARKER_S, GAP_S, TAIL_S = 0.1, 0.008, 0.04, 0.1
_MARKER_HZ = (500.0, 4000.0)
_MARKER_SHARE = 0.5  # of the peak
_EDGE_S = 2e-3
MOST_SAMPLES = 600 * 48_000
"""Of a body: ten minutes at 48 kHz, which take a gigabyte of memory to make."""

LEVEL_STEPS = (0.02, 0.05, 0.15, 0.4, 1.0)
"""Shares of the peak that levels step through, about 8 dB apart: from nearly linear to limited."""

CAUTION = (
    "Check the level with the oscilloscope before connecting a board; never listen to it on "
    "headphones or at high volume."
)


@dataclass(frozen=True)
class Stimulus:
    """A test signal.

    Attributes
    ----------
    kind : str
    volts : (frames,)
    sample_rate_hz : int
    peak_v : float
        Largest magnitude of the body, volts.
    passages : tuple of Passage
        In order, covering all of it.
    marker_s : float
        When the marker begins.
    settings : mapping
        What it was made from.
    """

    kind: str
    volts: FloatArray
    sample_rate_hz: int
    peak_v: float
    passages: tuple[Passage, ...]
    marker_s: float
    settings: dict[str, float | list[float]]

    def capture(self) -> Capture:
        """The stimulus as something a check reads volts from."""
        rate = float(self.sample_rate_hz)
        return Capture(
            self.kind, rate, ("stimulus",), self.volts[:, None], 0.0, (), self.passages, ("",)
        )


Body = tuple[FloatArray, list[Passage], dict[str, float | list[float]]]
"""Samples of peak 1, passages from the body's start, settings."""


def make_stimulus(
    kind: str,
    *,
    peak_v: float = 0.1,
    sample_rate_hz: int = 48_000,
    seconds: float | None = None,
    frequencies_hz: Sequence[float] | None = None,
) -> Stimulus:
    """Make a test signal.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    peak_v : float
        Peak volts of the body.
    sample_rate_hz : int
        8000 to 384000.
    seconds : float, optional
        Length of the body; of each step for ``stepped-sines``.
    frequencies_hz : sequence of float, optional
        Tones; the two ends for ``sweep``; the pair for ``two-tone``.

    Raises
    ------
    UsageError
        If something cannot be made at this rate.

    Examples
    --------
    >>> made = make_stimulus("square", peak_v=0.2, seconds=0.1)
    >>> made.kind, round(len(made.volts) / made.sample_rate_hz, 3)
    ('square', 0.348)
    """
    if kind not in KINDS:
        raise UsageError(f"stimulus must be one of {', '.join(KINDS)} (got {kind!r})")
    if not 8_000 <= sample_rate_hz <= 384_000:
        raise UsageError(f"sample rate must be 8000..384000 Hz (got {sample_rate_hz})")
    if not (math.isfinite(peak_v) and 0.0 < peak_v <= 100.0):
        raise UsageError(f"peak must be above 0 and at most 100 V (got {peak_v:g})")
    if seconds is not None and not 0.005 <= seconds <= 600.0:
        raise UsageError(f"seconds must be within 0.005..600 (got {seconds:g})")
    for frequency in frequencies_hz or ():
        if not 1.0 <= frequency < 0.45 * sample_rate_hz:
            raise UsageError(
                f"frequencies must be 1 Hz to 0.45 of the rate, {0.45 * sample_rate_hz:g} Hz "
                f"(got {frequency:g} Hz)"
            )
    body, passages, settings = KINDS[kind][0](
        sample_rate_hz, seconds, list(frequencies_hz) if frequencies_hz else None
    )
    body /= max(body.max(), -body.min())
    body *= peak_v
    marker = _MARKER_SHARE * peak_v * _marker(sample_rate_hz)
    quiet = [np.zeros(round(s * sample_rate_hz)) for s in (LEAD_IN_S, GAP_S, TAIL_S)]
    volts = np.concatenate([quiet[0], marker, quiet[1], body, quiet[2]])
    start_s = (len(quiet[0]) + len(marker) + len(quiet[1])) / sample_rate_hz
    end_s = start_s + len(body) / sample_rate_hz
    around = [
        Passage("silence", 0.0, LEAD_IN_S),
        Passage("signal", LEAD_IN_S, MARKER_S),
        Passage("silence", LEAD_IN_S + MARKER_S, start_s - LEAD_IN_S - MARKER_S),
    ]
    held = [
        Passage(p.kind, p.start_s + start_s, p.duration_s, p.frequency_hz,
                None if p.level_v is None else p.level_v * peak_v)
        for p in passages
    ]  # fmt: skip
    tail = Passage("silence", end_s, TAIL_S)
    return Stimulus(
        kind, volts, sample_rate_hz, peak_v, (*around, *held, tail), LEAD_IN_S, settings
    )


def _count(seconds: float, rate: int) -> int:
    """Samples of so many seconds.

    Raises
    ------
    UsageError
        If they are too many.
    """
    count = round(seconds * rate)
    if count > MOST_SAMPLES:
        raise UsageError(
            f"a stimulus is at most {MOST_SAMPLES / rate:g} s at {rate} Hz (got {seconds:g} s in "
            "all): give fewer seconds, fewer tones or a lower rate"
        )
    return count


def _times(seconds: float, rate: int) -> FloatArray:
    """Moments of those samples."""
    return np.arange(_count(seconds, rate)) / rate


def _marker(rate: int) -> FloatArray:
    """Chirp under a raised cosine: one peak of correlation, no sharp edges."""
    t = np.arange(round(MARKER_S * rate)) / rate
    low, high = _MARKER_HZ
    phase = 2.0 * np.pi * (low * t + (high - low) * t**2 / (2.0 * MARKER_S))
    return np.asarray(np.sin(phase) * np.sin(np.pi * t / MARKER_S) ** 2)


def _edged(samples: FloatArray, rate: int) -> FloatArray:
    """Fade both ends by half cosines."""
    edge = min(round(_EDGE_S * rate), len(samples) // 2)
    rise = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / max(edge, 1)) ** 2
    shaped = samples.copy()
    shaped[:edge] *= rise
    shaped[len(shaped) - edge :] *= rise[::-1]
    return shaped


def _stepped(rate: int, seconds: float | None, frequencies: list[float] | None) -> Body:
    tones = frequencies or [110.0, 440.0, 1000.0, 3000.0, 8000.0]
    tones = [f for f in tones if f < 0.45 * rate]
    lengths = [round(max(seconds or 0.1, 12.0 / tone) * rate) for tone in tones]
    _count(len(LEVEL_STEPS) * sum(lengths) / rate, rate)
    pieces, passages, start = [], [], 0
    for level in LEVEL_STEPS:
        for tone, length in zip(tones, lengths, strict=True):
            t = np.arange(length) / rate
            pieces.append(level * _edged(np.sin(2.0 * np.pi * tone * t), rate))
            passages.append(Passage("tone", start / rate, length / rate, tone, level))
            start += length
    return np.concatenate(pieces), passages, {"frequencies_hz": tones, "levels": [*LEVEL_STEPS]}


def _ramp(rate: int, seconds: float | None, frequencies: list[float] | None) -> Body:
    tone, t = (frequencies or [220.0])[0], _times(seconds or 1.0, rate)
    # 46 dB in even steps of decibels, from below noise to the peak.
    level = 10.0 ** (-46.0 * (1.0 - t / t[-1]) / 20.0)
    samples = _edged(level * np.sin(2.0 * np.pi * tone * t), rate)
    return samples, [Passage("signal", 0.0, len(t) / rate)], {"frequency_hz": tone}


def _sweep(rate: int, seconds: float | None, frequencies: list[float] | None) -> Body:
    from vadist.measure import synchronised_sweep

    ends = frequencies or [20.0, min(20_000.0, 0.45 * rate)]
    if len(ends) != 2 or ends[0] >= ends[1]:
        raise UsageError(f"a sweep goes from a lower to a higher frequency (got {ends})")
    _count(seconds or 2.0, rate)
    made = synchronised_sweep(ends[0], ends[1], seconds or 2.0, float(rate))
    passage = Passage("signal", 0.0, len(made.samples) / rate)
    # Only its end is faded: it starts at zero with phase zero, and analysis wants it whole.
    samples = made.samples.copy()
    fade = _edged(np.ones(2 * round(_EDGE_S * rate)), rate)[round(_EDGE_S * rate) :]
    samples[len(samples) - len(fade) :] *= fade
    return samples, [passage], {"frequencies_hz": ends, "time_constant_s": made.time_constant_s}


def _two_tone(rate: int, seconds: float | None, frequencies: list[float] | None) -> Body:
    pair = frequencies or [440.0, 554.365]  # a major third, as two strings make it
    if len(pair) != 2:
        raise UsageError(f"two-tone takes two frequencies (got {len(pair)})")
    t = _times(seconds or 1.0, rate)
    samples = sum(0.5 * np.sin(2.0 * np.pi * f * t) for f in pair)
    shaped = _edged(np.asarray(samples), rate)
    return shaped, [Passage("signal", 0.0, len(t) / rate)], {"frequencies_hz": pair}


def _square(rate: int, seconds: float | None, frequencies: list[float] | None) -> Body:
    tone = (frequencies or [110.0])[0]
    t = _times(seconds or 0.5, rate)
    # Harmonics up to 0.45 of the rate: band-limited, so that no converter adds aliases.
    orders = np.arange(1, max(int(0.45 * rate / tone), 1) + 1, 2)
    wave = np.zeros(len(t))
    for n in orders:
        wave += np.sin(2.0 * np.pi * n * tone * t) / n
    return _edged(wave, rate), [Passage("signal", 0.0, len(t) / rate)], {"frequency_hz": tone}


def _guitar(rate: int, seconds: float | None, _: list[float] | None) -> Body:
    """Plucked notes: partials of a struck string, each fading faster the higher it is."""
    length = _count(seconds or 2.0, rate)
    strings = (82.407, 110.0, 146.832, 195.998, 246.942, 329.628)  # E2 A2 D3 G3 B3 E4
    generator = np.random.default_rng(20)
    wave, note = np.zeros(length), length // len(strings)
    for k, base in enumerate(strings):
        t = np.arange(length - k * note) / rate
        sound = np.zeros(len(t))
        for n in range(1, 25):
            f = n * base * math.sqrt(1.0 + 1e-4 * n * n)  # stiffness stretches the partials
            if f < 0.4 * rate:
                # Plucked at a fifth of its length: sin(n pi/5); a pickup hears velocity, 1/n
                # and less.
                level = math.sin(n * math.pi / 5.0) / n**1.5
                decay = 0.6 / (1.0 + 0.25 * n)
                phase = generator.uniform(0.0, 2.0 * np.pi)
                sound += level * np.exp(-t / decay) * np.sin(2.0 * np.pi * f * t + phase)
        rise = np.minimum(t / _EDGE_S, 1.0)
        wave[k * note :] += sound * np.sin(0.5 * np.pi * rise) ** 2
    return _edged(wave, rate), [Passage("signal", 0.0, length / rate)], {}


Maker = Callable[[int, float | None, list[float] | None], Body]
KINDS: dict[str, tuple[Maker, str]] = {
    "stepped-sines": (_stepped, "tones at five levels: harmonics, response and limiting at once"),
    "level-ramp": (_ramp, "one tone growing by 46 dB: where clipping begins"),
    "sweep": (_sweep, "synchronised exponential sweep: response of every harmonic"),
    "two-tone": (_two_tone, "two tones: intermodulation"),
    "square": (_square, "band-limited square wave: edges and time constants"),
    "guitar": (_guitar, "six plucked strings, synthesised: what the circuit is for"),
}
"""Kind -> its maker and what it is good for."""
