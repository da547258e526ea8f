"""Zero ohms is a wire: the circuit is the one drawn without the part.

Authority: the same circuit drawn with one node where the wire had two; Kirchhoff's laws for what
capacitors alone hold (charge stays: two capacitors divide a voltage inversely to their sizes).
"""

import dataclasses
from dataclasses import dataclass

import numpy as np
import pytest
from example_circuits import (
    HIGH_ARM_FARAD,
    HIGH_ARM_OHM,
    LOW_ARM_FARAD,
    LOW_ARM_OHM,
    NPN,
    SILICON,
    alone,
    antiparallel,
    every_stage,
)

from vadist.analysis.chain_response import node_responses, solve_design
from vadist.analysis.noise import find_noise
from vadist.analysis.resting import resting_stages
from vadist.audition.candidates import make_candidates
from vadist.audition.run import audition_design
from vadist.circuits.network import BIAS, GROUND, SUPPLY, DiodeString, Network
from vadist.circuits.nodes import join_wires
from vadist.circuits.operating_point import solve_all
from vadist.designs.chain import Chain
from vadist.designs.design import Design, Source
from vadist.designs.files import load_design
from vadist.errors import DesignError, VadistError
from vadist.inspection.figures import inspect_design
from vadist.parts import find_diode
from vadist.rendering.arrays import render, render_candidates
from vadist.stages import (
    DiodeClipper,
    DiodePair,
    EmitterFollower,
    LevelControl,
    Pot,
    ToneBlend,
    TransistorBoost,
)

RATE_HZ = 48_000
NOTE = 0.2 * np.sin(2 * np.pi * 220.0 * np.arange(1200) / RATE_HZ)
FREQUENCIES_HZ = np.geomspace(20.0, 20e3, 30)

# Without resistance of their own, which would limit the current.
SCHOTTKY = dataclasses.replace(find_diode("BAT41"), series_resistance_ohm=0.0)
JUNCTIONS = dataclasses.replace(NPN, base_resistance_ohm=0.0)


@dataclass(frozen=True, kw_only=True)
class FollowerWithoutStopper(EmitterFollower):
    """The follower drawn with its base at the coupling capacitor."""

    def wire(self, network: Network, source: str, output: str) -> None:
        coupled = network.node("coupled")
        network.capacitor("input_capacitor", source, coupled, self.input_capacitor)
        network.resistor("bias_resistor", coupled, BIAS, self.bias_resistor)
        network.transistor("transistor", SUPPLY, coupled, output, self.transistor)
        network.resistor("emitter_resistor", output, GROUND, self.emitter_resistor)


@dataclass(frozen=True, kw_only=True)
class BlendAtTheLowArm(ToneBlend):
    """The blend drawn with its output at the low arm."""

    def wire(self, network: Network, source: str, output: str) -> None:
        high = network.node("high_arm")
        network.resistor("low_resistor", source, output, self.low_resistor)
        network.capacitor("low_capacitor", output, BIAS, self.low_capacitor)
        network.capacitor("high_capacitor", source, high, self.high_capacitor)
        network.resistor("high_resistor", high, BIAS, self.high_resistor)
        network.resistor("blend_pot", high, output, self.blend_pot.resistance)


FOLLOWER = {
    "input_capacitor": 22e-9, "bias_resistor": 1e6, "emitter_resistor": 10e3, "transistor": NPN,
    "base_resistor": 0.0,
}  # fmt: skip
BLEND = {
    "low_resistor": LOW_ARM_OHM, "low_capacitor": LOW_ARM_FARAD,
    "high_capacitor": HIGH_ARM_FARAD, "high_resistor": HIGH_ARM_OHM, "blend_pot": Pot(100e3, 0.0),
}  # fmt: skip
# Wanted half of 9 V at 0.65 mA: 4.5 V/0.65 mA = 6k9, so 6k8; base current 5.0 uA at a gain of 130:
# (4.5 - 0.65) V/5.0 uA = 770k, so 680k. Input resistance 680k/169 || 130/25 mS = 2k3;
# 1/(2 pi 2u2 2k3) = 31 Hz, an octave under the low E of 82.4 Hz.
BOOST = {
    "input_capacitor": 2.2e-6, "feedback_resistor": 680e3, "collector_resistor": 6.8e3,
    "transistor": NPN,
}  # fmt: skip


@pytest.mark.parametrize(
    ("wired", "drawn"),
    [
        (EmitterFollower(**FOLLOWER), FollowerWithoutStopper(**FOLLOWER)),
        (ToneBlend(**BLEND), BlendAtTheLowArm(**BLEND)),
    ],
)
def test_a_wire_is_the_circuit_drawn_without_it(wired, drawn):
    """To 1e-12 V: the same equations, perhaps in another order."""
    level = LevelControl(input_capacitor=100e-9, level_pot=Pot(100e3, 0.5))
    designs = [Chain({"stage": s, "level": level}).design() for s in (wired, drawn)]
    one, other = (solve_design(d) for d in designs)
    assert one.node_v["stage.output"] == pytest.approx(other.node_v["stage.output"], abs=1e-12)
    mine, theirs = (node_responses(s, FREQUENCIES_HZ)["stage.output"] for s in (one, other))
    assert np.abs(mine / theirs - 1.0).max() < 1e-12
    heard = [render(d, NOTE, RATE_HZ, taps=["stage"]) for d in designs]
    assert np.abs(heard[0].volts - heard[1].volts).max() < 1e-12
    assert np.abs(heard[0].taps["stage"] - heard[1].taps["stage"]).max() < 1e-12


def test_merged_nodes_are_found_by_every_name():
    solved = solve_design(alone(TransistorBoost(**BOOST)).design())
    volts = solved.node_v
    assert volts["stage.base"] == volts["stage.coupled"] > 0.5
    assert volts["stage.emitter"] == 0.0
    assert {"stage.base", "stage.emitter"} <= set(resting_stages(solved)["stage"].node_v)
    assert solved.network.wires == []
    outside = [r for r in solved.network.resistors if not r.part.endswith(".ohmic")]
    smallest = min(r.value for r in outside)
    assert smallest == BOOST["collector_resistor"]


def test_a_sweep_over_a_pot_and_its_ends_is_each_alone():
    design = load_design("boosted_hard_clipper").with_value("supply.bias", 0.5)
    texts = ["tone=0,0.25,0.5,0.75,1", "level=0,1"]
    candidates = [c.design for c in make_candidates(design, texts)]
    together = render_candidates(candidates, NOTE, RATE_HZ, taps=["blend", "volume"], oversample=4)
    for candidate, found in zip(candidates, together, strict=True):
        single = render(candidate, NOTE, RATE_HZ, taps=["blend", "volume"], oversample=4)
        # One lane and sixteen round differently in single precision.
        assert np.abs(found.volts - single.volts).max() < 1e-6
        for tap in ("blend", "volume"):
            assert np.abs(found.taps[tap] - single.taps[tap]).max() < 1e-6
    assert np.ptp(together[5].volts) < 1e-12  # level at 0 is ground
    assert min(np.ptp(found.volts) for found in together[:5]) > 0.1


def test_a_silent_level_can_be_inspected():
    found = inspect_design(load_design("treble_boost").with_value("level", 0.0))
    assert found.blocks[-1].level.asymmetry == 0.0
    assert found.noise.output_v == 0.0
    assert not np.isnan(found.noise.input_v)


@pytest.mark.parametrize("wiper", [0.0, 1.0])
def test_a_pot_at_its_end_is_quiet_or_whole(wiper):
    """Noise and response of a pot at its end: nothing, or what drives it."""
    stage = LevelControl(input_capacitor=0.1, level_pot=Pot(100e3, wiper))
    solved = solve_design(alone(stage).design())
    gain = abs(node_responses(solved, [1e3])[solved.design.output][0])
    assert gain == pytest.approx(wiper, abs=1e-6)
    assert (find_noise(solved).output_v > 0.0) == (wiper > 0.0)


def test_a_wire_from_the_input_passes_it_on():
    """A clipper without resistance on a stiff source: the source wins."""
    clipper = DiodeClipper(series_resistor=0.0, diodes=antiparallel(SILICON))
    heard = render(alone(clipper).design(), NOTE, RATE_HZ, oversample=4)
    assert np.abs(heard.volts[:, 0] - NOTE - 4.5)[200:-200].max() < 1e-6


# --- what is refused ----------------------------------------------------------------------------


def test_a_wire_between_rails_is_refused():
    values = {**BOOST, "collector_resistor": 0.0, "feedback_resistor": 0.0, "ground_resistor": 0.0}
    with pytest.raises(
        DesignError, match=r"^stage.ground_resistor has no resistance and shorts ground to supply"
    ):
        alone(TransistorBoost(**values)).design().network()


def test_a_junction_without_resistance_is_refused():
    diode = DiodeString(SCHOTTKY)
    clipper = DiodeClipper(series_resistor=0.0, diodes=DiodePair(diode, diode))
    with pytest.raises(
        DesignError, match=r"^stage.diodes lies between bias and input, and nothing limits"
    ):
        alone(clipper).design().network()


def test_junctions_alone_between_rails_are_refused():
    """A diode from the bias rail into a base-emitter junction at ground."""
    network = Network(supply_v=18.0, bias_v=9.0)
    network.diodes("d", BIAS, "base", DiodeString(SCHOTTKY), None)
    network.resistor("rc", SUPPLY, "base", 10e3)
    network.transistor("q", "base", "base", GROUND, JUNCTIONS)
    with pytest.raises(DesignError, match="lies in a path of junctions between rails"):
        solve_all(network)


def test_a_shorted_junction_carries_nothing():
    network = Network()
    network.resistor("r", "input", "a", 1e3)
    network.resistor("wire", "a", "b", 0.0)
    network.diodes("d", "a", "b", DiodeString(SCHOTTKY), None)
    network.resistor("load", "b", GROUND, 1e3)
    joined = join_wires(network)
    assert joined.devices == []
    assert joined.aliases == {"b": "a"}


def test_a_device_without_a_direct_path_is_refused():
    network = Network()
    network.capacitor("c", "input", "base", 1e-6)
    network.resistor("rc", SUPPLY, "collector", 1e3)
    network.transistor("q", "collector", "base", GROUND, NPN)
    with pytest.raises(DesignError, match=r"^q: no direct current reaches its base"):
        solve_all(network)


def test_a_node_that_nothing_ties_is_refused():
    network = Network()
    network.resistor("r", "a", "b", 1e3)
    with pytest.raises(DesignError, match="nothing but devices ties a"):
        solve_all(network)


@pytest.mark.parametrize("ohm", [1e20, 0.5, -1.0, float("nan")])
def test_pots_have_bounds(ohm):
    with pytest.raises(DesignError, match=r"pot resistance must be within 1\.\.1e\+09 ohm"):
        Pot(ohm)


def test_a_load_has_a_lower_bound():
    with pytest.raises(DesignError, match=r"load resistance must be at least 0.001 ohm"):
        Design("d", every_stage(), load_ohm=1e-4)


def test_the_candidate_that_cannot_rest_is_named():
    design = load_design("led_clipper")
    candidates = make_candidates(design, ["supply.volts=2V,9V"])
    with pytest.raises(VadistError, match=r"^supply.volts=2V: gain.opamp: TL072 needs more than"):
        audition_design(design, candidates, NOTE, RATE_HZ)


# --- what capacitors alone hold -----------------------------------------------------------------


@pytest.mark.parametrize("inner_ohm", [0.0, 1e3])
def test_capacitors_divide_what_they_were_switched_on_with(inner_ohm):
    """9 V over 1 nF and 2 nF: the smaller takes two thirds, and a resistor inside takes none."""
    network = Network(supply_v=9.0)
    network.capacitor("upper", SUPPLY, "a", 1e-9)
    network.resistor("inner", "a", "b", inner_ohm)
    network.capacitor("lower", "b", GROUND, 2e-9)
    joined = join_wires(network)
    volts = joined.under_all_names(
        {
            node: float(v)
            for section, point in solve_all(joined)
            for node, v in zip(section.unknowns, point.node_v, strict=True)
        }
    )
    assert volts["a"] == pytest.approx(3.0, abs=1e-12)
    assert volts["b"] == pytest.approx(3.0, abs=1e-12)


def test_an_inductor_is_a_wire_at_rest():
    source = Source(inductance=2.5, resistance=10e3)
    stage = LevelControl(input_capacitor=100e-9, level_pot=Pot(100e3, 0.5))
    design = Design("d", {"stage": stage}, source=source, input_at_bias=True)
    volts = solve_design(design).node_v
    assert volts["source.coil"] == pytest.approx(volts["source.resistance"], abs=1e-12)
