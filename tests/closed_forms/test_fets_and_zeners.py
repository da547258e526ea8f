"""Laws of JFET, MOSFET and Zener diode: the equations, their slopes, and closed-form circuits.

Authority: the square law region by region and the exponential of the breakdown (see
``device_laws``), in mpmath; and circuits that these equations solve on paper.
"""

import math

import mpmath
import numpy as np
import pytest
from device_laws import jfet_currents, mosfet_current, zener_current

from vadist.analysis.small_signal import section_response
from vadist.circuits.network import BIAS, GROUND, INPUT, SUPPLY, Network
from vadist.circuits.operating_point import solve_network
from vadist.devices.depletion import depletion_capacitance
from vadist.devices.evaluate import currents_and_slopes
from vadist.parts import JfetModel, MosfetModel, OpAmpModel, TransistorModel, ZenerModel

VT = 1.380649e-23 * 300.0 / 1.602176634e-19

# Every term counts; no number is that of a part.
JFET = JfetModel("every term", 3e-3, 2.0, 0.03, 2e-13)
MOSFET = MosfetModel("every term", 1.5, 20e-3, 0.02, body_saturation_current_a=3e-14)
ZENER = ZenerModel("every term", 4e-12, 1.3, 4.0, 5e-3, 0.2)

# Pinched off, saturated, in the parabola, drain and source exchanged, junctions conducting.
JFET_BIASES = [(-2.5, 5.0), (-1.0, 6.0), (-0.5, 0.4), (-1.0, -0.3), (-3.0, -2.5), (0.6, 0.1),
               (-0.2, -0.75), (0.3, 9.0)]  # fmt: skip
MOSFET_BIASES = [(1.0, 5.0), (2.5, 6.0), (3.0, 0.4), (3.0, -0.3), (0.0, -0.7), (1.0, -0.6),
                 (2.0, -0.5), (1.6, 9.0)]  # fmt: skip
ZENER_BIASES = [0.7, 0.2, 0.0, -1.0, -3.0, -4.0, -4.4]


def placed(kind, model):
    """Parameters a network gives a model."""
    network = Network()
    if kind == "zener":
        network.zener("d", "anode", "cathode", model)
    else:
        getattr(network, kind)("q", "drain", "gate", "source", model)
    return network.devices[0].parameters


def against(found, wanted, slopes):
    """Each port's current and its slopes, within 1e-12 of the largest at play.

    That is a picoampere at least; an exponential of 40 has an ulp of its argument, 7e-15, in it.
    """
    currents, found_slopes = found
    scale, steepest = max(map(abs, wanted)) + 1e-12, max(map(abs, np.ravel(slopes))) + 1e-14
    assert currents == pytest.approx(wanted, rel=1e-12, abs=1e-12 * scale)
    assert found_slopes == pytest.approx(np.array(slopes), rel=1e-12, abs=1e-12 * steepest)


@pytest.mark.parametrize("bias", JFET_BIASES, ids=str)
def test_jfet_is_the_square_law_between_gate_diodes(bias):
    """Of vgs and vgd, where the textbook's is of vgs and vds: slopes follow by the chain rule."""
    vgs, vds = bias
    found = currents_and_slopes(["jfet"], [placed("jfet", JFET)], np.array([vgs, vgs - vds]))
    with mpmath.workdps(40):
        gate, drain = jfet_currents(mpmath.mpf(vgs), mpmath.mpf(vds), JFET, VT, mpmath.exp)
        rows = [
            [float(by_gate + by_drain), float(-by_drain)] for _, by_gate, by_drain in (gate, drain)
        ]
        against(found, [float(gate[0]), float(drain[0])], rows)


@pytest.mark.parametrize("bias", MOSFET_BIASES, ids=str)
def test_mosfet_is_the_square_law_beside_its_body_diode(bias):
    vgs, vds = bias
    found = currents_and_slopes(["mosfet"], [placed("mosfet", MOSFET)], np.array([vgs, -vds]))
    with mpmath.workdps(40):
        drain = mosfet_current(mpmath.mpf(vgs), mpmath.mpf(vds), MOSFET, VT, mpmath.exp)
        against(found, [float(drain[0])], [[float(drain[1]), float(-drain[2])]])


@pytest.mark.parametrize("volts", ZENER_BIASES)
def test_zener_conducts_forward_and_breaks_down(volts):
    found = currents_and_slopes(["zener"], [placed("zener", ZENER)], np.array([volts]))
    with mpmath.workdps(40):
        current, slope = zener_current(mpmath.mpf(volts), ZENER, VT, mpmath.exp)
        against(found, [float(current)], [[float(slope)]])


def test_slopes_of_the_textbook_laws_are_derivatives():
    """The second writing itself, by mpmath's differences, at biases away from corners."""
    with mpmath.workdps(40):
        for law, model, biases in (
            (lambda *v: jfet_currents(*v, JFET, VT, mpmath.exp)[1], JFET, JFET_BIASES),
            (lambda *v: mosfet_current(*v, MOSFET, VT, mpmath.exp), MOSFET, MOSFET_BIASES),
        ):
            for bias in biases:
                at = tuple(mpmath.mpf(v) for v in bias)
                for k, order in enumerate(((1, 0), (0, 1)), start=1):
                    quotient = mpmath.diff(lambda *v, law=law: law(*v)[0], at, order)
                    assert float(law(*at)[k]) == pytest.approx(float(quotient), rel=1e-12), model


def test_a_zener_of_many_volts_breaks_down_all_the_same():
    """The exponential's argument counts from the breakdown: 100 V is 3 868 thermal voltages."""
    model = ZenerModel("tall", 1e-12, 1.0, 100.0, 5e-3, VT)
    for volts, current in ((-100.0, -5e-3), (-100.0 + VT, -5e-3 / math.e)):
        found = currents_and_slopes(["zener"], [placed("zener", model)], np.array([volts]))[0]
        assert found[0] == pytest.approx(current, rel=1e-9)


# --- circuits solved on paper -------------------------------------------------------------------


def resting(network):
    return solve_network(network).node_v


@pytest.mark.parametrize("polarity", ["n", "p"])
@pytest.mark.parametrize("source_ohm", [100.0, 1e3, 20e3])
def test_self_bias_of_a_jfet_is_a_quadratic(source_ohm, polarity):
    """Id = IDSS (1 - Id Rs/Vp)^2, without lambda; gate current, below a nanoampere, left out."""
    model = JfetModel("plain", 3e-3, 2.0, 0.0, 1e-16, polarity)
    network = Network(supply_v=20.0)
    near, far = (GROUND, SUPPLY) if polarity == "n" else (SUPPLY, GROUND)
    network.resistor("rg", "gate", near, 1e6)
    network.resistor("rs", "source", near, source_ohm)
    network.resistor("rd", "drain", far, 1e3)
    network.jfet("j", "drain", "gate", "source", model)
    volts = resting(network)
    a, b = 3e-3 * (source_ohm / 2.0) ** 2, -2.0 * 3e-3 * source_ohm / 2.0 - 1.0
    current = (-b - math.sqrt(b * b - 4.0 * a * 3e-3)) / (2.0 * a)
    found = abs(volts["drain"] - (20.0 if polarity == "n" else 0.0)) / 1e3
    assert found == pytest.approx(current, rel=1e-6)


@pytest.mark.parametrize("polarity", ["n", "p"])
def test_drain_feedback_of_a_mosfet_is_a_quadratic(polarity):
    """Gate at the drain: Id = k/2 (Vdd - Id Rd - Vth)^2, without lambda."""
    model = MosfetModel("plain", 1.5, 20e-3, 0.0, polarity)
    network = Network(supply_v=9.0)
    near, far = (GROUND, SUPPLY) if polarity == "n" else (SUPPLY, GROUND)
    network.resistor("rd", "drain", far, 2e3)
    network.resistor("rg", "gate", "drain", 1e6)
    network.mosfet("m", "drain", "gate", near, model)
    volts = resting(network)
    over = (-1.0 + math.sqrt(1.0 + 4.0 * 10e-3 * 2e3 * 7.5)) / (2.0 * 10e-3 * 2e3)
    found = volts["drain"] if polarity == "n" else 9.0 - volts["drain"]
    assert found == pytest.approx(1.5 + over, rel=1e-9)


@pytest.mark.parametrize("load_ohm", [1e5, 2e3])
def test_zener_regulator(load_ohm):
    """Vz + knee ln(I/It) + I Rs = V, Iz what the series resistor leaves: solved by bisection."""
    model = ZenerModel("regulator", 1e-11, 1.5, 5.1, 5e-3, 0.1, 3.0)
    network = Network(supply_v=12.0)
    network.resistor("series", SUPPLY, "out", 680.0)
    network.resistor("load", "out", GROUND, load_ohm)
    network.zener("z", GROUND, "out", model)
    low, high = 4.0, 6.0
    for _ in range(100):
        v = 0.5 * (low + high)
        current = (12.0 - v) / 680.0 - v / load_ohm
        held = 5.1 + 0.1 * math.log(max(current, 1e-30) / 5e-3) + 3.0 * current
        low, high = (v, high) if held > v else (low, v)
    print(f"{v:.4f} V into {load_ohm:g} ohm")
    assert resting(network)["out"] == pytest.approx(v, abs=1e-9)


def test_capacitance_of_a_junction():
    """C0/(1 - V/Vj)^m; smooth where the straight line begins, at half the potential."""
    for v in (-9.0, -1.0, 0.0, 0.3):
        wanted = 4.0 * (1.0 - v / 0.75) ** -0.33
        assert depletion_capacitance(4.0, v, 0.75, 0.33) == pytest.approx(wanted, rel=1e-12)
    edge, h = 0.375, 1e-6
    at = [depletion_capacitance(4.0, edge + k * h, 0.75, 0.33) for k in (-2, -1, 1, 2)]
    assert at[1] - at[0] == pytest.approx(at[3] - at[2], rel=1e-4)
    assert depletion_capacitance(4.0, 0.7, 0.75, 0.33) > at[3]


@pytest.mark.parametrize("polarity", ["npn", "pnp"])
def test_a_cascode_whose_transistors_alone_meet(polarity):
    """The lower collector is the upper emitter: one current, less what the upper base takes.

    The node between them hangs on devices alone; what leaks from it, 1 Gohm, is 4 nA.
    """
    model = TransistorModel("t", 1e-14, 200.0, 2.0, polarity=polarity)
    network = Network(supply_v=12.0)
    near, far = (GROUND, SUPPLY) if polarity == "npn" else (SUPPLY, GROUND)
    for part, a, b, ohm in (
        ("r1", near, "lower base", 15e3), ("r2", "lower base", "upper base", 15e3),
        ("r3", "upper base", far, 47e3), ("re", near, "emitter", 1e3), ("rc", "out", far, 2e3),
    ):  # fmt: skip
        network.resistor(part, a, b, ohm)
    network.transistor("lower", "middle", "lower base", "emitter", model)
    network.transistor("upper", "out", "upper base", "middle", model)
    volts = resting(network)
    sign = 1.0 if polarity == "npn" else -1.0
    rail = {GROUND: 0.0, SUPPLY: 12.0}
    emitter_a = sign * (volts["emitter"] - rail[near]) / 1e3
    collector_a = sign * (rail[far] - volts["out"]) / 2e3
    # Forward active, no Early effect: Ic = beta/(beta + 1) Ie, twice.
    assert collector_a == pytest.approx(emitter_a * (200.0 / 201.0) ** 2, rel=2e-5)
    above = sign * (volts["upper base"] - volts["middle"])
    assert above == pytest.approx(VT * math.log(collector_a / 1e-14), abs=1e-5)


def test_output_resistance_of_an_opamp_is_divided_by_the_loop():
    """Follower into a load: A k/(1 + A k), k = Rl/(Rl + Ro), A of one pole; without load k is 1."""
    model = OpAmpModel(
        "resistive", 1e6, 1e12, open_loop_gain=1e5, headroom_high_v=0.0, headroom_low_v=0.0,
        voltage_noise_v_rthz=0.0, current_noise_a_rthz=0.0, supply_current_a=0.0,
        output_resistance_ohm=200.0,
    )  # fmt: skip
    network = Network(input_v=4.5)
    network.outputs["follower"] = "out"
    network.resistor("load", "out", BIAS, 300.0)
    network.opamp("u", INPUT, "out", "out", model)
    ((section, point),) = solve_network(network).sections
    f = np.geomspace(10.0, 1e7, 50)
    loop = 300.0 / 500.0 * 1e5 / (1.0 + 1j * f * 1e5 / 1e6)
    found = section_response(section, point, "out", f)[:, 0]
    np.testing.assert_allclose(found, loop / (1.0 + loop), rtol=1e-9)
