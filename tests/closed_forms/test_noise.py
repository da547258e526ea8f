"""Output noise against closed forms and against a long simulated run.

Authorities: 4kTR (Johnson 1928, Nyquist 1928; k exact by the SI); the noise of a non-inverting
amplifier, Eo^2 = G^2 en^2 + (R2/R1)^2 4kTR1 + 4kTR2 + (in R2)^2 + G^2 4kTRs + G^2 (in Rs)^2 (the
sources' powers added up, each by its own gain); kT/C, the whole noise on a capacitor
whatever resistor feeds it (equipartition); shot noise 2qI (Schottky 1918, from memory, not
located). The simulated run pushes Gaussian samples of the resistor's density through the stepper.
"""

import dataclasses
import math

import numpy as np
import pytest
from example_circuits import NO_LOAD_OHM, transistor_without_early_effect
from small_signal_chain import continuous_response

from vadist.analysis.chain_response import solve_design
from vadist.analysis.noise import find_noise, noise_densities
from vadist.analysis.resting import resting_stages
from vadist.circuits.network import DiodeString, Network
from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Design, Source
from vadist.designs.files import load_design
from vadist.parts import DiodeModel, OpAmpModel, TransistorModel
from vadist.stages import (
    CouplingHighPass,
    DiodeClipper,
    DiodePair,
    EmitterFollower,
    FeedbackClipper,
    OpAmpGain,
    TransistorBoost,
)
from vadist.stepping.circuit import build_circuit
from vadist.stepping.stepper import Stepper

K_J_PER_K, Q_C = 1.380649e-23, 1.602176634e-19
WIRE_FARAD = 0.1
SPOT = np.array([1e3])
VT = K_J_PER_K * 300.0 / Q_C


def coupling() -> CouplingHighPass:
    """A wire with a leak so light that it neither loads nor is heard."""
    return CouplingHighPass(capacitor=WIRE_FARAD, bias_resistor=1e9, returns_to="ground")


@pytest.mark.parametrize(
    ("ohm", "nanovolts"), [(1e3, 4.07035), (10e3, 12.87159), (100e3, 40.70355)]
)
def test_a_resistor_makes_4ktr(ohm, nanovolts):
    """Density of sqrt(4kTR) at 300 K, computed, within 0.1 % (a leak of 1 Gohm takes 0.01 %)."""
    design = Design("r", {"wire": coupling()}, source=Source(resistance=ohm), load_ohm=1e9)
    found = noise_densities(solve_design(design), SPOT)["source.resistance"]
    assert math.sqrt(found[0]) * 1e9 == pytest.approx(nanovolts, rel=1e-3)


@pytest.mark.parametrize("ohm", [1e3, 47e3])
def test_the_noise_on_a_capacitor_is_kt_over_c(ohm):
    """Integrated over all frequencies it does not depend on the resistor (grid: within 0.3 %)."""
    source = Source(resistance=ohm, cable_capacitance=100e-12)
    design = Design("c", {"wire": coupling()}, source=source, load_ohm=1e9)
    corner = 1.0 / (2.0 * math.pi * ohm * 100e-12)
    found = find_noise(solve_design(design), band_hz=(corner / 1e4, corner * 1e4))
    by_resistor = {part.part: part.output_v for part in found.parts}["source.resistance"]
    assert by_resistor == pytest.approx(math.sqrt(K_J_PER_K * 300.0 / 100e-12), rel=3e-3)


@pytest.mark.parametrize(
    ("en", "current", "input_nv", "output_nv"),
    [(5e-9, 0.7e-12, 15.982, 1614.2), (18e-9, 0.01e-12, 22.472, 2269.6)],
)
def test_noise_of_a_noninverting_amplifier(en, current, input_nv, output_nv):
    """Rs 10k, R1 1k, R2 100k at 298.15 K, within 0.1 %; the op-amp is fast enough to be ideal.

    The digits of the sums are computed from the formula above.
    """
    model = OpAmpModel(
        "ideal", 1e12, 1e12, open_loop_gain=1e9, headroom_high_v=0.0, headroom_low_v=0.0,
        voltage_noise_v_rthz=en, current_noise_a_rthz=current, supply_current_a=0.0,
    )  # fmt: skip
    stage = OpAmpGain(
        opamp=model, feedback_resistor=100e3, leg_resistor=1e3, leg_capacitor=WIRE_FARAD
    )
    source = Source(resistance=10e3)
    design = Design("amplifier", {"gain": stage}, source=source, input_at_bias=True, load_ohm=1e9)
    design = design.with_value("ambient.temperature", "25degC")
    found = find_noise(solve_design(design))
    kt4 = 4.0 * K_J_PER_K * 298.15
    gain = 101.0
    powers = {
        "gain.opamp": gain**2 * en**2 + (current * 100e3) ** 2 + (gain * current * 10e3) ** 2,
        "gain.leg_resistor": 100.0**2 * kt4 * 1e3,
        "gain.feedback_resistor": kt4 * 100e3,
        "source.resistance": gain**2 * kt4 * 10e3,
    }
    assert found.output_v_rthz * 1e9 == pytest.approx(output_nv, rel=1e-3)
    assert found.input_v_rthz * 1e9 == pytest.approx(input_nv, rel=1e-3)
    assert found.output_v / found.input_v == pytest.approx(gain, rel=1e-3)
    densities = noise_densities(solve_design(design), SPOT)
    for part, power in powers.items():
        assert densities[part][0] / power == pytest.approx(1.0, rel=1e-3), part


# Leakage makes half of the base current at 1 mA: 2 uA either way.
LEAKY = TransistorModel(
    "leaky", 1e-14, 500.0, 1.0, 80.0, emitter_leakage_a=6.33e-12, base_resistance_ohm=400.0
)


def test_the_band_is_20_hz_to_20_khz():
    """White noise of a resistor over it is sqrt(4kTR B), B = 19 980 Hz."""
    design = Design("r", {"wire": coupling()}, source=Source(resistance=1e3), load_ohm=1e9)
    found = find_noise(solve_design(design))
    shares = {part.part: part.output_v for part in found.parts}
    wanted = math.sqrt(4.0 * K_J_PER_K * 300.0 * 1e3 * 19_980.0)
    assert shares["source.resistance"] == pytest.approx(wanted, rel=5e-6)
    assert found.input_v == pytest.approx(found.output_v, rel=1e-5)
    assert (found.spot_hz, found.temperature_k) == (1e3, 300.0)


@pytest.mark.parametrize("name", ["boosted_hard_clipper", "soft_clipper"])
def test_noise_of_the_source_goes_the_way_of_the_signal(name):
    """It stands in series with the input, so its density is 4kTR |H|^2 whatever the circuit."""
    design = load_design(name).with_value("source.resistance", 10e3)
    f = np.array([30.0, 300.0, 3e3, 15e3])
    found = noise_densities(solve_design(design), f)["source.resistance"]
    wanted = 4.0 * K_J_PER_K * 300.0 * 10e3 * np.abs(continuous_response(design, f)) ** 2
    assert found / wanted == pytest.approx(np.ones(4), rel=1e-9)


def test_noise_that_takes_two_paths_adds_in_phase():
    """One resistor into a follower and into two in a row, which meet: their arms are thirds.

    The third arm goes to the silent input, so a volt of each follower arrives as a third: the
    resistor's (2/3)^2 4kTR, every op-amp's en^2/9, every arm's 4kTR/9.
    """
    model = OpAmpModel(
        "ideal", 1e12, 1e12, open_loop_gain=1e9, headroom_high_v=0.0, headroom_low_v=0.0,
        voltage_noise_v_rthz=20e-9, current_noise_a_rthz=0.0, supply_current_a=0.0,
    )  # fmt: skip
    design = Design("two", {"sum": coupling()}, input_at_bias=True, load_ohm=1e9)
    network = Network(9.0, 4.5, input_v=4.5, outputs={"sum": "sum.output"})
    network.resistor("source.resistance", "input", "a", 10e3)
    network.resistor("leak.resistance", "a", "bias", 1e12)
    for name, source in (("one", "a"), ("before", "a"), ("two", "before")):
        network.opamp(f"{name}.opamp", source, name, name, model)
    for node in ("one", "two", "input"):
        network.resistor(f"{node}.arm", node, "sum.output", 1e3)
    found = noise_densities(solve_design(design, network), SPOT)
    kt4 = 4.0 * K_J_PER_K * 300.0
    assert found["source.resistance"][0] / (kt4 * 10e3) == pytest.approx(4.0 / 9.0, rel=1e-6)
    for name in ("one", "before", "two"):
        assert found[f"{name}.opamp"][0] / 20e-9**2 == pytest.approx(1.0 / 9.0, rel=1e-6)
    for node in ("one", "two", "input"):
        assert found[f"{node}.arm"][0] / (kt4 * 1e3) == pytest.approx(1.0 / 9.0, rel=1e-6)


def test_diodes_in_the_loop_do_not_hide_the_opamps_noise():
    """A feedback clipper at rest, its diodes of 1e-18 A not conducting, is the amplifier again."""
    model = OpAmpModel(
        "ideal", 1e12, 1e12, open_loop_gain=1e9, headroom_high_v=0.0, headroom_low_v=0.0,
        voltage_noise_v_rthz=5e-9, current_noise_a_rthz=0.0, supply_current_a=0.0,
    )  # fmt: skip
    string = DiodeString(DiodeModel("weak", "silicon", 1e-18, 2.0, 0.0, "test"))
    stage = FeedbackClipper(
        opamp=model, feedback_resistor=100e3, leg_resistor=1e3, leg_capacitor=WIRE_FARAD,
        diodes=DiodePair(string, string), input_clamp=DiodePair(string, string),
    )  # fmt: skip
    design = Design("clip", {"gain": stage}, source=Source(resistance=10e3), input_at_bias=True)
    network = design.network()
    for _ in range(2):
        found = noise_densities(solve_design(design, network), SPOT)
        assert found["gain.opamp"][0] / (101.0 * 5e-9) ** 2 == pytest.approx(1.0, rel=1e-3)
        network.devices.reverse()  # the order in which parts are wired does not matter


def test_a_transistor_makes_shot_noise():
    """2 q Ic into the collector's load: a common emitter, its base at the input, held stiff.

    The feedback resistor of 1 Mohm takes part below 0.5 %; the Early effect is in parallel with
    the load and is counted.
    """
    model = dataclasses.replace(LEAKY, base_resistance_ohm=0.0)
    stage = TransistorBoost(
        input_capacitor=WIRE_FARAD, feedback_resistor=1e6, collector_resistor=4.7e3,
        transistor=model,
    )  # fmt: skip
    solved = solve_design(Design("emitter", {"boost": stage}, load_ohm=1e9))
    resting = resting_stages(solved)["boost"].devices[0].figures
    early_ohm = (80.0 + resting["Vce"][0]) / resting["Ic"][0]
    load = 1.0 / (1.0 / 4.7e3 + 1.0 / early_ohm + 1.0 / 1e6)
    found = noise_densities(solved, SPOT)["boost.transistor"][0]
    expected = 2.0 * Q_C * resting["Ic"][0] * load**2
    assert found / expected == pytest.approx(1.0, rel=5e-3)


def test_a_driven_base_makes_the_noise_of_all_its_current_and_of_its_resistance():
    """A common emitter behind 1 kohm, in volts at the inner base, times its gain.

    From memory, not located (the noise model in the textbooks of Gray and Meyer): 4 k T rb, and
    2 q IB, leakage and all, times the square of what the source shows to the base in parallel with
    the junction's own resistance. 2 %: the gain is kept low, so that the feedback resistor takes no
    more.
    """
    stage = TransistorBoost(
        input_capacitor=WIRE_FARAD, feedback_resistor=1e6, collector_resistor=100.0,
        transistor=LEAKY,
    )  # fmt: skip
    source = Source(resistance=1e3)
    solved = solve_design(Design("emitter", {"boost": stage}, source=source, load_ohm=1e9))
    resting = resting_stages(solved)["boost"].devices[0].figures
    i_b, i_c = resting["Ib"][0], resting["Ic"][0]
    vbe = solved.node_v["boost.transistor.junction"]
    leak = LEAKY.emitter_leakage_a * math.exp(vbe / (2.0 * VT))
    assert 0.3 < leak / i_b < 0.7
    # The junction's conductance: the ideal part over Vt, the leakage over 2 Vt.
    r_pi = VT / (i_b - leak / 2.0)
    early_ohm = (80.0 + resting["Vce"][0]) / i_c
    gain = resting["gm"][0] / (1.0 / 100.0 + 1.0 / early_ohm + 1.0 / 1e6)
    outside = 1e3 + 400.0
    shot_b = 2.0 * Q_C * i_b * (outside * r_pi / (outside + r_pi)) ** 2
    thermal = 4.0 * K_J_PER_K * 300.0 * 400.0 * (r_pi / (outside + r_pi)) ** 2
    shot_c = 2.0 * Q_C * i_c / resting["gm"][0] ** 2
    found = noise_densities(solved, SPOT)["boost.transistor"][0] / gain**2
    print(f"{math.sqrt(found) * 1e9:.3f} nV/rtHz, {math.sqrt(shot_b + thermal + shot_c) * 1e9:.3f}")
    assert found / (shot_b + thermal + shot_c) == pytest.approx(1.0, rel=0.02)
    # Both must show, and so must the leakage's share of the first.
    assert min(0.3 * shot_b, thermal) > 0.05 * found


def shot_noise_of_an_emitter_stage(resting, source_ohm, feedback_ohm, load_ohm):
    """Densities at the collector of 2 q Ib and 2 q Ic: hybrid-pi, two nodes."""
    vt = K_J_PER_K * 300.0 / Q_C
    gm, g_pi = resting["Ic"][0] / vt, resting["Ib"][0] / vt
    nodes = np.array(
        [[1 / source_ohm + g_pi + 1 / feedback_ohm, -1 / feedback_ohm],
         [gm - 1 / feedback_ohm, 1 / load_ohm + 1 / feedback_ohm + 1e-9]]
    )  # fmt: skip
    at_base, at_collector = np.linalg.inv(nodes)[1]
    base = 2.0 * Q_C * resting["Ib"][0] * at_base**2
    return base, 2.0 * Q_C * resting["Ic"][0] * at_collector**2


def test_the_base_makes_shot_noise_too():
    """2 q Ib through the base, 2 q Ic at the collector: hybrid-pi, solved as two nodes.

    The base stopper is r_pi/2 (computed for 1 mA and a gain of 300), so the base's share is some
    40 times the collector's. An Ebers-Moll transistor without Early effect, far from saturation:
    g_pi = Ib/Vt, gm = Ic/Vt exactly.
    """
    stopper, feedback, load = 3.9e3, 1e6, 4.7e3
    stage = TransistorBoost(
        input_capacitor=WIRE_FARAD, base_resistor=stopper, feedback_resistor=feedback,
        collector_resistor=load, transistor=transistor_without_early_effect(1e-14, 300.0, 1.0),
    )  # fmt: skip
    solved = solve_design(Design("emitter", {"boost": stage}, load_ohm=1e9))
    resting = resting_stages(solved)["boost"].devices[0].figures
    base, collector = shot_noise_of_an_emitter_stage(resting, stopper, feedback, load)
    found = noise_densities(solved, SPOT)["boost.transistor"][0]
    assert base > 20.0 * collector
    assert found / (base + collector) == pytest.approx(1.0, rel=1e-4)


def test_the_second_transistor_of_a_section_has_its_own_noise():
    """A follower before a common emitter, in one section: 2 q Ic of each where it flows.

    Behind it stand Vt/Ie + 1 kohm/(beta + 1) and a stopper of 10 ohm; 0.5 % for its loads.
    """
    plain = transistor_without_early_effect(1e-14, 300.0, 1.0)
    stages = {
        "follower": EmitterFollower(
            input_capacitor=WIRE_FARAD, bias_resistor=1e6, emitter_resistor=10e3, transistor=plain,
            base_resistor=1e3,
        ),
        "boost": TransistorBoost(
            input_capacitor=WIRE_FARAD, feedback_resistor=1e6, collector_resistor=4.7e3,
            transistor=plain, base_resistor=10.0,
        ),
    }  # fmt: skip
    solved = solve_design(Design("pair", stages, load_ohm=1e9))
    assert len(solved.sections) == 1
    resting = resting_stages(solved)
    vt = K_J_PER_K * 300.0 / Q_C
    first, second = (resting[name].devices[0].figures for name in stages)
    source = vt / (first["Ic"][0] + first["Ib"][0]) + 1e3 / 301.0 + 10.0
    wanted = sum(shot_noise_of_an_emitter_stage(second, source, 1e6, 4.7e3))
    found = noise_densities(solved, SPOT)["boost.transistor"][0]
    assert found / wanted == pytest.approx(1.0, rel=5e-3)


def clipper(diode: DiodeModel, forward: bool = True, reverse: bool = True) -> DiodeClipper:
    string = DiodeString(diode)
    pair = DiodePair(string if forward else None, string if reverse else None)
    return DiodeClipper(series_resistor=1e3, diodes=pair, shunt_capacitor=100e-9)


def test_a_clipper_at_rest_is_a_resistor_in_equilibrium():
    """4 k T Re Z of the whole (Nyquist 1928, of any passive network), and the diodes' part of it.

    At no current a junction is n Vt/Is of resistance; a diode of 100 uA and 150 ohm in series, one
    each way, makes both of them heard. Density and current are white; Z has the capacitor in it.
    """
    diode = DiodeModel("leaky", "germanium", 100e-6, 1.0, 150.0, "test")
    design = Design("rest", {"clip": clipper(diode)}, input_at_bias=True, load_ohm=NO_LOAD_OHM)
    f = np.array([100.0, 1e3, 10e3])
    densities = noise_densities(solve_design(design), f)
    vt, kt4 = K_J_PER_K * 300.0 / Q_C, 4.0 * K_J_PER_K * 300.0
    junctions = vt / (2.0 * 100e-6)
    across = 1.0 / (1.0 / 1e3 + 2j * np.pi * f * 100e-9)
    branch = 150.0 + junctions
    z = 1.0 / (1.0 / across + 1.0 / branch)
    off = np.abs(sum(densities.values()) / (kt4 * z.real) - 1.0).max()
    print(f"noise of a clipper at rest within {off:.0e} of 4kT Re Z")
    assert off < 1e-6
    share = kt4 * branch * np.abs(across / (across + branch)) ** 2
    assert densities["clip.diodes"] / share == pytest.approx(np.ones(3), rel=1e-6)


@pytest.mark.parametrize("drive_v", [0.3, -0.3])
@pytest.mark.parametrize("way", ["forward", "reverse"])
def test_a_junction_with_current_makes_shot_noise(way, drive_v):
    """2 q (I + 2 Is) for I through an ideal junction (van der Ziel, from memory, not located).

    Two crossing streams of carriers, I + Is and Is, each with its shot noise; blocked, Is alone.
    The input rests 0.3 V off the bias rail, so that current flows through 1 kohm; an Is of 0.1 mA
    is a fair part of it.
    """
    saturation, vt = 100e-6, K_J_PER_K * 300.0 / Q_C
    diode = DiodeModel("leaky", "germanium", saturation, 1.0, 0.0, "test")
    stage = clipper(diode, forward=way == "forward", reverse=way == "reverse")
    design = Design("driven", {"clip": stage}, input_at_bias=True, load_ohm=NO_LOAD_OHM)
    network = design.network()
    network.input_v = network.bias_v + drive_v
    solved = solve_design(design, network)
    across = solved.node_v["clip.output"] - network.bias_v
    sign = 1.0 if way == "forward" else -1.0
    junction = saturation * math.expm1(sign * across / vt)
    # Ohm's law through the resistor: the point itself is right.
    assert sign * junction == pytest.approx((drive_v - across) / 1e3, rel=1e-6)
    conductance = (junction + saturation) / vt
    z = 1.0 / (1.0 / 1e3 + conductance + 2j * np.pi * SPOT[0] * 100e-9)
    wanted = 2.0 * Q_C * (junction + 2.0 * saturation) * abs(z) ** 2
    assert noise_densities(solved, SPOT)["clip.diodes"][0] / wanted == pytest.approx(1.0, rel=1e-6)


def test_parts_add_up_to_the_whole():
    """Independent sources: their powers and their shares sum."""
    found = find_noise(solve_design(load_design("boosted_hard_clipper")))
    powers = sum(p.output_v**2 for p in found.parts)
    assert powers / found.output_v**2 == pytest.approx(1.0, rel=1e-12)
    assert sum(p.fraction for p in found.parts) == pytest.approx(1.0, rel=1e-12)
    assert list(found.parts) == sorted(found.parts, key=lambda p: -p.output_v)


def test_a_long_simulated_run_agrees_within_0_3_db():
    """The source's Johnson noise, as samples, through every section of the hard clipper.

    16 lanes of 0.4 s in 20 Hz..20 kHz have 2.6e5 degrees of freedom (0.02 dB); the steps at
    192 kHz turn the response at 20 kHz by some per cent, which carries little of the power.
    """
    rate, lanes = 192_000, 16
    base = load_design("boosted_hard_clipper").with_value("drive", 0.0)
    design = base.with_value("source.resistance", 10e3)
    solved = solve_design(design)
    f = np.geomspace(20.0, 20e3, 400)
    density = noise_densities(solved, f)["source.resistance"]
    expected = np.sum(np.diff(f) * (density[1:] + density[:-1])) / 2.0

    circuit = build_circuit(solve_network(design.network()), rate)
    stepper = Stepper([circuit], lanes)
    volts = np.random.default_rng(5).normal(size=(int(0.5 * rate), lanes))
    volts *= math.sqrt(4.0 * K_J_PER_K * 300.0 * 10e3 * rate / 2.0)
    stepper.process(volts)
    heard = stepper.heard(circuit.output)[rate // 10 :]  # settled
    power = 2.0 * np.abs(np.fft.rfft(heard, axis=0)) ** 2 / len(heard) ** 2
    bins = np.fft.rfftfreq(len(heard), 1.0 / rate)
    measured = power[(bins >= 20.0) & (bins <= 20e3)].sum(axis=0).mean()
    assert abs(10.0 * math.log10(measured / expected)) < 0.3
