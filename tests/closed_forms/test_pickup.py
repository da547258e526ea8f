"""A pickup with its cable as a source: what reaches the amplifier, through time and over frequency.

Authorities: the series R-L, shunt C ladder of elementary network theory, H = Z/(Z + R + s L) with
Z of cable and load in parallel; its differential equation solved by scipy's DOP853 at rtol 1e-10;
the error of the cubic through four samples (Abramowitz and Stegun 25.2.3), the only one a linear
section has.
The values follow from stated targets: resonance at 4 kHz with 5 m of cable at 100 pF a metre and
as much in the coil, quality 3 into 500 kohm.
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from signals import energy_ratio_db, guitar_like
from small_signal_chain import continuous_response, discretised_response

from vadist.analysis.chain_response import solve_design
from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Design, Source
from vadist.rendering.arrays import render
from vadist.stages import CouplingHighPass, Pot
from vadist.stepping.circuit import build_circuit
from vadist.stepping.stepper import Stepper

RESONANCE_HZ, QUALITY, LOAD_OHM = 4e3, 3.0, 500e3
CAPACITANCE_F = 2 * 5 * 100e-12
OMEGA = 2.0 * math.pi * RESONANCE_HZ
HENRY = 1.0 / (OMEGA**2 * CAPACITANCE_F)
# Losses add: 1/Q = R/(w L) + w L/RL, to first order in both.
COIL_OHM = OMEGA * HENRY * (1.0 / QUALITY - OMEGA * HENRY / LOAD_OHM)
FS = 48_000


def pickup(coil_ohm: float, in_coil: float = 0.0) -> Design:
    """Coil and cable, with a share of the capacitance in the coil, into a wire of a capacitor.

    Two capacitors in parallel hold one charge, however they share it.
    """
    source = Source(
        resistance=coil_ohm, inductance=HENRY,
        coil_capacitance=in_coil * CAPACITANCE_F or None,
        cable_capacitance=(1.0 - in_coil) * CAPACITANCE_F,
    )  # fmt: skip
    stage = CouplingHighPass(capacitor=0.1, bias_resistor=2 * LOAD_OHM, returns_to="ground")
    return Design("pickup", {"in": stage}, source=source, load_ohm=2 * LOAD_OHM)


def closed_form(coil_ohm: float, f: np.ndarray) -> np.ndarray:
    s = 2j * math.pi * f
    z = 1.0 / (1.0 / LOAD_OHM + s * CAPACITANCE_F)
    return z / (z + coil_ohm + s * HENRY)


COILS = pytest.mark.parametrize("coil_ohm", [COIL_OHM, 0.0], ids=["with loss", "coil alone"])


@COILS
@pytest.mark.parametrize("in_coil", [0.0, 0.5])
def test_response_of_the_ladder(coil_ohm, in_coil):
    """20 Hz to 20 kHz, of the continuous circuit and of its steps at 8x.

    1e-6 is what the coupling capacitor of 0.1 F against 1 Mohm leaves. The cubic is off by the
    share 0.0264 w^4 at w radians a step, and at 20 kHz w is 0.327.
    """
    f, rate = np.geomspace(20.0, 20e3, 60), 8 * FS
    design = pickup(coil_ohm, in_coil)
    off = continuous_response(design, f) / closed_form(coil_ohm, f) - 1.0
    stepped_off = np.abs(discretised_response(design, rate, f) / closed_form(coil_ohm, f) - 1.0)
    print(f"{coil_ohm:.0f} ohm: within {np.abs(off).max():.0e}, {np.abs(stepped_off).max():.1e}")
    assert np.abs(off).max() < 1e-6
    assert (stepped_off < 1e-6 + 1.1 * 0.0264 * (2.0 * math.pi * f / rate) ** 4).all()
    assert stepped_off[-1] > 0.5 * 0.0264 * (2.0 * math.pi * f[-1] / rate) ** 4


def integrated(coil_ohm: float, t: np.ndarray) -> np.ndarray:
    """Output volts by DOP853 on L di/dt = u - R i - v, C dv/dt = i - v/RL."""

    def rate(time, y):
        v, i = y
        u = guitar_like(time)
        return [
            (i - v / LOAD_OHM) / CAPACITANCE_F,
            (u - coil_ohm * i - v) / HENRY,
        ]

    found = solve_ivp(
        rate, (0.0, t[-1]), [0.0, 0.0], "DOP853", t_eval=t, rtol=1e-10, atol=1e-13, max_step=5e-4
    )
    assert found.success
    return found.y[0]


@COILS
def test_a_note_through_the_pickup(coil_ohm):
    """10 ms of a note, of partials up to 3 kHz, at 1x, 2x and 4x: of fourth order, -135 dB at 4x.

    What errs is the cubic through the samples of the note, and nothing of the ringing where it
    begins.
    """
    errors = []
    for factor in (1, 2, 4):
        t = np.arange(round(0.01 * FS) * factor) / (FS * factor)
        circuit = build_circuit(solve_network(pickup(coil_ohm, in_coil=0.5).network()), FS * factor)
        stepper = Stepper([circuit], 1, real=np.float64)
        stepper.process(guitar_like(t)[:, None])
        wanted = integrated(coil_ohm, t)
        errors.append(energy_ratio_db(stepper.heard(circuit.output)[:, 0] - wanted, wanted))
    orders = -np.diff(errors) / (20.0 * math.log10(2.0))
    print(f"{coil_ohm:.0f} ohm: {np.round(errors, 1)} dB at 1, 2, 4x: orders {orders.round(2)}")
    assert errors[-1] < -135.0
    assert np.abs(orders - 4.0).max() < 0.2


def test_a_rendered_sine_below_at_and_above_the_resonance():
    """A whole render: the gain of the closed form, within 0.01 %.

    The ringing of a quality of 3 has fallen by e^-100 before the sine is judged; the take's end,
    where the resampler hears silence, is left out.
    """
    t = np.arange(round(0.1 * FS)) / FS
    judged = slice(len(t) // 4, len(t) // 4 + round(0.05 * FS))
    for f in (500.0, RESONANCE_HZ, 9e3):
        volts = render(pickup(COIL_OHM), 0.1 * np.sin(2.0 * math.pi * f * t), FS).volts[:, 0]
        phasor = np.exp(-2j * math.pi * f * t[judged])
        gain = abs(phasor @ volts[judged]) / len(phasor) * 2.0 / 0.1
        wanted = abs(closed_form(COIL_OHM, np.array([f]))[0])
        print(f"{f:.0f} Hz: gain {gain:.6f}, closed form {wanted:.6f}")
        assert gain == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize("pot_ohm", [None, 500e3])
def test_a_coil_is_a_wire_at_rest(pot_ohm):
    """A source that rests at the bias rail: Ohm's law alone, within 1 uV."""
    source = Source(
        resistance=COIL_OHM, inductance=HENRY, cable_capacitance=CAPACITANCE_F,
        volume_pot=None if pot_ohm is None else Pot(pot_ohm, 0.5),
    )  # fmt: skip
    stage = CouplingHighPass(capacitor=100e-9, bias_resistor=LOAD_OHM, returns_to="ground")
    design = Design("rest", {"in": stage}, source=source, load_ohm=LOAD_OHM, input_at_bias=True)
    volts = solve_design(design).node_v
    wanted = 4.5 if pot_ohm is None else 4.5 * pot_ohm / (pot_ohm + COIL_OHM)
    assert volts["source.coil"] == pytest.approx(wanted, abs=1e-6)
    assert volts["in.output"] == pytest.approx(0.0, abs=1e-6)
