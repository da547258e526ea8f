"""Delay and clock of records of which neither is known.

Authority: the recorder, which puts on delay, clock, sign and noise that are known exactly; for the
signs of clock and lag a chirp written down as a function of time. The full counts, 300 cases of 2
to 60 s, are run by ``tests/studies/alignments.py``.
"""

import numpy as np
import pytest
from bench_takes import STIMULI, alignment_case

from vadist.captures.align import Freedom, align
from vadist.captures.evidence import LEAST_AGREEMENT, LEAST_RECOGNISED
from vadist.captures.search import Windows
from vadist.captures.waveform import Waveform

LENGTHS = (0.25, 0.5)
CASES = 18


@pytest.mark.parametrize("kind", STIMULI)
def test_random_records(kind):
    """Found within half a sample of 48 kHz all along the record, and known to be found."""
    for seed in range(STIMULI.index(kind), CASES, len(STIMULI)):
        case = alignment_case(seed, LENGTHS)
        assert case.told.startswith(kind)
        where = case.align()
        assert where.recognised >= LEAST_RECOGNISED, case.told
        assert where.agreement >= LEAST_AGREEMENT, case.told
        assert case.slip_s(where) < 10e-6, case.told
        assert where.sign == case.recorder.sign, case.told


def chirp(t):
    """100 Hz to 2 kHz in two seconds, rounded at both ends."""
    inside = np.clip(t, 0.0, 2.0)
    return np.sin(2 * np.pi * (100.0 * inside + 475.0 * inside**2)) * np.sin(np.pi * inside / 2.0)


@pytest.mark.parametrize("clock_ppm", [-400.0, 400.0])
@pytest.mark.parametrize("delay_s", [-0.3, 0.5])
def test_signs_of_clock_and_delay(clock_ppm, delay_s):
    """The search alone, before any refinement, is within a fifth of a sample at either end.

    Cause: levels count a little, which shifts windows on the slopes of the chirp's envelope. Over
    the four seconds from the middle to an end a fifth of a sample is 17 ppm. At 400 ppm the ends
    slip by five samples, which no climbing from the wrong side makes good.
    """
    interval = 1.0 / 3_000.0
    t = np.arange(24_000) * interval
    target = chirp((t - delay_s) * (1.0 + 1e-6 * clock_ppm) / 4.0)
    windows = Windows(target, 0, chirp(t / 4.0), interval, 1_250.0, (-1.0, 1.0), 500e-6)
    best = windows.lines((1, -1))[0]
    assert best.sign == 1
    assert best.clock == pytest.approx(1e-6 * clock_ppm, abs=17e-6)
    lag = windows.middle_s - (windows.middle_s - delay_s) * (1.0 + 1e-6 * clock_ppm)
    assert best.lag_s == pytest.approx(lag, abs=0.2 * interval)
    assert best.score > 0.98


def test_passages_on_two_clocks_do_not_agree():
    """Half of the record 20 ms late, as where samples were dropped: recognised, not aligned."""
    rate = 48_000
    t = np.arange(2 * rate) / rate
    broken = np.where(t < 1.0, chirp(t), chirp(t - 20e-3))
    waves = [Waveform(volts, rate, 20e3) for volts in (broken, chirp(t))]
    found = align(*waves, Freedom(clock_ppm=500.0), 20e3)
    assert found.recognised > LEAST_RECOGNISED
    assert found.agreement < LEAST_AGREEMENT
    whole = align(waves[1], waves[1], Freedom(clock_ppm=500.0), 20e3)
    assert whole.agreement > 0.99


def test_a_record_of_something_else_is_not_recognised():
    rate = 48_000
    t = np.arange(rate) / rate
    noise = np.random.default_rng(3).normal(size=rate)
    waves = [Waveform(volts, rate, 20e3) for volts in (noise, chirp(t))]
    assert align(*waves, Freedom(clock_ppm=500.0), 20e3).recognised < 0.5
