"""Corner frequencies and the parts that set them, against networks whose poles are known.

Authorities: 1/(2 pi R C); the quadratic of two coupled RC sections; 1/(2 pi sqrt(L C)) and
Q = R sqrt(C/L) of a damped resonance; the non-inverting amplifier's feedback corners (elementary
network theory). A frequency scales as 1/(R C), so all resistors' shares sum to -1 and all
capacitors' too (dimensional analysis). The presets are held against the hand formulas in their
comments.
"""

import math

import numpy as np
import pytest

from vadist.analysis.chain_response import solve_design
from vadist.analysis.corners import WHOLE, Corners, find_corners
from vadist.designs.design import Design, Source
from vadist.designs.files import load_design
from vadist.parts import OpAmpModel
from vadist.stages import CouplingHighPass, LevelControl, OpAmpGain, Pot

NO_LOAD_OHM = 1e15


def shares(parts) -> dict[str, float]:
    return {part.part: part.sensitivity for part in parts}


def root(found: Corners, kind: str, stage: str, number: int = 0):
    return [r for r in found.roots if r.kind == kind and r.stage == stage][number]


def test_one_rc_section_has_one_corner_set_by_its_two_parts():
    stage = CouplingHighPass(capacitor=10e-9, bias_resistor=100e3, returns_to="ground")
    found = find_corners(solve_design(Design("rc", {"hp": stage}, load_ohm=NO_LOAD_OHM)))
    expected = 1.0 / (2.0 * math.pi * 10e-9 * 100e3)
    for corner in (*found.of("hp"), *found.of(WHOLE), root(found, "pole", "hp")):
        assert corner.frequency_hz == pytest.approx(expected, rel=1e-7)
        assert shares(corner.parts) == pytest.approx(
            {"hp.capacitor": -1.0, "hp.bias_resistor": -1.0}, rel=1e-5
        )
    assert [c.kind for c in found.of("hp")] == ["bass cut"]
    assert {p.value for p in found.of("hp")[0].parts} == {"10n", "100k"}


def two_sections(values):
    """Poles of C1-R1-C2-R2: s^2 C1 C2 + s (C1/R2 + C2/R2 + C2/R1) + 1/(R1 R2) = 0, in Hz."""
    c1, r1, c2, r2 = values
    found = np.roots([c1 * c2, c1 / r2 + c2 / r2 + c2 / r1, 1.0 / (r1 * r2)])
    return np.sort(np.abs(found)) / (2.0 * math.pi)


def test_two_coupled_rc_sections_have_the_poles_and_shares_of_their_quadratic():
    # 1/(2 pi R C) of 72 and 867 Hz, a factor of twelve apart: loaded, but two corners still.
    values = np.array([22e-9, 100e3, 6.8e-9, 27e3])
    paths = ("a.capacitor", "a.bias_resistor", "b.capacitor", "b.bias_resistor")
    stages = {
        "a": CouplingHighPass(capacitor=22e-9, bias_resistor=100e3, returns_to="ground"),
        "b": CouplingHighPass(capacitor=6.8e-9, bias_resistor=27e3, returns_to="ground"),
    }
    found = find_corners(solve_design(Design("rcrc", stages, load_ohm=NO_LOAD_OHM)))
    poles = sorted(found.roots, key=lambda r: r.frequency_hz)
    poles = [p for p in poles if p.kind == "pole"]
    assert [p.frequency_hz for p in poles] == pytest.approx(two_sections(values), rel=1e-7)
    for k, path in enumerate(paths):
        step = np.ones(4)
        step[k] = 1.001
        moved = np.log(two_sections(values * step) / two_sections(values / step))
        expected = moved / (2.0 * math.log(1.001))
        for pole, share in zip(poles, expected, strict=True):
            if abs(share) >= 0.05:  # smaller shares are not reported
                assert shares(pole.parts)[path] == pytest.approx(share, abs=1e-4)
    assert poles[1].stage == "b"


def test_resistors_share_minus_one_and_capacitors_share_minus_one():
    """In a network without active parts, for a -3 dB point as for a pole."""
    stages = {
        "a": CouplingHighPass(capacitor=22e-9, bias_resistor=100e3, returns_to="ground"),
        "b": LevelControl(input_capacitor=10e-9, level_pot=Pot(50e3, 0.5)),
    }
    source = Source(resistance=20e3, cable_capacitance=2e-9)
    found = find_corners(solve_design(Design("sum", stages, source=source, load_ohm=30e3)))
    judged = 0
    for corner in (*found.corners, *(r for r in found.roots if r.kind == "pole")):
        by_part = shares(corner.parts)
        caps = sum(v for k, v in by_part.items() if "capaci" in k)
        # Shares below 0.05 are left out of the list, a handful at most.
        assert caps == pytest.approx(-1.0, abs=0.1)
        assert sum(by_part.values()) - caps == pytest.approx(-1.0, abs=0.15)
        judged += 1
    assert judged >= 6


def test_a_pickup_and_its_cable_resonate():
    """2.4 H against 300 pF, damped by 1 Mohm: 5931 Hz, Q = R sqrt(C/L); each shares a half."""
    source = Source(inductance=2.4, cable_capacitance=300e-12)
    stage = CouplingHighPass(capacitor=0.1, bias_resistor=1e6, returns_to="ground")
    found = find_corners(
        solve_design(Design("pickup", {"in": stage}, source=source, load_ohm=NO_LOAD_OHM))
    )
    ringing = next(r for r in found.roots if r.quality > 1.0)
    assert ringing.frequency_hz == pytest.approx(5931.3, rel=1e-4)
    assert ringing.quality == pytest.approx(1e6 * math.sqrt(300e-12 / 2.4), rel=1e-3)
    by_part = shares(ringing.parts)
    assert by_part["source.inductance"] == pytest.approx(-0.5, abs=1e-3)
    assert by_part["source.cable_capacitance"] == pytest.approx(-0.5, abs=1e-3)


def test_an_amplifier_has_the_corners_of_its_feedback():
    """100k/1k/100 pF/100 nF: 1591.55 Hz in the bass, 15 915.5 Hz in the treble, zeros as written.

    Both are poles of the gain; the op-amp of 10 GHz gives way by 0.1 % at most.
    """
    model = OpAmpModel(
        "fast", 1e10, 1e12, open_loop_gain=1e9, headroom_high_v=0.0, headroom_low_v=0.0,
        voltage_noise_v_rthz=0.0, current_noise_a_rthz=0.0, supply_current_a=0.0,
    )  # fmt: skip
    stage = OpAmpGain(
        opamp=model, feedback_resistor=100e3, leg_resistor=1e3, leg_capacitor=100e-9,
        feedback_capacitor=100e-12,
    )  # fmt: skip
    found = find_corners(solve_design(Design("gain", {"gain": stage}, input_at_bias=True)))
    low, high = (root(found, "pole", "gain", k) for k in (0, 1))
    assert low.frequency_hz == pytest.approx(1591.55, rel=1e-3)
    assert set(shares(low.parts)) == {"gain.leg_resistor", "gain.leg_capacitor"}
    assert high.frequency_hz == pytest.approx(15915.5, rel=1e-3)
    assert set(shares(high.parts)) == {"gain.feedback_resistor", "gain.feedback_capacitor"}
    # Zero where 1 + Zf/Zleg vanishes: at DC-side 1/(2 pi C (R1 + R2)) for Cf small.
    zero = root(found, "zero", "gain", 0)
    assert zero.frequency_hz == pytest.approx(1.0 / (2e-7 * math.pi * 101e3), rel=2e-3)


@pytest.fixture(scope="module")
def found() -> Corners:
    return find_corners(solve_design(load_design("boosted_hard_clipper")))


class TestHardClipperPreset:
    """Hand formulas of the preset's comments, within the approximation each makes."""

    def test_bass_cut_of_the_buffer(self, found):
        """1/(2 pi 22n 380k): 380k stands for 470k beside 2.0 M, within 5 %."""
        corner = found.of("buffer")[0]
        assert corner.frequency_hz == pytest.approx(1 / (2 * math.pi * 22e-9 * 380e3), rel=0.05)
        assert corner.parts[0].part == "buffer.input_capacitor"
        assert corner.parts[1].part == "buffer.bias_resistor"

    def test_bass_cut_of_the_boost(self, found):
        """1/(2 pi 820n (1k + 5k1)) = 32 Hz; 5k1 is rounded from gains, within 10 %."""
        corner = found.of("boost")[0]
        assert corner.frequency_hz == pytest.approx(1 / (2 * math.pi * 820e-9 * 6.1e3), rel=0.1)
        assert corner.parts[0].part == "boost.input_capacitor"

    def test_bass_corner_of_the_gain(self, found):
        """1/(2 pi 1k 1u), as a pole: the leg sees the op-amp's virtual ground, within 0.2 %."""
        pole = root(found, "pole", "gain")
        assert pole.frequency_hz == pytest.approx(159.155, rel=2e-3)
        assert {p.part for p in pole.parts[:2]} == {"gain.leg_resistor", "gain.leg_capacitor"}

    def test_feedback_roll_off_at_full_drive(self):
        """15.6 kHz of 102k2 and 100p, 29 kHz of the op-amp at gain 103.

        In one loop H = 1/(beta + j f/GBW) with beta = (1 + j f/f1)/103, so the two add up as
        reciprocals; that beta levels off at unity is neglected (5 %).
        """
        design = load_design("boosted_hard_clipper").with_value("drive", 1.0)
        corner = next(
            c for c in find_corners(solve_design(design)).of("gain") if c.kind == "treble cut"
        )
        f1, f2 = 1.0 / (2 * math.pi * 102.2e3 * 100e-12), 3e6 / 103.2
        assert corner.frequency_hz == pytest.approx(1.0 / (1.0 / f1 + 1.0 / f2), rel=0.05)
        named = {p.part for p in corner.parts}
        assert {"gain.feedback_capacitor", "gain.drive_pot", "gain.opamp"} <= named

    @pytest.mark.parametrize(
        ("arm", "ohm", "farad"), [("low", 22e3, 15e-9), ("high", 22e3, 6.8e-9)]
    )
    def test_tone_arms(self, found, arm, ohm, farad):
        """1/(2 pi R C) of an arm alone, between what its neighbours can do to it.

        The pot beside it, 100k at the least, raises it by R/100k at the most; the 1k8 before the
        arms lowers it by 1k8/R at the most, 8 %.
        """
        poles = [r for r in found.roots if r.kind == "pole" and r.stage == "blend"]
        pole = next(p for p in poles if p.parts[0].part == f"blend.{arm}_capacitor")
        unloaded = 1.0 / (2.0 * math.pi * ohm * farad)
        assert unloaded * 0.92 < pole.frequency_hz < unloaded * (1.0 + ohm / 100e3)
        assert pole.parts[1].part == f"blend.{arm}_resistor"
