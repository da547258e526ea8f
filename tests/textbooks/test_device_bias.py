"""Bias points of FETs, PNP transistors and Zener diodes as textbooks work them out.

Authority: worked examples of R. L. Boylestad, L. Nashelsky, Electronic Devices and Circuit Theory
(11th edition), and A. S. Sedra, K. C. Smith, Microelectronic Circuits (6th edition). Their values
are from memory, the books not located; the arithmetic behind each is checked here.
"""

import math

import pytest

from vadist.circuits.network import GROUND, SUPPLY, Network
from vadist.circuits.operating_point import solve_network
from vadist.parts import JfetModel, MosfetModel, TransistorModel, ZenerModel
from vadist.quantities import thermal_voltage


def test_self_bias_of_a_jfet():
    """Boylestad and Nashelsky, example 7.2: 20 V, IDSS 8 mA, Vp -6 V, Rd 3k3, Rs 1k, Rg 1M.

    They read Id 2.6 mA, VGS -2.6 V, VDS 8.82 V, VD 11.42 V off a graph, to two figures.
    """
    current = 8.0 * (1.0 - 2.588 / 6.0) ** 2  # mA, so that 1k drops 2.588 V
    assert current == pytest.approx(2.588, abs=1e-3)
    network = Network(supply_v=20.0)
    network.resistor("rg", "gate", GROUND, 1e6)
    network.resistor("rs", "source", GROUND, 1e3)
    network.resistor("rd", "drain", SUPPLY, 3.3e3)
    network.jfet("j", "drain", "gate", "source", JfetModel("example", 8e-3, 6.0))
    volts = solve_network(network).node_v
    assert volts["source"] == pytest.approx(2.6, abs=0.05)
    assert volts["drain"] == pytest.approx(11.42, abs=0.1)
    assert volts["drain"] - volts["source"] == pytest.approx(8.82, abs=0.1)
    assert volts["source"] == pytest.approx(2.588, abs=1e-3)


@pytest.mark.parametrize("polarity", ["n", "p"])
def test_divider_bias_of_a_mosfet(polarity):
    """Sedra and Smith, example 5.6: 10 V, two 10M, Rd and Rs 6k, Vt 1 V, k 1 mA/V^2.

    VG 5 V, Id 0.5 mA, VS 3 V, VD 7 V: 1/2 (4 - 6 Id)^2 = Id in milliamperes, exactly.
    """
    assert 0.5 * (4.0 - 6.0 * 0.5) ** 2 == 0.5
    near, far = (GROUND, SUPPLY) if polarity == "n" else (SUPPLY, GROUND)
    network = Network(supply_v=10.0)
    network.resistor("rg1", "gate", far, 10e6)
    network.resistor("rg2", "gate", near, 10e6)
    network.resistor("rs", "source", near, 6e3)
    network.resistor("rd", "drain", far, 6e3)
    network.mosfet("m", "drain", "gate", "source", MosfetModel("example", 1.0, 1e-3, 0.0, polarity))
    volts = solve_network(network).node_v
    wanted = {"gate": 5.0, "source": 3.0, "drain": 7.0}
    for node, v in wanted.items():
        held = volts[node] if polarity == "n" else 10.0 - volts[node]
        assert held == pytest.approx(v, abs=1e-6), node


def test_divider_bias_of_a_pnp():
    """Boylestad and Nashelsky, the PNP example of the BJT biasing chapter.

    -18 V, 47k and 10k, Rc 2k4, Re 1k1, beta 120: VB -3.16 V, VE -2.46 V, IE 2.24 mA, VCE -10.16 V,
    with VBE 0.7 V and the base current left out, which is 2 % of the divider's. Here counted from
    18 V, and the base current counts.
    """
    assert pytest.approx(3.16, abs=0.005) == 18.0 * 10.0 / 57.0
    assert pytest.approx(10.16, abs=0.005) == 18.0 - 2.24 * (1.1 + 2.4)
    saturation = 2.24e-3 / math.exp(0.7 / thermal_voltage())
    model = TransistorModel("example", saturation, 120.0, 1.0, polarity="pnp")
    network = Network(supply_v=18.0)
    network.resistor("r1", "base", GROUND, 47e3)
    network.resistor("r2", "base", SUPPLY, 10e3)
    network.resistor("re", "emitter", SUPPLY, 1.1e3)
    network.resistor("rc", "collector", GROUND, 2.4e3)
    network.transistor("q", "collector", "base", "emitter", model)
    solved = solve_network(network)
    volts = {node: v - 18.0 for node, v in solved.node_v.items()}
    # The exact Thevenin form: IB = (3.158 V - 0.7 V)/(8k25 + 121 1k1), 0.0174 mA.
    base = (18.0 * 10.0 / 57.0 - 0.7) / (10e3 * 47e3 / 57e3 + 121.0 * 1.1e3)
    assert volts["collector"] + 18.0 == pytest.approx(120.0 * base * 2.4e3, rel=2e-3)
    assert volts["base"] == pytest.approx(-3.16, abs=0.16)
    assert volts["collector"] - volts["emitter"] == pytest.approx(-10.16, rel=0.06)
    (placed,) = solved.resting_devices()
    told = placed.device.record.figures(placed.resting)
    assert told["Ic"][0] == pytest.approx(2.1e-3, rel=0.03)
    assert told["Vce"][0] == pytest.approx(-(volts["collector"] - volts["emitter"]), rel=1e-9)
    low, high = placed.device.record.swing("collector", placed.resting, 18.0)
    assert (low, high) == (0.0, pytest.approx(solved.node_v["emitter"] - 0.2))


@pytest.mark.parametrize(("load_ohm", "volts", "zener_ma"), [(1.2e3, 8.73, 0.0), (3e3, 10.0, 2.67)])
def test_zener_regulator(load_ohm, volts, zener_ma):
    """Boylestad and Nashelsky, example 2.26: 16 V, 1k, Vz 10 V; 1k2 does not reach it, 3k does."""
    assert pytest.approx(8.73, abs=0.005) == 16.0 * 1.2 / 2.2
    assert pytest.approx(2.67, abs=0.005) == 6.0 - 10.0 / 3.0
    model = ZenerModel("example", 1e-12, 1.0, 10.0, 2.67e-3, 0.02)
    network = Network(supply_v=16.0)
    network.resistor("series", SUPPLY, "out", 1e3)
    network.resistor("load", "out", GROUND, load_ohm)
    network.zener("z", GROUND, "out", model)
    solved = solve_network(network)
    (placed,) = solved.resting_devices()
    told = placed.device.record.figures(placed.resting)
    assert solved.node_v["out"] == pytest.approx(volts, abs=0.005)
    assert told["Iz"][0] * 1e3 == pytest.approx(zener_ma, abs=0.01)
    assert told["Vz"][0] == pytest.approx(volts, abs=0.005)
