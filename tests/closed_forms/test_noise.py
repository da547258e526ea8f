"""Output noise against closed forms and against a long simulated run.

Authorities: 4kTR (Johnson 1928, Nyquist 1928; k exact by the SI); the noise of a non-inverting
amplifier, Eo^2 = G^2 en^2 + (R2/R1)^2 4kTR1 + 4kTR2 + (in R2)^2 + G^2 4kTRs + G^2 (in Rs)^2 (the
textbook form found in manufacturers' op-amp handbooks); kT/C, the whole noise on a capacitor
whatever resistor feeds it (equipartition); shot noise 2qI (Schottky 1918, from memory, not
located). The simulated run pushes Gaussian samples of the resistor's density through the stepper.
"""

import dataclasses
import math

import numpy as np
import pytest

from vadist.analysis.chain_response import solve_design
from vadist.analysis.noise import find_noise, noise_densities
from vadist.analysis.resting import resting_stages
from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Design, Source
from vadist.designs.files import load_design
from vadist.parts import OpAmpModel, TransistorModel
from vadist.stages import CouplingHighPass, OpAmpGain, TransistorBoost
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
    """Density of sqrt(4kTR) at 300 K, within 0.1 % (the leak of 1 Gohm takes 0.01 %)."""
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
def test_the_worked_example_of_a_noninverting_amplifier(en, current, input_nv, output_nv):
    """Rs 10k, R1 1k, R2 100k at 298.15 K, within 0.1 %; the op-amp is fast enough to be ideal."""
    model = OpAmpModel(
        "ideal", 1e12, 1e12, open_loop_gain=1e9, headroom_high_v=0.0, headroom_low_v=0.0,
        voltage_noise_v_rthz=en, current_noise_a_rthz=current, supply_current_a=0.0,
    )  # fmt: skip
    stage = OpAmpGain(
        opamp=model, feedback_resistor=100e3, leg_resistor=1e3, leg_capacitor=WIRE_FARAD
    )
    source = Source(resistance=10e3)
    design = Design("amplifier", {"gain": stage}, source=source, input_at_bias=True, load_ohm=1e9)
    found = find_noise(solve_design(design), temperature_k=298.15)
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
    densities = noise_densities(solve_design(design), SPOT, 298.15)
    for part, power in powers.items():
        assert densities[part][0] / power == pytest.approx(1.0, rel=1e-3), part


# Leakage makes half of the base current at 1 mA: 2 uA either way.
LEAKY = TransistorModel(
    "leaky", 1e-14, 500.0, 1.0, 80.0, emitter_leakage_a=6.33e-12, base_resistance_ohm=400.0
)


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
