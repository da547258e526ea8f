"""Where clippers, legs, clamps, arms and pots return to, by what flows there at rest and by ripple.

Authority: Kirchhoff's and Ohm's law with Shockley's equation at one node; a voltage divider for
what a rail's ripple does through a part that returns to it.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from example_circuits import OPAMP, antiparallel, ideal_diode, ideal_opamp

from vadist.analysis.chain_response import node_responses, solve_design
from vadist.circuits.operating_point import SolvedNetwork, solve_network
from vadist.designs.design import Design, Source
from vadist.designs.supply import Supply
from vadist.stages import DiodeClipper, DiodePair, LevelControl, OpAmpGain, Pot, Stage, ToneBlend

SATURATION_A, SLOPE_V, SERIES_OHM = 2e-9, 0.05, 4.7e3
PAIR = antiparallel(ideal_diode(SATURATION_A, SLOPE_V))
VOLTS = 9.0


def at_input(stage: Stage, input_v: float, source_ohm: float = 0.0) -> SolvedNetwork:
    """A stage at rest with its input held at some volts, on 9 V and 4.5 V."""
    source = Source(resistance=source_ohm)
    network = Design("d", {"s": stage}, Supply(VOLTS), source, load_ohm=1e9).network()
    return solve_network(replace(network, input_v=input_v))


@pytest.mark.parametrize(("returns_to", "rail_v"), [("bias", 4.5), ("ground", 0.0)])
@pytest.mark.parametrize("input_v", [0.0, 2.0, 4.5])
def test_what_a_clipper_takes_at_rest(returns_to: str, rail_v: float, input_v: float) -> None:
    """(Vin - V)/R = 2 Is sinh((V - rail)/n Vt), and V/1G in the load; 1e-9 of the currents."""
    stage = DiodeClipper(series_resistor=SERIES_OHM, diodes=PAIR, returns_to=returns_to)
    found = at_input(stage, input_v).node_v["s.output"]
    given = (input_v - found) / SERIES_OHM
    taken = 2.0 * SATURATION_A * math.sinh((found - rail_v) / SLOPE_V) + found / 1e9
    assert given == pytest.approx(taken, rel=1e-9, abs=1e-14)
    assert stage.driven_at_bias == (returns_to == "bias")


def clamped(returns_to: str, pair: DiodePair = PAIR) -> OpAmpGain:
    return OpAmpGain(
        opamp=OPAMP, feedback_resistor=10e3, leg_resistor=1e3, leg_capacitor=1e-6,
        input_clamp=pair, clamp_returns_to=returns_to,
    )  # fmt: skip


@pytest.mark.parametrize("input_v", [12.0, 9.2, 4.5, 1.0, -0.2, -5.0])
def test_a_clamp_to_the_rails_conducts_beyond_them_alone(input_v: float) -> None:
    """Behind 4k7: forward to the supply, reverse from ground, each by Shockley's equation."""
    solved = at_input(clamped("rails"), input_v, SERIES_OHM)
    found = solved.node_v["source.resistance"]
    up = SATURATION_A * math.expm1((found - VOLTS) / SLOPE_V)
    down = SATURATION_A * math.expm1(-found / SLOPE_V)
    assert (input_v - found) / SERIES_OHM == pytest.approx(up - down, rel=1e-8, abs=1e-14)
    if 0.5 < input_v < 8.5:  # music: less than twice the leakage
        assert abs(input_v - found) < 2.1 * SATURATION_A * SERIES_OHM


def test_a_clamp_to_the_bias_rail_clips_beyond_a_diode() -> None:
    found = at_input(clamped("bias"), 8.0, SERIES_OHM).node_v["source.resistance"]
    taken = 2.0 * SATURATION_A * math.sinh((found - 4.5) / SLOPE_V)
    assert (8.0 - found) / SERIES_OHM == pytest.approx(taken, rel=1e-8)


def test_half_a_clamp_guards_one_side() -> None:
    one = DiodePair(None, PAIR.reverse)
    solved = at_input(clamped("rails", one), 12.0, SERIES_OHM)
    assert solved.node_v["source.resistance"] == pytest.approx(12.0, abs=1e-4)
    below = at_input(clamped("rails", one), -5.0, SERIES_OHM).node_v["source.resistance"]
    assert -1.0 < below < -0.5


# A buffered rail is stiff and follows a ripple through a divider of a half, without a capacitor.
RIPPLING = Supply(VOLTS, bias_upper=10e3, bias_lower=10e3, bias_buffer=ideal_opamp(1e12))
F = np.array([50.0, 120.0, 3e3])


def from_bias(stage: Stage) -> np.ndarray:
    """Response of an unloaded stage's output to the bias rail, its input held."""
    design = Design("d", {"s": stage}, RIPPLING, load_ohm=1e15, input_at_bias=stage.driven_at_bias)
    found = node_responses(solve_design(design), F, driven="supply")
    return found["s.output"] / found["bias"]


@pytest.mark.parametrize(("returns_to", "there"), [("bias", 1.0), ("ground", 0.0)])
def test_ripple_comes_through_what_returns_to_the_rail(returns_to: str, there: float) -> None:
    """A level pot at half, a clipper that does not conduct, a blend at its ends; within 1e-6."""
    jw = 2j * math.pi * F
    half = LevelControl(input_capacitor=22e-9, level_pot=Pot(100e3, 0.5), returns_to=returns_to)
    # Wiper half way: through the lower half it sees the rail, through the upper and 22n the input.
    wanted = (50e3 + 1.0 / (jw * 22e-9)) / (100e3 + 1.0 / (jw * 22e-9))
    assert from_bias(half) == pytest.approx(there * wanted, rel=1e-6, abs=1e-12)
    blocked = antiparallel(ideal_diode(1e-18, 0.05))
    clipper = DiodeClipper(
        series_resistor=SERIES_OHM, diodes=blocked, shunt_capacitor=10e-9, returns_to=returns_to
    )
    wanted = SERIES_OHM / (SERIES_OHM + 1.0 / (jw * 10e-9))
    assert from_bias(clipper) == pytest.approx(there * wanted, rel=1e-6, abs=1e-12)
    for wiper, part in (
        (0.0, 22e3 / (22e3 + 1.0 / (jw * 15e-9))),  # low arm: its resistor holds, its capacitor
        (1.0, (1.0 / (jw * 6.8e-9)) / (33e3 + 1.0 / (jw * 6.8e-9))),  # brings it; high: reversed
    ):
        blend = ToneBlend(
            low_resistor=22e3, low_capacitor=15e-9, high_capacitor=6.8e-9, high_resistor=33e3,
            blend_pot=Pot(1e9, wiper), returns_to=returns_to,
        )  # fmt: skip
        assert from_bias(blend) == pytest.approx(there * part, rel=3e-4, abs=1e-12)  # 1G pot
