"""Supply and bias rails that move, against what pencil and paper say of them.

Authority: voltage divider and Thevenin's theorem, superposition on an ideal op-amp, 4kTR (Johnson
1928, Nyquist 1928), an op-amp's swing limit as its data sheet counts it: from the rail.
"""

import math
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import pytest
from example_circuits import ideal_opamp

from vadist.analysis.chain_response import node_responses, solve_design
from vadist.analysis.noise import find_noise, noise_densities
from vadist.analysis.rails import SPOTS_HZ, find_rails, impedance
from vadist.analysis.resting import resting_stages, supply_current
from vadist.circuits.network import GROUND, SUPPLY, Network
from vadist.designs.design import Design
from vadist.designs.supply import Ripple, Supply
from vadist.parts import OpAmpModel, find_opamp
from vadist.quantities import BOLTZMANN_J_PER_K
from vadist.stages import CouplingHighPass, OpAmpGain
from vadist.stages.stage import Stage, device

F = np.array([20.0, 100.0, 1e3, 10e3])
JW = 2j * math.pi * F
# A divider of 0.4 of the supply whose halves differ, so that none stands for the other: wanted
# 0.2 mA from 12 V, 60k: 36k and 24k. Wanted 1 Hz: 1/(2 pi 14k4 1 Hz) = 11 uF.
UPPER, LOWER, BYPASS, VOLTS = 36e3, 24e3, 10e-6, 12.0
THEVENIN_OHM, FRACTION = UPPER * LOWER / (UPPER + LOWER), LOWER / (UPPER + LOWER)
DIVIDER = Supply(VOLTS, bias_upper=UPPER, bias_lower=LOWER, bias_capacitor=BYPASS)
# Wanted 16 Hz: 1/(2 pi 100n 100k).
COUPLING_F, BIAS_OHM = 100e-9, 100e3


def tap(supply: Supply, load_ohm: float, farad: float = COUPLING_F) -> Design:
    """A load that hangs on the bias rail through a bias resistor."""
    stage = CouplingHighPass(capacitor=farad, bias_resistor=BIAS_OHM)
    return Design("tap", {"tap": stage}, supply, load_ohm=load_ohm)


def test_a_loaded_divider_gives_what_its_thevenin_equivalent_gives() -> None:
    """Fraction of the supply, divided again by its own resistance and the load's; 1e-9."""
    volts = solve_design(tap(DIVIDER, 47e3)).node_v
    wanted = VOLTS * FRACTION * (BIAS_OHM + 47e3) / (THEVENIN_OHM + BIAS_OHM + 47e3)
    assert volts["bias"] == pytest.approx(wanted, rel=1e-9)


def test_a_supply_drops_what_is_drawn_through_its_resistance() -> None:
    """Divider and load in series with 1k5: nothing but resistors, 1e-9."""
    supply = replace(DIVIDER, resistance=1.5e3, filter_capacitor=100e-6)
    solved = solve_design(tap(supply, 47e3))
    below = 1.0 / (1.0 / LOWER + 1.0 / (BIAS_OHM + 47e3))
    current = VOLTS / (1.5e3 + UPPER + below)
    assert solved.node_v["supply"] == pytest.approx(VOLTS - 1.5e3 * current, rel=1e-9)
    assert supply_current(solved).total_a == pytest.approx(current, rel=1e-9)


def gain_stage(supply: Supply, returns_to: str = "bias") -> Design:
    """Gain of 11 from 159 Hz on (10k over 1k, 1 uF); the op-amp is fast enough to be ideal."""
    stages = {
        "in": CouplingHighPass(capacitor=COUPLING_F, bias_resistor=BIAS_OHM),
        "gain": OpAmpGain(
            opamp=ideal_opamp(1e12), feedback_resistor=10e3, leg_resistor=1e3, leg_capacitor=1e-6,
            returns_to=returns_to,
        ),
    }  # fmt: skip
    return Design("gain", stages, supply, load_ohm=1e9)


@pytest.mark.parametrize("returns_to", ["bias", "ground"])
def test_ripple_of_an_opamp_stage(returns_to: str) -> None:
    """Supply to output by superposition, within 1e-6.

    The rail follows the ripple as a divider with a capacitor; a follower keeps it from the stage.
    The rail reaches the input against the coupling capacitor, with the whole gain behind it, and
    the leg with the gain less one, inverted.
    """
    supply = replace(DIVIDER, bias_buffer=ideal_opamp(1e12), ripple=Ripple(0.02, 120.0))
    solved = solve_design(gain_stage(supply, returns_to))
    rail = FRACTION / (1.0 + JW * THEVENIN_OHM * BYPASS)
    before = 1.0 / (1.0 + JW * COUPLING_F * BIAS_OHM)
    added = 10e3 / (1e3 + 1.0 / (JW * 1e-6))
    wanted = rail * (before * (1.0 + added) - (added if returns_to == "bias" else 0.0))
    found = node_responses(solved, F, driven=solved.network.ideal_supply)
    assert np.abs(found["gain.output"] / wanted - 1.0).max() < 1e-6
    assert np.abs(found["bias"] / rail - 1.0).max() < 1e-6


def test_the_told_ripple_is_that_of_its_frequency() -> None:
    design = gain_stage(replace(DIVIDER, ripple=Ripple(0.02, 100.0), resistance=10.0))
    solved = solve_design(design)
    told = find_rails(solved, find_noise(solved))
    assert told is not None
    passed = node_responses(solved, [100.0], driven="supply.ideal")["gain.output"]
    assert told.ripple_v == pytest.approx(0.02 * abs(passed[0]), rel=1e-12)
    assert told.ripple_db == pytest.approx(20.0 * math.log10(abs(passed[0])), abs=1e-9)


def test_noise_of_a_divider() -> None:
    """4kT of its two resistors side by side, through the capacitor across them; within 1e-6.

    The coupling capacitor of 1 pF and a load of 1 Gohm take 2e-4 of it at most: both are in the
    closed form.
    """
    solved = solve_design(tap(DIVIDER, 1e9, 1e-12))
    found = noise_densities(solved, F)
    rail = 1.0 / (1.0 / THEVENIN_OHM + JW * BYPASS)
    behind = 1.0 / (1e-9 + JW * 1e-12)
    loaded = 1.0 / (1.0 / rail + 1.0 / (BIAS_OHM + behind))
    transfer = np.abs(loaded * behind / (BIAS_OHM + behind)) ** 2
    for part, ohm in (("supply.bias_upper", UPPER), ("supply.bias_lower", LOWER)):
        wanted = 4.0 * BOLTZMANN_J_PER_K * 300.0 / ohm * transfer
        assert found[part] / wanted == pytest.approx(np.ones(4), rel=1e-6)
    told = find_rails(solved, find_noise(solved))
    assert told is not None
    spot = 4.0 * BOLTZMANN_J_PER_K * 300.0 / THEVENIN_OHM
    # Over the band of a single pole far below it: (pi/2 - atan(20 Hz/f0)) f0, to 20 kHz; 0.1 %.
    corner = 1.0 / (2.0 * math.pi * THEVENIN_OHM * BYPASS)
    band = corner * (math.atan(20e3 / corner) - math.atan(20.0 / corner))
    assert told.noise_v == pytest.approx(math.sqrt(spot * band) * THEVENIN_OHM, rel=1e-3)


def test_impedance_of_a_rail() -> None:
    """Divider, capacitor and the stage's bias resistor into its silent source, side by side."""
    solved = solve_design(tap(DIVIDER, 1e9))
    hangs = BIAS_OHM + 1.0 / (1e-9 + JW * COUPLING_F)
    wanted = 1.0 / (1.0 / THEVENIN_OHM + JW * BYPASS + 1.0 / hangs)
    assert np.abs(impedance(solved, "bias", F) / wanted - 1.0).max() < 1e-9
    told = find_rails(solved, find_noise(solved))
    assert told is not None
    assert np.array_equal(F, SPOTS_HZ)
    assert told.moving[0].impedance_ohm == pytest.approx(np.abs(wanted), rel=1e-9)
    assert told.divider_a == pytest.approx(VOLTS / (UPPER + LOWER), rel=1e-3)  # load: 1 Gohm


def test_what_a_rail_costs_and_hands_on() -> None:
    """A high-pass whose resistor returns to a rail of 14k4 and 10 nF; within 1e-9.

    The rail stands in series with the resistor; with volts of its own it reaches the output as
    through a divider of the resistor and the coupling capacitor.
    """
    solved = solve_design(tap(replace(DIVIDER, bias_capacitor=10e-9), 1e9))
    jw = 2j * math.pi * 100.0
    rail, source = 1.0 / (1.0 / THEVENIN_OHM + jw * 10e-9), 1.0 / (jw * COUPLING_F)

    def output(ohm: complex) -> complex:
        below = 1.0 / (1e-9 + 1.0 / ohm)
        return below / (source + below)

    told = find_rails(solved, find_noise(solved))
    assert told is not None
    wanted_db = 20.0 * math.log10(abs(output(BIAS_OHM + rail) / output(BIAS_OHM)))
    assert told.cost_db == pytest.approx(wanted_db, rel=1e-6)
    handed_on = 1.0 / (1.0 / source + 1e-9)
    found = node_responses(solved, [100.0], driven="bias")["tap.output"][0]
    assert found == pytest.approx(handed_on / (handed_on + BIAS_OHM), rel=1e-9)


def test_a_held_rail_costs_nothing_and_is_not_told() -> None:
    solved = solve_design(gain_stage(Supply(VOLTS, FRACTION)))
    assert find_rails(solved, find_noise(solved)) is None
    assert solved.network.moving_rails == ()


@dataclass(frozen=True, kw_only=True)
class Comparator(Stage):
    """An op-amp whose inputs lie at the rails: its output meets a limit."""

    kind: ClassVar[str] = "comparator"
    opamp: OpAmpModel = device("opamp", "compares")

    def wire(self, network: Network, source: str, output: str) -> None:
        network.resistor("input", source, network.node("in"), 1e3)
        network.opamp("opamp", SUPPLY, GROUND, output, self.opamp)


@pytest.mark.parametrize("ohm", [0.0, 220.0])
def test_the_swing_is_counted_from_the_rail_as_it_is(ohm: float) -> None:
    """TL072, 1.5 V from the rail at its rest: 9 V less 1.4 mA in the resistance; within 1 mV."""
    model = find_opamp("TL072")
    design = Design("c", {"c": Comparator(opamp=model)}, Supply(9.0, resistance=ohm), load_ohm=1e9)
    solved = solve_design(design)
    rail = 9.0 - ohm * model.supply_current_a
    assert solved.node_v["supply"] == pytest.approx(rail, rel=1e-9)
    assert solved.node_v["c.output"] == pytest.approx(rail - model.headroom_high_v, abs=1e-3)
    limits = resting_stages(solved)["c"].limits_v
    assert limits == pytest.approx((model.headroom_low_v, rail - model.headroom_high_v), abs=1e-9)
