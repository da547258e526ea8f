"""Takes on which a stated numerical error is easily wrong: most of the error is where few look."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

RATE = 48_000

Take = NDArray[np.float64]


def pluck(t: Take, hz: float, peak: float, bright: float, decay: float) -> Take:
    """A stiff string plucked at time zero; ``bright`` is how many partials count."""
    since = np.maximum(t, 0.0)
    envelope = np.where(t > 0.0, np.exp(-decay * since) * (1.0 - np.exp(-600.0 * since)), 0.0)
    partials = np.arange(1, max(2, min(13, int(18e3 / hz))))
    tones = (
        np.exp((1 - k) / (2.0 * bright))
        * np.sin(2.0 * np.pi * hz * k * np.sqrt(1 + 1e-4 * k * k) * t)
        for k in partials
    )
    return np.asarray(peak * envelope * sum(tones))


def burst_in_silence(t: Take, peak: float, rng: np.random.Generator) -> Take:
    """A few milliseconds of a tone, nothing else."""
    middle, width = rng.uniform(0.3, 0.9) * t[-1], rng.uniform(2e-3, 20e-3)
    tone = np.sin(2.0 * np.pi * rng.uniform(100.0, 2000.0) * t)
    return np.asarray(peak * np.exp(-(((t - middle) / width) ** 2)) * tone)[:, None]


def bright_after_dark(t: Take, peak: float, rng: np.random.Generator) -> Take:
    """Loud low notes, then a quieter bright one."""
    take = sum(
        pluck(t - at, rng.uniform(80.0, 150.0), peak, 0.4, 2.5)
        for at in np.arange(0.0, 0.7 * t[-1], 0.4)
    )
    at, quieter = rng.uniform(0.72, 0.9) * t[-1], rng.uniform(0.1, 0.6)
    return np.asarray(take + pluck(t - at, rng.uniform(600.0, 1500.0), quieter * peak, 3.0, 6.0))[
        :, None
    ]


def hot_second_channel(t: Take, peak: float, rng: np.random.Generator) -> Take:
    """A hundredth of the level on the first of two channels."""
    starts = np.arange(0.0, t[-1], 0.5)
    first = sum(pluck(t - at, 110.0, 0.01 * peak, 1.0, 4.0) for at in starts)
    second = sum(pluck(t - at, rng.uniform(100.0, 600.0), peak, 1.5, 4.0) for at in starts)
    return np.stack([np.asarray(first), np.asarray(second)], axis=1)


def burst_at_the_end(t: Take, peak: float, rng: np.random.Generator) -> Take:
    """A quiet low note; a tone begins 10 ms before the take ends."""
    hz, since = rng.uniform(300.0, 3000.0), t - (t[-1] - 0.01)
    burst = np.where(since > 0.0, peak * np.sin(2.0 * np.pi * hz * since), 0.0)
    return (pluck(t, 110.0, 0.05 * peak, 0.5, 4.0) + burst)[:, None]


def steps(t: Take, peak: float, rng: np.random.Generator) -> Take:
    """Jumps from one held voltage to another."""
    take = np.zeros_like(t)
    for at in np.sort(rng.uniform(0.05, t[-1], int(rng.integers(3, 12)))):
        take[t >= at] = rng.uniform(-peak, peak)
    return take[:, None]


def plucks(t: Take, peak: float, rng: np.random.Generator) -> Take:
    """Notes of any pitch, level and colour."""
    starts = np.arange(0.0, t[-1], rng.uniform(0.15, 0.5))
    notes = (
        pluck(t - at, rng.uniform(80.0, 900.0), peak * rng.uniform(0.2, 1.0), rng.uniform(0.4, 2.0),
              rng.uniform(2.0, 8.0))
        for at in starts
    )  # fmt: skip
    return np.asarray(sum(notes))[:, None]


def swelling_noise(t: Take, peak: float, rng: np.random.Generator) -> Take:
    """White noise that comes and goes."""
    level = np.interp(t, np.linspace(0.0, t[-1], 9), rng.uniform(0.0, 1.0, 9) ** 4)
    return (0.3 * peak * level * rng.standard_normal(len(t)))[:, None]


def sweep(t: Take, peak: float, rng: np.random.Generator) -> Take:
    """A sine from 50 Hz to 10 kHz."""
    octaves = np.log(200.0)
    turns = 50.0 * t[-1] / octaves * (np.exp(t / t[-1] * octaves) - 1.0)
    return np.asarray(peak * np.sin(2.0 * np.pi * turns + rng.uniform(0.0, 6.0)))[:, None]


KINDS: dict[str, Callable[[Take, float, np.random.Generator], Take]] = {
    kind.__name__: kind
    for kind in (burst_in_silence, bright_after_dark, hot_second_channel, burst_at_the_end, steps,
                 plucks, swelling_noise, sweep)
}  # fmt: skip


def hard_take(kind: str, seconds: float, seed: int) -> Take:
    """A take of a kind, (frames, channels); its peak is drawn between 25 mV and 1 V."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE)) / RATE
    return KINDS[kind](t, 10.0 ** rng.uniform(-1.6, 0.0), rng)
