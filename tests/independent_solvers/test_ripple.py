"""The supply's ripple in a render, against what is known of it without stepping.

Authority: superposition on an ideal op-amp (closed form); the small-signal response from the
source to the output, which ``test_moving_rails`` holds against nodal equations; SUNDIALS IDA on the
undivided circuit with the ripple on its source.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
import soxr
from circuit_oracle import CircuitOracle, device_models
from example_circuits import ideal_opamp, on_held_rails
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist.analysis.chain_response import node_responses, solve_design
from vadist.audition.candidates import Candidate
from vadist.audition.run import audition_design
from vadist.captures.excitation import Excitation, answers
from vadist.circuits.network import GROUND, SUPPLY, Network
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.designs.supply import Ripple, Supply
from vadist.errors import DesignError
from vadist.rendering.arrays import render, render_candidates
from vadist.stages import CouplingHighPass, OpAmpGain
from vadist.stages.stage import Stage, part
from vadist.stepping import lanes
from vadist.stepping.rails import tear
from vadist.stepping.segments import Plan

FS, PERIODS, REACH = 48_000, 12, 256


def hum(design: Design, seconds: float, factor: int | None = None) -> complex:
    """Phasor of the ripple's sine at the output over the last periods of a silent take.

    By it an input of sin(w t) is 1; whole periods, so that nothing else is in it.
    """
    volts = render(design, np.zeros(round(seconds * FS)), FS, oversample=factor).volts[:, 0]
    hertz = design.supply.ripple.frequency_hz
    frames = np.arange(len(volts))[-round(PERIODS * FS / hertz) :]
    turned = np.exp(-2j * math.pi * hertz * frames / FS)
    return complex(2j * np.mean(volts[frames] * turned))


def passed(design: Design) -> complex:
    """The same from the small-signal response."""
    solved, ripple = solve_design(design), design.supply.ripple
    found = node_responses(solved, [ripple.frequency_hz], driven=solved.network.ideal_supply)
    return complex(ripple.peak_v * found[design.output][0])


@pytest.mark.parametrize("returns_to", ["bias", "ground"])
def test_hum_of_an_opamp_stage_is_the_closed_form(returns_to: str) -> None:
    """A buffered divider, a bias resistor and a leg by superposition: magnitude and phase, 1e-5.

    Gain of 11 from 159 Hz on (10k over 1k, 1 uF); the divider of 36k and 24k settles in 14 ms.
    """
    upper, lower, bypass, coupling, bias_ohm = 36e3, 24e3, 1e-6, 100e-9, 100e3
    supply = Supply(
        12.0, bias_upper=upper, bias_lower=lower, bias_capacitor=bypass,
        bias_buffer=ideal_opamp(1e9), ripple=Ripple(0.02, 120.0),
    )  # fmt: skip
    stages = {
        "in": CouplingHighPass(capacitor=coupling, bias_resistor=bias_ohm),
        "gain": OpAmpGain(
            opamp=ideal_opamp(1e9), feedback_resistor=10e3, leg_resistor=1e3, leg_capacitor=1e-6,
            returns_to=returns_to,
        ),
    }  # fmt: skip
    jw = 2j * math.pi * 120.0
    rail = lower / (upper + lower) / (1.0 + jw * bypass * upper * lower / (upper + lower))
    before = 1.0 / (1.0 + jw * coupling * bias_ohm)
    added = 10e3 / (1e3 + 1.0 / (jw * 1e-6))
    wanted = 0.02 * rail * (before * (1.0 + added) - (added if returns_to == "bias" else 0.0))
    found = hum(Design("gain", stages, supply, load_ohm=1e9), 0.4)
    print(f"{returns_to}: {1e3 * abs(found):.5f} mV, closed form {1e3 * abs(wanted):.5f} mV")
    assert abs(found / wanted - 1.0) < 1e-5


@pytest.mark.parametrize(
    ("name", "changes", "torn", "seconds"),
    [
        ("boosted_hard_clipper", {}, ("bias",), 2.0),
        ("treble_boost", {"supply.resistance": 47.0}, (), 0.5),
        ("soft_clipper", {"supply.bias": 0.5}, (), 0.5),
        ("treble_boost", {}, (), 0.5),
    ],
    ids=["torn bias", "a supply that is a node", "held bias", "held supply"],
)
def test_hum_is_the_small_signal_response(name, changes, torn, seconds) -> None:
    """1 mV at 120 Hz on a preset's source, magnitude and phase within 2e-5."""
    design = load_design(name)
    for path, value in changes.items():
        design = design.with_value(path, value)
    design = design.with_value("supply.ripple", "1mV 120Hz")
    assert tear(solve_design(design)).rails == torn
    found, wanted = hum(design, seconds), passed(design)
    print(f"{name}: {1e6 * abs(found):.4f} uV of {1e6 * abs(wanted):.4f}")
    assert abs(found / wanted - 1.0) < 2e-5


def test_hum_through_a_torn_supply_is_of_second_order() -> None:
    """The charge of a torn rail is summed by a rule of second order in the tick.

    47 ohm and 100 uF: a relative error below 5e-4 at 8x, and a quarter of it at 16x.
    """
    design = load_design("treble_boost").with_value("supply.resistance", 47.0)
    design = design.with_value("supply.filter_capacitor", 100e-6)
    design = design.with_value("supply.ripple", "1mV 120Hz")
    assert tear(solve_design(design)).rails == ("supply",)
    off = [abs(hum(design, 0.5, factor) / passed(design) - 1.0) for factor in (8, 16)]
    print(f"{off[0]:.2e} at 8x, {off[1]:.2e} at 16x")
    assert off[0] < 5e-4
    assert off[0] / off[1] == pytest.approx(4.0, rel=0.1)


def test_a_note_on_a_rippling_supply_against_ida() -> None:
    """50 ms of a plucked note on 0.5 V of ripple behind 220 ohm and 10 uF: -80 dB or better.

    The ripple itself changes the output by far more.
    """
    pytest.importorskip("sksundae", reason="scikit-sundae has no wheel for this machine")
    factor, frames, reach = 16, 2400, 256
    still = load_design("treble_boost").with_value("supply.resistance", 220.0)
    still = still.with_value("supply.filter_capacitor", 10e-6)
    design = still.with_value("supply.ripple", "0.5V 120Hz")
    solved = solve_design(design)
    rest = solved.node_v
    fast = np.arange(frames * factor) / (FS * factor)
    oracle = CircuitOracle(solved.network, device_models(design))
    volts = oracle.solve(
        rest, fast, guitar_like, guitar_like_slope, design.output, rtol=1e-8, atol=1e-9
    )
    settled = rest[design.output]
    wanted = soxr.resample(volts - settled, FS * factor, FS, "VHQ")[: frames - reach]
    take = guitar_like(np.arange(frames) / FS)
    found, without = (
        render(d, take, FS, oversample=factor).volts[: frames - reach, 0] - settled
        for d in (design, still)
    )
    error_db = energy_ratio_db(found - wanted, wanted)
    print(f"{error_db:.2f} dB, without the ripple {energy_ratio_db(without - wanted, wanted):.2f}")
    assert error_db < -80.0
    assert energy_ratio_db(without - wanted, wanted) > -30.0


def test_a_ripple_is_the_same_in_any_company(monkeypatch: pytest.MonkeyPatch) -> None:
    """Threads and blocks change no bit; spans, segments and candidates no more than a seam may."""
    quiet = on_held_rails("treble_boost")
    design = quiet.with_value("supply.ripple", "50mV 100Hz")
    take = np.zeros(6 * FS)
    one = render(design, take, FS, threads=1)
    assert one.diagnostics.segments > 1
    assert one.diagnostics.seams_mended == 0
    assert one.diagnostics.error_db < -100.0  # passages are heard again on the same sine
    np.testing.assert_array_equal(render(design, take, FS, threads=3).volts, one.volts)
    with monkeypatch.context() as patched:
        patched.setattr(lanes, "_UP_FRAMES", 77)
        patched.setattr(lanes, "_STEP_SAMPLES", 501)
        np.testing.assert_array_equal(render(design, take, FS).volts, one.volts)
    still, beside = render_candidates([quiet, design], take, FS)
    assert np.abs(still.volts).max() < 1e-9
    with monkeypatch.context() as patched:
        patched.setattr("vadist.rendering.spans.SPAN_SAMPLES", 1 << 17)
        spans = render(design, take, FS)
    monkeypatch.setattr("vadist.rendering.spans.plan_segments", lambda n, *_: Plan(1, n, 0))
    serial = render(design, take, FS)
    for other in (beside, spans, serial):
        away = np.abs(other.volts - one.volts).max() / np.abs(one.volts).max()
        print(f"{other.diagnostics.segments} segments: {away:.1e}")
        assert away < 5e-6


def test_ripples_of_candidates_are_their_own() -> None:
    """Two levels and a still supply beside one another; before the take nothing ripples."""
    base = load_design("treble_boost")
    designs = [base.with_value("supply.ripple", f"{mv}mV 120Hz") for mv in (1, 2)]
    one, two, still = render_candidates([*designs, base], np.zeros(4800), FS)
    assert energy_ratio_db(two.volts - 2.0 * one.volts, two.volts) < -60.0
    assert np.abs(still.volts).max() < 1e-9
    assert np.abs(one.volts[0]).max() < 1e-2 * np.abs(one.volts).max()
    assert replace(designs[0].on_a_still_supply(), name=base.name) == base


def test_answers_are_as_fine_as_they_are_wanted() -> None:
    """The oversampling is doubled until the error is below what is wanted, and no further."""
    note = Excitation(guitar_like(np.arange(2400) / FS), FS, 0, 0.0, True, (), ())
    designs = [load_design("treble_boost")]
    (usual,) = answers(designs, note, 20e3)
    wanted_db = usual.error_db - 6.0
    (finer,) = answers(designs, note, 20e3, wanted_error_db=wanted_db)
    assert finer.error_db <= wanted_db
    assert finer.oversample == 2 * usual.oversample
    (given,) = answers(designs, note, 20e3, oversample=4, wanted_error_db=wanted_db)
    assert given.oversample == 4


def test_what_is_measured_of_a_circuit_knows_no_ripple() -> None:
    """Answers for the bench and an audition's distortion: those of a supply that is still."""
    still = load_design("treble_boost")
    humming = still.with_value("supply.ripple", "1V 120Hz")
    note = Excitation(guitar_like(np.arange(24_000) / FS), FS, 0, 0.0, True, (), ())
    one, two = answers([still, humming], note, 20e3)
    assert np.abs(one.wave.at(np.array([0.02])) - two.wave.at(np.array([0.02]))).max() < 1e-6
    found = audition_design(still, [Candidate("hum", humming)], note.volts, FS)
    clean, rippling = (track.distortion.thd for track in found.tracks)
    assert rippling == pytest.approx(clean, rel=1e-4)


def test_a_ripple_that_no_sample_tells_is_refused() -> None:
    design = load_design("treble_boost").with_value("supply.ripple", "1mV 30kHz")
    rule = r"^supply\.ripple of 30000 Hz must be below half the oversampled rate, 24000 Hz; a larg"
    with pytest.raises(DesignError, match=rule):
        render(design, np.zeros(480), FS, oversample=1)
    assert np.abs(render(design, np.zeros(480), FS).volts).max() > 1e-9


@dataclass(frozen=True)
class SupplyAsOutput(Stage):
    """A wire from the supply to the output, and a resistor that loads what comes before."""

    resistor: float = part("ohm", "load")

    def wire(self, network: Network, source: str, output: str) -> None:
        network.resistor("resistor", source, GROUND, self.resistor)
        network.resistor("wire", SUPPLY, output, 0.0)


def test_a_wire_from_the_supply_is_heard_as_it_is() -> None:
    """Peak volts times the sine itself, from the first frame on; within 2e-7 V of 1 V."""
    supply = Supply(9.0, ripple=Ripple(1.0, 120.0))
    design = Design("wire", {"wire": SupplyAsOutput(resistor=10e3)}, supply, load_ohm=1e6)
    found = render(design, np.zeros(4800), FS).volts[REACH:-REACH, 0]
    wanted = 9.0 + np.sin(2.0 * math.pi * 120.0 * np.arange(4800) / FS)[REACH:-REACH]
    assert np.abs(found - wanted).max() < 2e-7
