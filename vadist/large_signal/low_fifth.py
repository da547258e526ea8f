"""What a design makes of a low fifth: the lines that belong to neither of its two notes.

A just fifth, 3:2, repeats itself twice as slowly as its lower note, so one settled period holds
every product on a line of its own. Where a product meets a harmonic of a note it is not counted.
"""

import math
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.large_signal.steady_sine import HIGHEST_HZ, SineRunner
from vadist.measure.intermodulation import TonePair

ROOT_HZ = 440.0 * 2.0 ** (-29 / 12)
"""E2, a guitar's lowest string (A4 at 440 Hz, ISO 16; equal temperament)."""

FIFTH = TonePair(ROOT_HZ, 1.5 * ROOT_HZ)
_PERIODS = 2, 3
# Of the notes in one period of both.


@dataclass(frozen=True)
class LowFifth:
    """Two notes at once.

    Attributes
    ----------
    low_hz, high_hz : float
    level_v : float
        Peak volts of both together at the input; each has half of it.
    foreign : float
        rms at the output of all that is no harmonic of either note, over the rms of the two notes'
        fundamentals there.
    octave_below : float
        The difference tone, an octave below the lower note, over the fundamental of that note.
    """

    low_hz: float
    high_hz: float
    level_v: float
    foreign: float
    octave_below: float


def low_fifth(solved: SolvedDesign, level_v: float) -> LowFifth:
    """Measure a low fifth at the output.

    Parameters
    ----------
    solved : SolvedDesign
    level_v : float
        Highest peak of both notes together at the input.

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.designs.files import load_design
    >>> found = low_fifth(solve_design(load_design("treble_boost")), 0.01)
    >>> found.foreign < 0.1
    True
    """
    low, high = _PERIODS
    runner = SineRunner(solved, FIFTH.low_hz / low)
    steps = round(runner.sample_rate_hz * low / FIFTH.low_hz)
    pair = FIFTH.samples(runner.sample_rate_hz, steps, 1.0)
    settled = runner.run([level_v], pair)
    wave = settled.volts[tuple(solved.design.stages)[-1]][:, 0]
    lines = np.abs(np.fft.rfft(wave))[: int(HIGHEST_HZ * low / FIFTH.low_hz) + 1]
    order = np.arange(len(lines))
    foreign = lines[(order % low != 0) & (order % high != 0)]
    notes = max(math.hypot(lines[low], lines[high]), 1e-300)
    return LowFifth(
        FIFTH.low_hz, FIFTH.high_hz, level_v, float(np.linalg.norm(foreign)) / notes,
        float(lines[1] / max(lines[low], 1e-300)),
    )  # fmt: skip
