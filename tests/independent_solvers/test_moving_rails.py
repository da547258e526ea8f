"""Circuits whose rails move, against solvers that know nothing of sections.

Authority: nodal equations of a linear circuit written out by hand, and SUNDIALS IDA on the
undivided circuit (``circuit_oracle``), decimated by the resampler the renderer uses.
"""

import math

import numpy as np
import pytest
import soxr
from circuit_oracle import CircuitOracle, device_models
from example_circuits import SILICON, antiparallel
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist.analysis.chain_response import node_responses, solve_design
from vadist.analysis.noise import find_noise
from vadist.analysis.rails import find_rails
from vadist.designs.chain import Chain
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.designs.supply import Supply
from vadist.parts import find_opamp, find_transistor
from vadist.rendering.arrays import render
from vadist.stages import (
    CouplingHighPass,
    DiodeClipper,
    OpAmpGain,
    Pot,
    ToneBlend,
    TransistorBoost,
)

FS, FACTOR, FRAMES, REACH = 48_000, 16, 2400, 256


def test_a_linear_design_against_nodal_equations() -> None:
    """Coupling and tone blend on a divider behind a supply with resistance; 1e-9.

    The values are small on purpose: the rails then take part in everything.
    """
    Rs, Cs, Ru, Rl, Cb = 1e3, 1e-6, 4.7e3, 6.8e3, 100e-9
    C, Rb, R1, C1, C2, R2, track, load = 100e-9, 10e3, 5.6e3, 33e-9, 10e-9, 8.2e3, 50e3, 100e3
    supply = Supply(
        9.0, resistance=Rs, filter_capacitor=Cs, bias_upper=Ru, bias_lower=Rl, bias_capacitor=Cb
    )
    stages = {
        "in": CouplingHighPass(capacitor=C, bias_resistor=Rb),
        "blend": ToneBlend(
            low_resistor=R1, low_capacitor=C1, high_capacitor=C2, high_resistor=R2,
            blend_pot=Pot(track, 0.3),
        ),
    }  # fmt: skip
    f = np.geomspace(10.0, 20e3, 12)
    found = node_responses(solve_design(Design("d", stages, supply, load_ohm=load)), f)
    names = ("supply", "bias", "in", "low", "high", "out")
    at = {name: k for k, name in enumerate(names)}
    for k, hz in enumerate(f):
        s = 2j * math.pi * hz
        Y, into = np.zeros((6, 6), complex), np.zeros(6, complex)
        for a, b, y in (
            ("supply", "ground", 1.0 / Rs + s * Cs), ("supply", "bias", 1.0 / Ru),
            ("bias", "ground", 1.0 / Rl + s * Cb), ("in", "bias", 1.0 / Rb),
            ("in", "low", 1.0 / R1), ("low", "bias", s * C1), ("in", "high", s * C2),
            ("high", "bias", 1.0 / R2), ("high", "out", 1.0 / (0.7 * track)),
            ("out", "low", 1.0 / (0.3 * track)), ("out", "ground", 1.0 / load),
            ("in", "ground", s * C),
        ):  # fmt: skip
            for here, there in ((a, b), (b, a)):
                if here in at:
                    Y[at[here], at[here]] += y
                    if there in at:
                        Y[at[here], at[there]] -= y
        into[at["in"]] = s * C  # the source, as a current into what its capacitor leads to
        wanted = np.linalg.solve(Y, into)
        for name, node in (("supply", "supply"), ("bias", "bias"), ("out", "blend.output")):
            assert abs(found[node][k] / wanted[at[name]] - 1.0) < 1e-9, (name, hz)


def clipper_on_a_divider() -> Design:
    """An op-amp of gain 34 (33k over 1k) and a clipper, both on a rail of 5k and 22 uF.

    At 82 Hz the rail has 1/(2 pi 82 Hz 22u) = 88 ohm: the op-amp's leg and the diodes move it by
    some tenths of a volt, which the gain takes for signal.
    """
    supply = Supply(9.0, bias_upper=10e3, bias_lower=10e3, bias_capacitor=22e-6)
    stages = {
        "in": CouplingHighPass(capacitor=100e-9, bias_resistor=100e3),
        "gain": OpAmpGain(
            opamp=find_opamp("RC4558"), feedback_resistor=33e3, leg_resistor=1e3,
            leg_capacitor=1e-6,
        ),
        "clipper": DiodeClipper(
            series_resistor=1.8e3, diodes=antiparallel(SILICON), shunt_capacitor=15e-9
        ),
    }  # fmt: skip
    return Chain(stages, supply, 100e3).design()


def boost_on_a_tired_battery() -> Design:
    """A boost into an op-amp of gain 5.7 on 7.5 V behind 220 ohm and 10 uF.

    Boost: half of 7.5 V over 4k7 is 0.8 mA. What it draws moves the supply, from which the boost
    takes its bias and the op-amp its upper limit.
    """
    supply = Supply(7.5, resistance=220.0, filter_capacitor=10e-6)
    stages = {
        "boost": TransistorBoost(
            input_capacitor=680e-9, feedback_resistor=330e3, collector_resistor=4.7e3,
            transistor=find_transistor("2N3904"), emitter_resistor=100.0, ground_resistor=120e3,
        ),
        "in": CouplingHighPass(capacitor=100e-9, bias_resistor=100e3),
        "gain": OpAmpGain(
            opamp=find_opamp("RC4558"), feedback_resistor=4.7e3, leg_resistor=1e3,
            leg_capacitor=1e-6,
        ),
    }  # fmt: skip
    return Chain(stages, supply, 100e3).design()


@pytest.mark.parametrize(
    ("make", "rail"), [(clipper_on_a_divider, "bias"), (boost_on_a_tired_battery, "supply")]
)
def test_render_against_ida(make, rail) -> None:
    """50 ms of a plucked note at 16x: error-to-signal ratio of -105 dB or better.

    And it is no accident of a rail that hardly moves: it changes the gain at 100 Hz by 1 % or more.
    """
    pytest.importorskip("sksundae", reason="scikit-sundae has no wheel for this machine")
    design = make()
    solved = solve_design(design)
    network, rest = solved.network, solved.node_v
    assert network.moving_rails == (rail,)
    fast = np.arange(FRAMES * FACTOR) / (FS * FACTOR)
    oracle = CircuitOracle(network, device_models(design))
    volts = oracle.solve(
        rest, fast, guitar_like, guitar_like_slope, design.output, rtol=1e-8, atol=1e-9
    )
    settled = rest[design.output]
    wanted = soxr.resample(volts - settled, FS * FACTOR, FS, "VHQ")[: FRAMES - REACH]
    take = guitar_like(np.arange(FRAMES) / FS)
    found = render(design, take, FS, oversample=FACTOR).volts[: FRAMES - REACH, 0]
    error_db = energy_ratio_db(found - settled - wanted, wanted)
    print(f"{make.__name__}: {error_db:.2f} dB against IDA at {FACTOR}x, "
          f"peak {np.abs(wanted).max():.3f} V")  # fmt: skip
    assert error_db < -105.0
    told = find_rails(solved, find_noise(solved))
    assert told is not None
    assert abs(told.cost_db) > 0.08


def test_switch_on_of_the_oracle_is_that_of_a_capacitor() -> None:
    """A divider of 10k and 15k charges 10 uF: V f (1 - exp(-t/RC)), R = 6k; within 1e-6 of 9 V."""
    pytest.importorskip("sksundae", reason="scikit-sundae has no wheel for this machine")
    supply = Supply(9.0, bias_upper=10e3, bias_lower=15e3, bias_capacitor=10e-6)
    # A bias resistor of 1G and a load of 1G take 4e-6 of the rail: they are in the closed form.
    stages = {"in": CouplingHighPass(capacitor=1e-12, bias_resistor=1e9)}
    design = Chain(stages, supply, 1e9).design()
    oracle = CircuitOracle(design.network(), device_models(design))
    times = np.array([1e-4, 1e-2, 0.06, 0.3])
    ohm = 1.0 / (1.0 / 10e3 + 1.0 / 15e3 + 1.0 / 2e9)
    wanted = 9.0 * ohm / 10e3 * (1.0 - np.exp(-times / (ohm * 10e-6)))
    assert np.abs(oracle.power_up(times, "bias") - wanted).max() < 1e-6 * 9.0


@pytest.mark.parametrize(
    "design",
    [
        clipper_on_a_divider(),
        boost_on_a_tired_battery(),
        load_design("soft_clipper"),
        load_design("boosted_hard_clipper").with_value("supply.resistance", 47.0),
    ],
    ids=["clipper", "battery", "soft_clipper", "boosted_hard_clipper"],
)
def test_switched_on_a_circuit_comes_to_rest_at_its_operating_point(design) -> None:
    """Ten seconds after the supply is there, capacitors empty before: within 1e-6 V.

    A millisecond after it the rail is far from there.
    """
    pytest.importorskip("sksundae", reason="scikit-sundae has no wheel for this machine")
    solved = solve_design(design)
    oracle = CircuitOracle(solved.network, device_models(design))
    (node,) = {"bias", "supply"} & set(solved.network.moving_rails[-1:])
    early, late = oracle.power_up([1e-3, 10.0], node, rtol=1e-8, atol=1e-9)
    print(f"{design.name}: {node} {early:.3f} V after 1 ms, {late:.6f} V at last")
    assert late == pytest.approx(solved.node_v[node], abs=1e-6)
    assert abs(early - late) > 0.1
