"""Corners, shifts, levels and nulls of an audition against closed forms.

Authority: the first-order high-pass and low-pass, whose half-power points are 1/(2 pi R C); Ohm's
law for the divider; the power of two uncorrelated sines.
"""

import math

import numpy as np
import pytest

from vadist.audition.comparison import behaviour, half_power_band, node_shifts
from vadist.audition.matching import LOUDNESS, RMS, match_levels
from vadist.audition.page.spectra import spectrum_levels
from vadist.designs.design import Design
from vadist.errors import UsageError
from vadist.stages import CouplingHighPass

RATE = 48_000.0
TIME = np.arange(48_000)[:, None] / RATE


def high_pass(capacitor: float, load: float = 1e6) -> Design:
    stage = CouplingHighPass(capacitor=capacitor, bias_resistor=100e3)
    return Design("high-pass", {"coupling": stage}, load_ohm=load)


@pytest.mark.parametrize("capacitor", [10e-9, 100e-9])
def test_low_corner_of_a_coupling(capacitor):
    band = behaviour(high_pass(capacitor)).band
    parallel = 1.0 / (1.0 / 100e3 + 1.0 / 1e6)
    # 100 points a decade, straight lines in dB between them, and the gain at 1 MHz, which is
    # below its limit by (corner/1 MHz)^2, leave 1e-4.
    assert band.low_hz == pytest.approx(1.0 / (2 * math.pi * parallel * capacitor), rel=1e-4)
    assert band.high_hz is None


def test_band_of_two_poles_far_apart():
    f = np.geomspace(1.0, 1e6, 601)
    gain = 20 * np.log10(np.abs(10.0 / (1 - 20j / f) / (1 + 1j * f / 2e4)))
    band = half_power_band(f, gain)
    assert band.gain_db == pytest.approx(20.0, abs=0.01)
    # The other pole moves each corner by (20 Hz/20 kHz); the grid adds 1e-4.
    assert band.low_hz == pytest.approx(20.0, rel=3e-3)
    assert band.high_hz == pytest.approx(2e4, rel=3e-3)
    assert band.peak_hz == pytest.approx(math.sqrt(20.0 * 2e4), rel=0.02)


def test_a_rest_that_moves_is_told():
    """A coupling into the bias rail with a load to ground is a divider: 4.5 V R/(R + 100k)."""
    stage = CouplingHighPass(capacitor=1e-6, bias_resistor=100e3, returns_to="bias")
    designs = [Design("d", {"coupling": stage}, load_ohm=load) for load in (1e6, 100e3)]
    (shift,) = node_shifts(*(behaviour(design) for design in designs))
    assert shift.node == "coupling.output"
    # 1 fS of leak at every node and the solver's relative 1e-13 stay far below.
    assert shift.reference_v == pytest.approx(4.5 * 1e6 / 1.1e6, rel=1e-9)
    assert shift.shift_v == pytest.approx(2.25 - 4.5 * 1e6 / 1.1e6, rel=1e-9)


def test_equal_tones_of_unequal_level_are_matched_by_their_ratio():
    tone = np.sin(2 * np.pi * 997.0 * TIME)
    match = match_levels([tone, tone / 100.0, tone * 1e-4], ["a", "b", "c"], RATE)
    assert match.measure == LOUDNESS
    # A full-scale 997 Hz sine reads -3.01 LUFS in one channel (BS.1770).
    assert match.before == pytest.approx([-3.01, -43.01, -83.01], abs=0.01)
    assert match.gains_db == pytest.approx([-14.99, 25.01, 65.01], abs=0.01)
    assert match.lowered_db == 0.0


def test_true_peaks_lower_all_alike():
    tone = np.sin(2 * np.pi * 997.0 * TIME)
    spiky = np.where(np.arange(48_000)[:, None] % 4_800 == 0, 1.0, 0.0)
    match = match_levels([tone, spiky], ["tone", "spiky"], RATE)
    assert max(match.true_peaks_dbtp) == pytest.approx(-1.0, abs=1e-9)
    assert match.lowered_db > 1.0
    # Loudness after the gain is what is said for both, whatever they were lowered by.
    for before, gain in zip(match.before, match.gains_db, strict=True):
        assert before + gain == pytest.approx(match.level, abs=1e-9)


def test_a_short_take_is_matched_by_rms():
    short = np.sin(2 * np.pi * 1000.0 * TIME[:4800])
    match = match_levels([short, short / 2.0], ["a", "b"], RATE)
    assert match.measure == RMS
    assert match.before == pytest.approx([-3.0103, -9.0309], abs=1e-4)


def test_silence_is_refused_by_name():
    with pytest.raises(UsageError, match=r"^level=0: is silent"):
        match_levels([np.ones((100, 1)), np.zeros((100, 1))], ["x", "level=0"], RATE)


def test_levels_of_narrow_bands():
    """Two sines, one in each of two channels: the power of channels is averaged."""
    pair = np.hstack([np.sin(2 * np.pi * 320.0 * TIME), 0.1 * np.sin(2 * np.pi * 2560.0 * TIME)])
    found = spectrum_levels(pair, RATE)
    levels = dict(zip(found.frequencies_hz.round(2).tolist(), found.levels_db, strict=True))
    assert levels[320.0] == pytest.approx(-6.0206, abs=1e-3)
    assert levels[2560.0] == pytest.approx(-26.0206, abs=1e-3)
    assert levels[640.0] < -150.0
