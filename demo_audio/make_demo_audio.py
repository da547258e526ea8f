"""Synthesise the demonstration takes: a dry electric guitar, straight from its output jack.

Run ``python demo_audio/make_demo_audio.py [FOLDER]``; without FOLDER the takes are written beside
this script. The music is made up for this purpose.

One string is a delay line one period long, closed through a loop filter (Karplus and Strong,
Computer Music Journal 7(2), 1983; Jaffe and Smith, the same issue; both from memory, not located):

- a one-pole low-pass sets how fast the fundamental and the overtones decay,
- a first-order allpass makes up the fraction of a sample, so that notes are in tune,
- feed-forward combs stand for the places of the pick and of the pickup,
- two such loops, slightly out of tune and decaying at different rates, are the string's motions
  across and towards the body.

The loop is computed a period at a time: no sample depends on another of its own period, except
through the loop filter, which :func:`scipy.signal.lfilter` runs.

Every run makes the same samples. Noise comes from :class:`random.Random`, whose sequence Python
guarantees; the rest is double precision. Another processor's sine may differ in the last of 53
bits, which can move a sample by at most one step of the 24 bits written.
"""

import math
import random
import sys
import wave
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Samples = npt.NDArray[np.float64]

SAMPLE_RATE_HZ = 48_000
OPEN_STRINGS_MIDI = (64, 59, 55, 50, 45, 40)  # first string (thin) to sixth: E4 B3 G3 D3 A2 E2
LEAD_IN_S = 0.1  # digital silence before the first note
FADE_S = 0.3
STEPS = 2**23  # 24 bits, signed

PICK_PLACE = 0.15  # from the bridge, as a part of the open string; a common place
PICKUP_PLACE = 0.1  # between the middle and the bridge
BRIGHT_HZ = 5000.0  # where the decay of the overtones is stated
PICKUP_RESONANCE_HZ = 4800.0  # of a coil with its cable, between 4 and 6 kHz: common practice
PICKUP_Q = 1.5
RELEASE_S = 0.12  # a finger lifted: time to fall by 60 dB


@dataclass(frozen=True)
class Note:
    """One plucked string: when (s), which string (1..6), fret, how long (s), how hard, how."""

    start_s: float
    string: int
    fret: int
    length_s: float
    strength: float = 1.0
    muted: bool = False

    @property
    def frequency_hz(self) -> float:
        """Equal temperament from A4 = 440 Hz."""
        midi = OPEN_STRINGS_MIDI[self.string - 1] + self.fret
        return float(440.0 * 2.0 ** ((midi - 69) / 12))


def one_pole(ratio: float, low_hz: float, high_hz: float) -> float:
    """Pole of (1-a)/(1-a/z) whose gain at `high_hz` is `ratio` times the gain at `low_hz`.

    The squared ratio (1 - 2a cos wl + a^2)/(1 - 2a cos wh + a^2) = r^2 is a quadratic in a.
    """
    cos_low, cos_high = (math.cos(2 * math.pi * f / SAMPLE_RATE_HZ) for f in (low_hz, high_hz))
    beta = (cos_low - ratio**2 * cos_high) / (1 - ratio**2)
    return beta - math.sqrt(beta**2 - 1)


def ring(
    excitation: Samples, frequency_hz: float, decay_s: float, bright_decay_s: float
) -> Samples:
    """Let `excitation` circulate: decay times are to -60 dB, at the pitch and at BRIGHT_HZ."""
    omega = 2 * math.pi * frequency_hz / SAMPLE_RATE_HZ
    per_turn = 10 ** (-3 / (frequency_hz * decay_s))
    bright_per_turn = 10 ** (-3 / (frequency_hz * bright_decay_s))
    pole = one_pole(bright_per_turn / per_turn, frequency_hz, BRIGHT_HZ)
    low_pass = (1 - pole) / (1 - pole * complex(math.cos(omega), -math.sin(omega)))
    gain = per_turn / abs(low_pass)
    low_pass_delay = -math.atan2(low_pass.imag, low_pass.real) / omega
    remaining = SAMPLE_RATE_HZ / frequency_hz - low_pass_delay
    whole = math.floor(remaining - 0.5)
    fraction = remaining - whole  # 0.5 .. 1.5, where the allpass is well behaved
    allpass = math.sin((1 - fraction) * omega / 2) / math.sin((1 + fraction) * omega / 2)
    b = [gain * (1 - pole) * allpass, gain * (1 - pole)]
    a = [1.0, allpass - pole, -pole * allpass]

    string = excitation.copy()
    state = np.zeros(2)
    for start in range(whole, len(string), whole):
        count = min(whole, len(string) - start)
        turned, state = lfilter(b, a, string[start - whole : start - whole + count], zi=state)
        string[start : start + count] += turned
    return string


def low_pass(samples: Samples, corner_hz: float) -> Samples:
    """First-order low-pass (impulse invariant), unity gain at zero frequency."""
    pole = math.exp(-2 * math.pi * corner_hz / SAMPLE_RATE_HZ)
    filtered: Samples = lfilter([1 - pole], [1, -pole], samples)
    return filtered


def comb(samples: Samples, delay: int) -> Samples:
    """Subtract a delayed copy: each harmonic n is weighted by 2 |sin(pi n delay/period)|."""
    combed = samples.copy()
    combed[delay:] -= samples[:-delay]
    return combed


def pick_stroke(note: Note, length: int, noise: random.Random) -> Samples:
    """Excite the loop as a pick does.

    An ideal string bent and let go has a velocity whose harmonics fall as sin(pi n p)/n, p being
    the place of the pick: a step, so an integrated impulse, and the comb. The width of the pick's
    tip and a soft stroke take more of the treble; its scrape adds some noise.
    """
    period = SAMPLE_RATE_HZ / note.frequency_hz
    stroke = np.zeros(length)
    stroke[0] = 1.0
    step = low_pass(stroke, 60.0)
    scrape = np.zeros(length)
    count = round(0.004 * SAMPLE_RATE_HZ)
    scrape[:count] = [
        (2 * noise.random() - 1) * 0.5 * (1 + math.cos(math.pi * k / count)) for k in range(count)
    ]
    excitation = step / step[0] + 0.03 * (scrape - low_pass(scrape, 700.0))
    excitation = low_pass(low_pass(excitation, 2000.0 + 4000.0 * note.strength), 9000.0)
    sounding = 2.0 ** (-note.fret / 12)  # length left of the open string
    for place in (PICK_PLACE, PICKUP_PLACE):
        excitation = comb(excitation, max(1, round(place / sounding * period)))
    return note.strength * excitation


def pluck(note: Note, noise: random.Random) -> Samples:
    """One note with its two motions and its release."""
    length = round((note.length_s + 2 * RELEASE_S) * SAMPLE_RATE_HZ)
    excitation = pick_stroke(note, length, noise)
    if note.muted:
        decay_s, bright_decay_s = 0.3, 0.07
    else:  # low strings ring longer than high ones, open ones longer than short ones
        decay_s = 9.0 * (82.4 / note.frequency_hz) ** 0.4
        bright_decay_s = min(0.9, 0.5 * decay_s)
    cents = 2.0 ** (1 / 1200)
    sound = 0.7 * ring(excitation, note.frequency_hz * cents**0.4, 0.6 * decay_s, bright_decay_s)
    sound += 0.3 * ring(excitation, note.frequency_hz / cents**0.4, decay_s, bright_decay_s)
    held = round(note.length_s * SAMPLE_RATE_HZ)
    after_s = np.arange(length - held) / SAMPLE_RATE_HZ
    sound[held:] *= 10 ** (-3 * after_s / RELEASE_S)
    return sound


def pickup(samples: Samples) -> Samples:
    """Resonant second-order low-pass of the coil and cable, by the bilinear transform."""
    k = math.tan(math.pi * PICKUP_RESONANCE_HZ / SAMPLE_RATE_HZ)
    norm = 1 + k / PICKUP_Q + k * k
    b = [k * k / norm, 2 * k * k / norm, k * k / norm]
    filtered: Samples = lfilter(
        b, [1.0, 2 * (k * k - 1) / norm, (1 - k / PICKUP_Q + k * k) / norm], samples
    )
    return filtered


def play(notes: tuple[Note, ...], length_s: float, seed: int) -> Samples:
    """Add the notes up and listen through the pickup."""
    take = np.zeros(round(length_s * SAMPLE_RATE_HZ))
    noise = random.Random(seed)
    for note in notes:
        start = round(note.start_s * SAMPLE_RATE_HZ)
        sound = pluck(note, noise)[: len(take) - start]
        take[start : start + len(sound)] += sound
    return pickup(take)


def finish(take: Samples, peak_dbfs: float) -> Samples:
    """Fade the end to nothing and set the highest sample."""
    faded = take.copy()
    count = round(FADE_S * SAMPLE_RATE_HZ)
    faded[-count:] *= 0.5 * (1 + np.cos(np.pi * np.arange(1, count + 1) / count))
    scaled: Samples = faded * (10 ** (peak_dbfs / 20) / np.max(np.abs(faded)))
    return scaled


def strum(
    start_s: float, frets: tuple[int | None, ...], length_s: float, upward: bool = False
) -> tuple[Note, ...]:
    """A chord, its frets from the sixth string to the first; the pick crosses a string in 9 ms."""
    strings = [(6 - k, fret) for k, fret in enumerate(frets) if fret is not None]
    if upward:
        strings.reverse()
    return tuple(
        Note(start_s + 0.009 * k, string, fret, length_s, 0.65 if upward else 0.9 - 0.04 * k)
        for k, (string, fret) in enumerate(strings)
    )


PHRASE = (
    Note(0.10, 6, 3, 0.40, 0.9),
    Note(0.55, 5, 7, 0.36, 0.8),
    Note(0.95, 4, 4, 0.36, 0.7),
    Note(1.35, 3, 11, 0.40, 0.9),
    Note(1.80, 2, 10, 0.34, 0.8),
    Note(2.18, 1, 17, 0.44, 1.0),
    Note(2.66, 1, 9, 0.36, 0.7),
    Note(3.06, 3, 6, 0.34, 0.8),
    Note(3.45, 6, 0, 1.80, 1.0),
)
CHORDS = (
    strum(0.10, (None, 0, 2, 4, 1, 0), 1.05)
    + strum(1.20, (None, None, 3, 2, 1, 0), 0.55)
    + strum(1.80, (None, None, 3, 2, 1, 0), 0.45, upward=True)
    + strum(2.30, (3, None, 0, 2, 3, None), 0.85)
    + strum(3.20, (0, 2, 4, 0, 0, 0), 1.80)
)
EIGHTH_S = 60 / 126 / 2
RIFF_FRETS = ((6, 0), (6, 0), (5, 4), (6, 0), (6, 8), (6, 0), (5, 3), (6, 2), (6, 0), (5, 6))
RIFF = tuple(
    Note(LEAD_IN_S + k * EIGHTH_S, string, fret, 0.85 * EIGHTH_S, 1.0 if k % 5 == 0 else 0.8, True)
    for k, (string, fret) in enumerate(RIFF_FRETS + RIFF_FRETS[:5])
)
SWELL_STARTS_S = (0.1, 1.8, 3.4)
SWELL_RISE_S = 0.8
SWELL = (
    Note(0.1, 4, 9, 1.6),
    Note(0.1, 2, 12, 1.6, 0.7),
    Note(1.8, 3, 7, 1.5),
    Note(1.8, 1, 8, 1.5, 0.7),
    Note(3.4, 5, 2, 1.6),
    Note(3.4, 3, 4, 1.6, 0.7),
)


def swell_gain(frames: int) -> Samples:
    """Volume knob: shut at each pluck, then opened along half a cosine."""
    time_s = np.arange(frames) / SAMPLE_RATE_HZ
    gain = np.zeros(frames)
    for start_s, end_s in zip(SWELL_STARTS_S, (*SWELL_STARTS_S[1:], math.inf), strict=True):
        opened = np.clip((time_s - start_s) / SWELL_RISE_S, 0, 1)
        shut = np.clip((end_s - time_s) / 0.05, 0, 1)
        here = (time_s >= start_s) & (time_s < end_s)
        gain[here] = (0.5 * (1 - np.cos(np.pi * opened)) * shut)[here]
    return gain


def takes() -> dict[str, Samples]:
    """Every take by its file name."""
    swell = play(SWELL, 4.9, seed=4)
    return {
        "single_notes.wav": finish(play(PHRASE, 5.1, seed=1), -7.0),
        "chords.wav": finish(play(CHORDS, 5.0, seed=2), -6.5),
        "palm_muted_riff.wav": finish(play(RIFF, 3.9, seed=3), -7.0),
        "volume_swell.wav": finish(swell * swell_gain(len(swell)), -8.5),
    }


def write_wav(path: Path, samples: Samples) -> None:
    """24-bit mono, rounded to the nearest step; the standard library adds no date."""
    steps = np.rint(samples * STEPS).astype("<i4")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(3)
        file.setframerate(SAMPLE_RATE_HZ)
        file.writeframes(steps.view(np.uint8).reshape(-1, 4)[:, :3].tobytes())


def main(folder: Path) -> None:
    """Write every take into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, samples in takes().items():
        write_wav(folder / name, samples)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
