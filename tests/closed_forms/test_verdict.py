"""Limits, bounds, noise and evidence, on figures that follow from elementary algebra.

Authority: sums of sines over whole periods; the power step^2/12 of a converter's steps (Bennett
1948; from memory, not located); white noise of known power.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from vadist.captures.align import Alignment, Freedom
from vadist.captures.bounds import judge_alignment
from vadist.captures.compare import compare, noise_of_steps
from vadist.captures.evidence import Evidence, weigh
from vadist.captures.limits import judge
from vadist.captures.tones import HarmonicDifference
from vadist.captures.waveform import Waveform

RATE = 48_000.0
T = np.arange(48_000) / RATE
SINE = np.sin(2 * np.pi * 100.0 * T)


def difference(level_db, phase_deg):
    return HarmonicDifference(100.0, None, 1, 1.0, 1.0, level_db, phase_deg, 0.01, True)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_limits_hold_for_either_sign(sign):
    """Too little is as wrong as too much: DC, harmonics, clip levels, asymmetry."""
    bent = np.where(sign * SINE > 0.0, 0.9 * SINE, SINE)
    figures = compare(bent + sign * 0.1, SINE, T)
    limits = {"dc": 0.01, "harmonic_level": 0.5, "harmonic_phase": 5.0, "asymmetry": 1.0}
    judged = {j.name: j for j in judge(figures, [difference(sign, 10.0 * sign)], limits)}
    assert not any(j.passed for j in judged.values())
    wide = {"dc": 0.2, "harmonic_level": 1.5, "harmonic_phase": 15.0, "asymmetry": 10.0}
    assert all(j.passed for j in judge(figures, [difference(sign, 10.0 * sign)], wide))
    # 0.9 against 1 from their mean, which the missing half-wave moves by 0.1/pi.
    wanted = 100.0 * (0.1 - 0.2 / math.pi) / 1.9
    assert judged["asymmetry"].value == pytest.approx(-sign * wanted, abs=0.1)


@pytest.mark.parametrize("off", [0.05, -0.05])
def test_gain_offset_and_polarity_are_judged(off):
    right = Alignment(0.0, 0.0, 1, 1.0, 0.0, 0.5, free_gain=1.0 + off, free_offset_v=off)
    freedom = Freedom(gain=0.03, offset_v=0.01)
    judged = {j.name: j for j in judge_alignment(right, freedom, 1)}
    assert not judged["gain"].passed
    assert judged["gain"].value == pytest.approx(100 * off)
    # A gain 3 % off may move 0.5 V of rest by 15 mV, besides the 10 mV.
    assert judged["offset"].limit == pytest.approx(0.025)
    assert not judged["offset"].passed
    assert judged["polarity"].passed
    assert not judge_alignment(replace(right, sign=-1), freedom, 1)[0].passed
    assert judge_alignment(replace(right, sign=-1), freedom, -1)[0].passed
    assert [j.name for j in judge_alignment(right, freedom, 0)] == ["gain", "offset"]
    wide = Freedom(gain=0.06, offset_v=0.06)
    assert all(j.passed for j in judge_alignment(right, wide, 1))
    free = Freedom(gain=0.0, offset_v=math.inf)
    assert [j.name for j in judge_alignment(right, free, 1)] == ["polarity"]
    stopped = replace(right, at_bound=("clock",), clock_ppm=200.0)
    assert "clock" in [j.name for j in judge_alignment(stopped, freedom, 1) if not j.passed]


def test_steps_of_a_converter():
    """Step/sqrt(12) over half the rate, its share within the band; none where there are none."""
    step = 0.01
    stepped = step * np.round(SINE[:4801] * np.linspace(0.3, 1.0, 4801) / step)
    whole = step / math.sqrt(12.0)
    assert noise_of_steps(stepped, RATE, 24e3 / 1.075) == pytest.approx(whole, rel=1e-9)
    assert noise_of_steps(stepped, 4 * RATE, 24e3 / 1.075) == pytest.approx(whole / 2.0, rel=1e-9)
    noise = np.random.default_rng(1).normal(size=4801)
    assert noise_of_steps(noise, RATE, 20e3) == 0.0
    assert noise_of_steps(np.zeros(100), RATE, 20e3) == 0.0


def test_noise_is_taken_off_no_further_than_it_is_known():
    """Error of -40 dB under noise of -30 dB known to 10 % cannot be told from none."""
    base = compare(SINE, 0.9 * SINE, T)
    power = 10.0**-3.0
    for error, decided in ((10.0**-4.0, False), (10.0**-2.5, True)):
        esr = 10.0 * math.log10(power + error)
        figures = replace(base, esr_db=esr, noise_db=-30.0, noise_trust=0.1)
        assert figures.hidden_db == pytest.approx(-40.0)
        assert figures.model_error_db == pytest.approx(10.0 * math.log10(error), abs=1e-9)
        (judged,) = judge(figures, [], {"model_error": -48.0})
        assert not judged.passed
        assert bool(judged.undecided) is not decided
        assert judge(figures, [], {"model_error": -20.0})[0].passed
    nothing = replace(base, esr_db=-30.0, noise_db=-30.0, noise_trust=0.1)
    assert nothing.model_error_db == pytest.approx(-40.0)


def test_noise_without_silence_or_room_above_the_band():
    """White noise under a steady tone is told from the quietest of the error, to 1 dB."""
    generator = np.random.default_rng(5)
    noise = generator.normal(0.0, 0.01, len(T))
    # The error holds the tone's too: 2 % of it.
    figures = compare(1.02 * SINE + noise, SINE, T)
    # The comparison's band holds 1.075/1.2 of the noise of its grid.
    wanted = 10.0 * math.log10(1e-4 / 0.52 * 1.075 / 1.2)
    assert figures.noise_db == pytest.approx(wanted, abs=1.0)
    assert figures.model_error_db == pytest.approx(20.0 * math.log10(0.02 / 1.02), abs=0.5)


ENOUGH = Evidence(1.0, 1.0, 1.0, -40.0, 1.0, -5.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"overlap": 0.4}, "holds 40% of the signal"),
        ({"noise_db": -5.0}, "besides the signal stands at -5.0 dB"),
        ({"coherence": 0.3}, "coherence of measured and modelled is 0.30"),
    ],
)
def test_what_speaks_against_judging(change, words):
    assert not ENOUGH.against_judging
    assert words in replace(ENOUGH, **change).against_judging[0]


def test_what_speaks_against_the_alignment():
    assert not ENOUGH.against_alignment
    for change in ({"recognised": 0.5}, {"agreement": 0.7}):
        assert replace(ENOUGH, **change).against_alignment
        # An error of -20 dB is no accident.
        assert not replace(ENOUGH, **change, esr_db=-20.0).against_alignment


def test_overlap_and_coherence_of_known_signals():
    """Energy grows with the square: of a ramp of level, the last half second holds 7/8."""
    model = Waveform(SINE * T, RATE, 20e3)
    late, early = T[24_000:47_000], T[1_000:24_000]
    figures = compare(SINE, 0.9 * SINE, T)
    generator = np.random.default_rng(9)
    for part, share in ((late, 1.0), (early, 1.0 / 7.0)):
        aligned = Alignment(0.0, 0.0, 1, 1.0, 0.0, 0.0)
        same = model.at(part)
        found = weigh(aligned, model, 24_000, part, same, 0.5 * same, figures, 20e3)
        assert found.overlap == pytest.approx(share, abs=0.1 * share)
        assert found.coherence == pytest.approx(1.0, abs=1e-6)
        noise = generator.normal(size=len(part))
        other = weigh(aligned, model, 24_000, part, noise, same, figures, 20e3)
        assert other.coherence < 0.3
