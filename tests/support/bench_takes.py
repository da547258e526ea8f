"""Long bench takes made of software: a stimulus, a board's answer, a recorder with faults.

Answers are renders by the package at a high rate, since no general solver integrates a minute of
audio in bearable time; what is examined with them is how records are laid upon each other, and that
is known exactly here. Clock, delay, sign and noise are put on by a cubic through samples five times
as dense as the band needs.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import soxr
from scipy.ndimage import map_coordinates

from vadist.captures.align import align
from vadist.captures.capture import Capture
from vadist.captures.check import SEPARATE
from vadist.captures.stimulus import make_stimulus
from vadist.captures.waveform import EDGE_S, Waveform, top_of_band
from vadist.designs.files import load_design
from vadist.rendering.arrays import render

RATE_HZ = 48_000
_FINE = 4
STIMULI = ("sweep", "stepped-sines", "guitar")
DESIGNS = ("soft_clipper", "boosted_hard_clipper", "treble_boost")
SECONDS = (2.0, 3.0, 4.0, 6.0, 10.0, 60.0)


@lru_cache(maxsize=16)
def stimulus(kind, seconds, peak_v=0.1):
    """A stimulus whose body lasts that long."""
    each = seconds / 25.0 if kind == "stepped-sines" else seconds
    return make_stimulus(kind, peak_v=peak_v, seconds=each)


@lru_cache(maxsize=8)
def answer(name, kind, seconds):
    """Output volts of a preset at :data:`RATE_HZ`, with a second of rest behind, less if short."""
    volts = stimulus(kind, seconds).volts
    padded = np.concatenate([volts, np.zeros(round(min(1.0, seconds) * RATE_HZ))])
    return render(load_design(name), padded, RATE_HZ, oversample=8).volts[:, 0]


@lru_cache(maxsize=4)
def fine_answer(name, kind, seconds):
    """The same, four times as dense."""
    return soxr.resample(answer(name, kind, seconds), RATE_HZ, _FINE * RATE_HZ, "VHQ")


@dataclass(frozen=True)
class Recorder:
    """How a board's answer gets into a file.

    Attributes
    ----------
    delay_s : float
        When the stimulus begins in the record; negative if the record begins later.
    clock_ppm : float
        How much faster the record passes through the answer than its rate tells.
    sign : int
    gain, offset_v : float
    snr_db : float
        Of white noise over half the rate.
    bits : int
        0 for none.
    rate_hz : int
        There is no filter before it, and nothing in the answers that needs one.
    """

    delay_s: float = 0.0
    clock_ppm: float = 0.0
    sign: int = 1
    gain: float = 1.0
    offset_v: float = 0.0
    snr_db: float = 60.0
    bits: int = 0
    rate_hz: int = RATE_HZ

    def but(self, **changes) -> "Recorder":
        """The same with other values."""
        return replace(self, **changes)

    def record(self, fine, seconds, generator, name="output") -> Capture:
        """Volts of an answer four times as dense as :data:`RATE_HZ`."""
        count = int(seconds * self.rate_hz)
        t = (np.arange(count) / self.rate_hz - self.delay_s) * (1.0 + 1e-6 * self.clock_ppm)
        clean = map_coordinates(fine, t[None] * _FINE * RATE_HZ, order=5, mode="nearest")
        clean = self.sign * self.gain * clean + self.offset_v
        noise = generator.normal(0.0, clean.std() * 10 ** (-self.snr_db / 20), count)
        volts = clean + noise
        if self.bits:
            step = max(np.ptp(volts), 1e-3) / (0.8 * 2**self.bits)
            volts = step * np.round(volts / step)
        return Capture("capture", float(self.rate_hz), (name,), volts[:, None])


@dataclass(frozen=True)
class AlignmentCase:
    """A preset's answer to a stimulus, recorded at random, and what an alignment must find.

    Attributes
    ----------
    told : str
    model : Waveform
    measured : Waveform
    top_hz, seconds : float
    recorder : Recorder
    """

    told: str
    model: Waveform
    measured: Waveform
    top_hz: float
    seconds: float
    recorder: "Recorder"

    def align(self):
        """What the package finds, with nothing known but the clock's bound."""
        inside = (EDGE_S, self.seconds - 2.0 * EDGE_S)
        return align(self.measured, self.model, SEPARATE, self.top_hz, inside)

    def slip_s(self, found):
        """Largest error of the time within the model, where model and record overlap."""
        truth = self.recorder
        t = np.linspace(max(0.0, truth.delay_s), self.seconds + min(0.0, truth.delay_s), 50)
        wanted = (t - truth.delay_s) * (1.0 + 1e-6 * truth.clock_ppm)
        return float(np.abs(found.model_time(t) - wanted).max())


def alignment_case(seed, lengths=SECONDS):
    """Draw a case; stimulus, length and preset take turns, everything else is random."""
    generator = np.random.default_rng(seed)
    kind, seconds = STIMULI[seed % 3], lengths[seed // 3 % len(lengths)]
    name = DESIGNS[seed // 3 // len(lengths) % len(DESIGNS)]
    recorder = draw_recorder(generator, seconds)
    whole = len(stimulus(kind, seconds).volts) / RATE_HZ
    capture = recorder.record(fine_answer(name, kind, seconds), whole, generator)
    top = top_of_band(20e3, RATE_HZ)
    told = (
        f"{kind} of {seconds:g} s, {name}, {recorder.delay_s:+.3f} s, {recorder.clock_ppm:+.0f} "
        f"ppm, {'inverted, ' if recorder.sign < 0 else ''}{recorder.snr_db:.0f} dB"
    )
    model = Waveform(answer(name, kind, seconds), RATE_HZ, top)
    measured = Waveform(capture.volts[:, 0], RATE_HZ, top)
    return AlignmentCase(told, model, measured, top, whole, recorder)


def draw_recorder(generator, seconds):
    """Any clock within 500 ppm, any delay that leaves half of the stimulus, SNR 20 to 60 dB."""
    return Recorder(
        delay_s=float(generator.uniform(-0.45, 0.45) * seconds),
        clock_ppm=float(generator.uniform(-500.0, 500.0)),
        sign=int(generator.choice([1, -1])),
        gain=float(generator.uniform(0.98, 1.02)),
        offset_v=float(generator.uniform(-5e-3, 5e-3)),
        snr_db=float(generator.uniform(20.0, 60.0)),
    )
