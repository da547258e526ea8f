"""Captures that are right, and captures that are wrong in the ways a bench goes wrong.

Boards are presets rendered by the package at 32x, recorded by :class:`bench_takes.Recorder`; takes
are short, so that hundreds are checked in minutes.
"""

from functools import cache, lru_cache

import numpy as np
import soxr
from bench_takes import RATE_HZ, Recorder

from vadist.captures.capture import Capture
from vadist.captures.check import check_capture
from vadist.captures.stimulus import make_stimulus
from vadist.designs.files import load_design
from vadist.rendering.arrays import render

DESIGNS = ("soft_clipper", "treble_boost", "boosted_hard_clipper")
WRONG = (
    "bypassed", "bypassed at the right level", "dead, with noise", "dead, constant",
    "swapped channels", "inverted", "other design", "other take", "shifted to silence",
    "1 V of offset", "gain off by 10 %",
)  # fmt: skip
KINDS = ("stepped-sines", "sweep", "guitar")


@lru_cache
def stimulus(kind):
    """About half a second."""
    if kind == "stepped-sines":
        return make_stimulus(kind, peak_v=0.15, seconds=0.02, frequencies_hz=[330.0, 2500.0])
    if kind == "sweep":
        # Hotter and higher, the aliases of a render at 8x stand at -45 dB of a passage that its own
        # statement of error does not look at.
        return make_stimulus(kind, peak_v=0.15, seconds=0.3, frequencies_hz=[20.0, 5000.0])
    return make_stimulus(kind, peak_v=0.15, seconds=0.3)


@cache
def board(name, kind):
    """Output volts, four times as dense as :data:`RATE_HZ`; the input likewise for no name."""
    volts = np.concatenate([stimulus(kind).volts, np.zeros(RATE_HZ // 4)])
    if name:
        volts = render(load_design(name), volts, RATE_HZ, oversample=32).volts[:, 0]
    return soxr.resample(volts, RATE_HZ, 4 * RATE_HZ, "VHQ")


def seconds_of(kind):
    """Of the stimulus."""
    return len(stimulus(kind).volts) / RATE_HZ


def draw(generator, *, same_record):
    """What a good bench does: a probe 2 % off, a clock, a trigger, noise, 8 bits or more."""
    bits = int(generator.choice([8, 10, 12, 0]))
    return Recorder(
        delay_s=0.0 if same_record else float(generator.uniform(-0.08, 0.06)),
        clock_ppm=0.0 if same_record else float(generator.uniform(-500.0, 500.0)),
        gain=float(generator.uniform(0.98, 1.02)),
        offset_v=float(generator.uniform(-5e-3, 5e-3)),
        # Half a step of 8 bits, or better.
        snr_db=float(generator.uniform(42.0, 65.0)),
        bits=bits,
        rate_hz=int(generator.choice([RATE_HZ, 4 * RATE_HZ])),
    )


def right_capture(seed):
    """Capture, design and source (None if the capture holds the input) of a right board."""
    generator = np.random.default_rng(50_000 + seed)
    name, kind = DESIGNS[seed % 3], KINDS[seed // 3 % 3]
    same = seed % 4 == 3
    recorder = draw(generator, same_record=same)
    return _recorded(recorder, board(name, kind), kind, generator, same), name, _source(kind, same)


def wrong_capture(seed):
    """Likewise of a wrong one; and what is wrong."""
    generator = np.random.default_rng(90_000 + seed)
    what = WRONG[seed % len(WRONG)]
    k = seed // len(WRONG)
    name, kind = DESIGNS[k % 3], KINDS[k // 3 % 3]
    same = what == "swapped channels" or k % 4 == 3
    recorder = draw(generator, same_record=same)
    fine = board(name, kind)
    if what == "bypassed":
        fine = board("", kind)
    elif what == "bypassed at the right level":
        fine = board("", kind) * fine.std() / board("", kind).std()
    elif what.startswith("dead"):
        level = 1e-3 if what == "dead, with noise" else 0.0
        fine = fine[0] + level * generator.normal(size=len(fine))
    elif what == "inverted":
        recorder = recorder.but(sign=-1)
    elif what == "other design":
        fine = board(DESIGNS[(k + 1) % 3], kind)
    elif what == "other take":
        other = board(name, KINDS[(k // 3 + 1) % 3])
        fine = np.resize(other, len(fine))
    elif what == "shifted to silence":
        recorder = recorder.but(delay_s=-seconds_of(kind) + 0.08)
    elif what == "1 V of offset":
        recorder = recorder.but(offset_v=float(generator.choice([-1.0, 1.0])))
    elif what == "gain off by 10 %":
        recorder = recorder.but(gain=float(generator.choice([0.9, 1.1])))
    capture = _recorded(recorder, fine, kind, generator, same)
    if what == "swapped channels":
        capture = Capture("capture", capture.sample_rate_hz, ("output", "input"), capture.volts)
    return capture, name, _source(kind, same), what


def _source(kind, same):
    return None if same else stimulus(kind).capture()


def _recorded(recorder, fine, kind, generator, same):
    seconds = seconds_of(kind)
    output = recorder.record(fine, seconds, generator)
    if not same:
        return output
    # The input's channel is good: what it adds would drive the model too.
    clean = recorder.but(snr_db=75.0, bits=0, gain=1.0, offset_v=0.0, sign=1)
    drive = clean.record(board("", kind), seconds, generator)
    both = np.concatenate([drive.volts, output.volts], axis=1)
    return Capture("capture", output.sample_rate_hz, ("input", "output"), both)


def check(capture, name, source, limits):
    """Check against a preset."""
    return check_capture(capture, load_design(name), source, limits=limits)
