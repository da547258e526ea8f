"""Noise and capacitances of JFETs, MOSFETs, Zener diodes, and diodes in strings, at rest.

Authority: thermal noise of a channel after A. van der Ziel, Proceedings of the IRE 50(8), 1962,
shot noise after W. Schottky, 1918, and the capacitance of a junction, C0/(1 - V/Vj)^m, with SPICE's
potentials and gradings (all from memory, not located). Ratios are compared, as an absolute
tolerance would swallow such small numbers.
"""

import dataclasses

import pytest
from example_devices import CIRCUITS

from vadist.circuits.network import GROUND, SUPPLY, DiodeString, Network
from vadist.circuits.operating_point import junction_capacitors, solve_network
from vadist.parts import find_diode, find_jfet, find_mosfet, find_zener

K, Q, T0 = 1.380649e-23, 1.602176634e-19, 300.0


def resting(name):
    """The one device of a circuit, at rest, with its record and what it is told by."""
    (placed,) = solve_network(CIRCUITS[name]()).resting_devices()
    return placed.device.record, placed.resting, placed.device.record.figures(placed.resting)


def ratio_of(density, wanted):
    assert wanted > 0.0
    return density / wanted


@pytest.mark.parametrize("name", ["n jfet", "p jfet", "n mosfet", "p mosfet"])
def test_thermal_noise_of_a_saturated_channel(name):
    """4 k T 2/3 gm, gm without the stretch by lambda, which the noise leaves out."""
    record, at, figures = resting(name)
    channel = record.noise(at, K * T0)[-1]
    longer = 1.0 + at.model.channel_length_per_v * figures["Vds"][0]
    gm = figures["gm"][0] / longer
    assert channel.place == "port"
    assert ratio_of(channel.density, 4.0 * K * T0 * 2.0 / 3.0 * gm) == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize("name", ["n jfet", "p mosfet"])
def test_an_open_channel_without_drain_voltage_is_a_resistor(name):
    """4 k T g, g twice the factor times what opens it; the body diode adds 4 q of its Is."""
    record, at, _ = resting(name)
    at = dataclasses.replace(at, volts={**at.volts, "drain": at.volts["source"]})
    opened = at.across("gate", "source") + at.parameters.get("pinch_off_v", 0.0)
    opened -= at.parameters.get("threshold_v", 0.0)
    wanted = 4.0 * K * T0 * 2.0 * at.parameters["factor_a_v2"] * opened
    density = record.noise(at, K * T0)[-1].density
    assert ratio_of(density, wanted) == pytest.approx(1.0, rel=1e-9)


def test_shot_noise_of_gates_and_bodies():
    """2 q Ig; of a body diode at no voltage both its currents, 2 q 2 Is."""
    record, at, _ = resting("n jfet")
    wanted = 2.0 * Q * abs(at.currents[0])
    assert ratio_of(record.noise(at, K * T0)[0].density, wanted) == pytest.approx(1.0, rel=1e-12)
    record, at, _ = resting("n mosfet")
    off = dataclasses.replace(at, volts=dict.fromkeys(at.volts, 0.0))
    wanted = 4.0 * Q * at.parameters["body_a"]
    assert ratio_of(record.noise(off, K * T0)[0].density, wanted) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("cathode", [SUPPLY, GROUND])
@pytest.mark.parametrize("knee_v", [0.175, 0.02])
def test_noise_of_a_zener(cathode, knee_v):
    """2 q I in breakdown and forward, where Is is nothing beside; 4 k T g without current."""
    model = dataclasses.replace(find_zener("BZX55C5V1"), knee_v=knee_v)
    network = Network(supply_v=12.0)
    anode = GROUND if cathode == SUPPLY else SUPPLY
    network.resistor("r", "a", anode, 3.3e3)
    network.zener("z", "a", cathode, model)
    (placed,) = solve_network(network).resting_devices()
    (found,) = placed.device.record.noise(placed.resting, K * T0)
    current = abs(placed.resting.currents[0])
    assert current > 1e-3
    assert ratio_of(found.density, 2.0 * Q * current) == pytest.approx(1.0, rel=1e-6)
    idle = dataclasses.replace(placed.resting, currents=0.0 * placed.resting.currents)
    (thermal,) = placed.device.record.noise(idle, K * T0)
    wanted = 4.0 * K * T0 * float(placed.resting.slopes[0, 0])
    assert ratio_of(thermal.density, wanted) == pytest.approx(1.0, rel=1e-12)


def capacitors(network):
    return {c.part: c.value for c in junction_capacitors(solve_network(network))}


def test_capacitances_of_a_jfet():
    """Both gate junctions, of 1 V and grading 1/2, each at its own volts."""
    given = dataclasses.replace(
        find_jfet("2N5457"), gate_source_capacitance_f=4e-12, gate_drain_capacitance_f=3e-12
    )
    network = CIRCUITS["n jfet"]()
    volts = solve_network(network).node_v
    (device,) = network.devices
    network.devices[:] = [dataclasses.replace(device, model=given)]
    found = capacitors(network)
    for end, node, farad in (("source", "source", 4e-12), ("drain", "output", 3e-12)):
        wanted = (1.0 - (volts["gate"] - volts[node])) ** -0.5
        assert found[f"j.gate_{end}"] / farad == pytest.approx(wanted, rel=1e-9)


def test_capacitances_of_a_mosfet():
    """The gate's as given, the body's of 0.8 V and grading 1/2."""
    given = dataclasses.replace(
        find_mosfet("BS250"), gate_source_capacitance_f=40e-12, gate_drain_capacitance_f=5e-12,
        drain_source_capacitance_f=20e-12,
    )  # fmt: skip
    network = CIRCUITS["p mosfet"]()
    volts = solve_network(network).node_v
    (device,) = network.devices
    network.devices[:] = [dataclasses.replace(device, model=given)]
    found = capacitors(network)
    across = volts["source"] - volts["output"]
    assert across > 1.0  # reverse of a P-channel's body
    wanted = {"m.gate_source": 40e-12, "m.gate_drain": 5e-12}
    assert {k: found[k] for k in wanted} == wanted
    body = (1.0 + across / 0.8) ** -0.5
    assert found["m.drain_source"] / 20e-12 == pytest.approx(body, rel=1e-9)


def test_capacitances_of_diodes_in_strings():
    """Two in series halve it and share the volts, three side by side treble it; both ways add."""
    model = dataclasses.replace(find_diode("BAT41"), junction_capacitance_f=6e-12)
    network = Network(supply_v=9.0)
    network.resistor("r", SUPPLY, "a", 1e3)
    network.diodes("d", "a", GROUND, None, DiodeString(model, count=2, parallel=3))
    found = capacitors(network)
    volts = solve_network(network).node_v["d.junction"]
    assert volts == pytest.approx(9.0, abs=1e-3)
    wanted = 3.0 / 2.0 * (1.0 + volts / 2.0) ** -0.5
    assert found["d.a_b"] / 6e-12 == pytest.approx(wanted, rel=1e-9)
    both = Network()
    both.resistor("r", "input", "a", 1e3)
    both.diodes("d", "a", GROUND, DiodeString(model), DiodeString(model))
    assert capacitors(both)["d.a_b"] / 6e-12 == pytest.approx(2.0, rel=1e-9)


def test_capacitance_of_a_zener():
    """Of 1 V and grading 1/2, in breakdown too: at 5 V it has fallen to 0.4."""
    model = dataclasses.replace(find_zener("BZX55C5V1"), junction_capacitance_f=100e-12)
    network = Network(supply_v=12.0)
    network.resistor("r", SUPPLY, "k", 1.4e3)
    network.zener("z", GROUND, "k", model)
    volts = solve_network(network).node_v["k"]
    found = capacitors(network)["z.anode_cathode"]
    assert found / 100e-12 == pytest.approx((1.0 + volts) ** -0.5, rel=1e-9)
    assert found / 100e-12 == pytest.approx(0.4, abs=0.01)
