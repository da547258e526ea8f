"""Impedances of blocks and gains of loops, against a nodal solution written a second time.

Authorities: the oracle's own Kirchhoff and device laws (``circuit_oracle``), solved with the parts
before or behind a block taken out, and with the loop cut at an op-amp's output, whose one pole is
written here; the return difference as a ratio of determinants with and without the controlled
source (H. W. Bode, Network Analysis and Feedback Amplifier Design, 1945, from memory, not located);
the loop of an op-amp with a loaded output in closed form.
"""

import dataclasses
import math

import numpy as np
import pytest
from circuit_oracle import CircuitOracle, device_models, gummel_poon
from example_circuits import ideal_opamp
from scipy.optimize import brentq

from vadist.analysis.chain_response import solve_design
from vadist.analysis.impedances import block_impedances
from vadist.analysis.loops import find_loops, loop_gain
from vadist.designs.design import Design, Source
from vadist.designs.files import load_design
from vadist.designs.toml import parse_design
from vadist.stages import CouplingHighPass

HZ = np.array([50.0, 1e3, 12e3])


class Linear:
    """The oracle's equations about a rest, of the parts that are kept."""

    def __init__(self, design: Design, keep=lambda part: True):
        solved = solve_design(design)
        network = solved.network
        lists = {
            kind: [e for e in getattr(network, kind) if keep(e.part)]
            for kind in ("resistors", "capacitors", "inductors", "devices")
        }
        oracle = CircuitOracle(dataclasses.replace(network, **lists), device_models(design))
        full = np.zeros(oracle.size + len(oracle.known))
        for node, k in (*oracle.index.items(), *oracle.known_column.items()):
            full[k] = solved.node_v[node]
        self.oracle, size = oracle, oracle.size
        self.G = oracle.G[:, :size] + oracle.device_currents(full)[1]
        self.C = oracle.C[:, :size]

    def volts(self, hz, into=None, pinned=None):
        """Node volts for an ampere into a node, or a volt at one that is pinned."""
        A = self.G + 2j * np.pi * hz * self.C
        right = np.zeros(len(A), dtype=complex)
        node = into or pinned
        row = self.oracle.index[node]
        if pinned:
            A[row] = np.eye(len(A))[row]
        right[row] = 1.0
        found = np.linalg.solve(A, right)
        return lambda name: found[self.oracle.index[name]] if name in self.oracle.index else 0.0


@pytest.mark.parametrize("name", ["boosted_hard_clipper", "fet_pnp_clipper"])
def test_impedances_are_those_of_a_nodal_solution_without_the_rest(name):
    design = load_design(name).with_value("supply.bias", 0.5)
    found = block_impedances(solve_design(design), HZ)
    stages, before = list(design.stages), "input"
    stiff = {f"{s}.output" for s in stages if s == "gain"}
    for k, stage in enumerate(stages):
        node = f"{stage}.output"
        behind = {*stages[k:], "load"}
        until = {"source", *stages[: k + 1]}
        if node not in stiff:
            back = Linear(design, lambda part, own=until: part.split(".")[0] in own)
            wanted = [back.volts(hz, into=node)(node) for hz in HZ]
            assert found[stage].output_ohm == pytest.approx(np.array(wanted), rel=1e-6), stage
        else:
            assert not found[stage].output_ohm.any()
        if before != "input" and not np.isinf(found[stage].input_ohm).any():
            ahead = Linear(design, lambda part, own=behind: part.split(".")[0] in own)
            wanted = [ahead.volts(hz, into=before)(before) for hz in HZ]
            assert found[stage].input_ohm == pytest.approx(np.array(wanted), rel=1e-6), stage
        before = node


def test_an_opamps_input_takes_nothing_and_a_first_block_is_told_too():
    """470k beside 600 x (6k8 || the boost's 6k2) = 2.0M is 380k, 22n before it nothing at 1 kHz."""
    solved = solve_design(load_design("boosted_hard_clipper"))
    found = block_impedances(solved, HZ)
    assert np.isinf(found["gain"].input_ohm).all()
    assert abs(found["buffer"].input_ohm[1]) == pytest.approx(380e3, rel=0.03)


def test_a_first_block_hands_a_pickup_on():
    """Its output sees the coil: R || (1/sC + (Rs + sL) || 1/sCc); its input is C and R alone."""
    stage = CouplingHighPass(capacitor=22e-9, bias_resistor=470e3)
    source = Source(resistance=6e3, inductance=2.4, cable_capacitance=300e-12)
    design = Design("pickup", {"in": stage}, source=source, load_ohm=1e6)
    found = block_impedances(solve_design(design), HZ)["in"]
    s = 2j * math.pi * HZ
    coil = 1.0 / (1.0 / (6e3 + 2.4 * s) + 300e-12 * s)
    wanted = 1.0 / (1.0 / 470e3 + 1.0 / (1.0 / (22e-9 * s) + coil))
    assert found.output_ohm == pytest.approx(wanted, rel=1e-9)
    into = 1.0 / (22e-9 * s) + 1.0 / (1.0 / 470e3 + 1e-6)
    assert found.input_ohm == pytest.approx(into, rel=1e-9)


def test_two_blocks_lose_what_their_impedances_divide():
    """What a divider of Zout and Zin leaves is what the next block does not lose to loading."""
    design = load_design("boosted_hard_clipper").with_value("supply.bias", 0.5)
    loaded = solve_design(design)
    z = block_impedances(loaded, [1e3])
    share = z["blend"].input_ohm / (z["blend"].input_ohm + z["clipper"].output_ohm)
    until = {"source", "buffer", "boost", "coupling", "gain", "clipper"}
    open_, whole = (
        Linear(design, keep) for keep in (lambda part: part.split(".")[0] in until, lambda _: True)
    )
    alone, with_rest = (
        o.volts(1e3, pinned="gain.output")("clipper.output") for o in (open_, whole)
    )
    assert share[0] == pytest.approx(with_rest / alone, rel=1e-6)


def test_an_opamps_loop_is_what_a_cut_at_its_output_shows():
    design = load_design("boosted_hard_clipper").with_value("supply.bias", 0.5)
    cut = Linear(design, lambda part: part != "gain.opamp")
    model = design.stages["gain"].opamp
    wt = 2.0 * math.pi * model.gain_bandwidth_hz
    for hz, around in zip(HZ, loop_gain(solve_design(design), "gain.opamp", HZ), strict=True):
        amplifies = wt / (2j * math.pi * hz + wt / model.open_loop_gain)
        returned = cut.volts(hz, pinned="gain.output")
        # The plus input is what drives the block; nothing leads back to it.
        assert around == pytest.approx(amplifies * returned("gain.inverting"), rel=1e-5)


@pytest.mark.parametrize("part", ["boost.transistor", "buffer.transistor"])
def test_a_transistors_loop_is_the_ratio_of_determinants(part):
    design = load_design("boosted_hard_clipper").with_value("supply.bias", 0.5)
    whole, solved = Linear(design), solve_design(design)
    device = next(d for d in solved.network.devices if d.part == part)
    nodes, volts = device.nodes, solved.node_v
    vbe = volts[nodes["base"]] - volts[nodes["emitter"]]
    vbc = volts[nodes["base"]] - volts[nodes["collector"]]
    _, (_, by_emitter, by_collector) = gummel_poon(vbe, vbc, device.model)
    source = np.zeros_like(whole.G)
    for node, sign in ((nodes["collector"], 1.0), (nodes["emitter"], -1.0)):
        for steers, way in ((nodes["base"], 1.0), (nodes["emitter"], -1.0)):
            if node in whole.oracle.index and steers in whole.oracle.index:
                here, there = whole.oracle.index[node], whole.oracle.index[steers]
                source[here, there] += sign * way * (by_emitter + by_collector)
    for hz, around in zip(HZ, loop_gain(solved, part, HZ), strict=True):
        A = whole.G + 2j * math.pi * hz * whole.C
        scale = np.abs(A).max(axis=1)[:, None]
        ratio = np.linalg.det(A / scale) / np.linalg.det((A - source) / scale)
        assert around == pytest.approx(ratio - 1.0, rel=1e-5)


def follower(load_farad: float, back_farad: float = 0.0) -> Design:
    """An op-amp of 1 MHz, its output fed back through two sections of RC or, behind 1k, a wire."""
    # 159 kHz with 1k is a sixth of the op-amp's 1 MHz: 1/(2 pi 1k 159 kHz) = 1 nF.
    back = (
        ['r1 = "resistor 1k: output to a"', f'c1 = "capacitor {back_farad}: a to ground"',
         'r2 = "resistor 1k: a to b"', f'c2 = "capacitor {back_farad}: b to ground"']
        if back_farad
        else ['w = "resistor 0: output to b"']
    )  # fmt: skip
    text = "\n".join(
        ['name = "loop"', "[[stage]]", 'name = "u"', 'type = "wired"', "[stage.parts]",
         'in_c = "capacitor 100n: source to plus"', 'tie = "resistor 1M: plus to bias"',
         'opamp = "opamp TL072: plus to plus, minus to b, output to output"',
         f'load = "capacitor {load_farad}: output to ground"', *back]
    )  # fmt: skip
    return parse_design(text, "loop.toml").with_value("u.opamp", slow_opamp(not back_farad))


def slow_opamp(soft: bool):
    return dataclasses.replace(ideal_opamp(1e6), output_resistance_ohm=1e3 if soft else 0.0)


def test_margin_of_a_follower_into_a_capacitor_is_its_closed_form():
    """T = wt / (s (1 + s Ro C)), Ro 1k and 1 nF."""
    (loop,) = find_loops(solve_design(follower(1e-9)))
    f1 = 1.0 / (2.0 * math.pi * 1e3 * 1e-9)
    crossing = brentq(lambda f: 1e6 / f / math.hypot(1.0, f / f1) - 1.0, 1e4, 1e6)
    assert loop.crossing_hz == pytest.approx(crossing, rel=1e-3)
    assert loop.margin_degrees == pytest.approx(
        90.0 - math.degrees(math.atan(crossing / f1)), abs=0.1
    )
    assert loop.gain_db == pytest.approx(60.0, abs=0.01)


def test_a_loop_that_turns_too_far_has_a_negative_margin():
    """Two loaded sections of RC: T = wt / (s (1 + 3 s RC + (s RC)^2)); Routh: it oscillates.

    s^3 T^2 + 3 s^2 T + s + wt is stable for 3 > wt T; with 1k and 1 nF wt T is 6.3.
    """
    (loop,) = find_loops(solve_design(follower(1e-9, 1e-9)))
    t = 1e-6

    def around(f):
        s = 2j * math.pi * f
        return 2.0 * math.pi * 1e6 / (s * (1.0 + 3.0 * s * t + (s * t) ** 2))

    crossing = brentq(lambda f: abs(around(f)) - 1.0, 1e4, 1e6)
    phase = np.unwrap(np.angle([around(f) for f in np.geomspace(1.0, crossing, 400)]))[-1]
    assert phase < -math.pi
    assert loop.crossing_hz == pytest.approx(crossing, rel=1e-3)
    assert loop.margin_degrees == pytest.approx(180.0 + math.degrees(phase), abs=0.1)
