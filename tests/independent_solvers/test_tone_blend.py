"""Tone blend against a nodal solution written here, and its unloaded closed form.

Authorities: Kirchhoff's current law with admittances 1/R and s C solved by numpy; the two-filter
blend H = (1 - x)/(1 + s/wL) + x (s/wH)/(1 + s/wH) (elementary network theory).
"""

import math

import numpy as np
import pytest
from example_circuits import (
    HIGH_ARM_FARAD,
    HIGH_ARM_OHM,
    LOW_ARM_FARAD,
    LOW_ARM_OHM,
    NO_LOAD_OHM,
    PUBLISHED_C_F,
    PUBLISHED_IS_A,
    PUBLISHED_R_OHM,
    PUBLISHED_VT_V,
    alone,
    published_clipper,
)
from scipy.optimize import minimize_scalar
from small_signal_chain import continuous_response, decibels

from vadist.designs.chain import Chain
from vadist.stages import Pot, ToneBlend

LOW_R, LOW_C, HIGH_C, HIGH_R = LOW_ARM_OHM, LOW_ARM_FARAD, HIGH_ARM_FARAD, HIGH_ARM_OHM
POT, LOAD = 100e3, 220e3
FREQUENCIES_HZ = np.geomspace(20.0, 20e3, 80)


def nodal_solution(wiper, f):
    """Clipper's R and C (and its diodes' conductance at rest) into arms, pot and load."""
    s = 2j * math.pi * f
    clip, low, high, out = range(4)
    y = np.zeros((4, 4), dtype=complex)

    def tie(a, b, admittance):
        for p, q in ((a, b), (b, a)):
            if p is not None:
                y[p, p] += admittance
                if q is not None:
                    y[p, q] -= admittance

    tie(clip, None, 1.0 / PUBLISHED_R_OHM + s * PUBLISHED_C_F)
    tie(clip, None, 2.0 * PUBLISHED_IS_A / PUBLISHED_VT_V)
    tie(clip, low, 1.0 / LOW_R)
    tie(low, None, s * LOW_C)
    tie(clip, high, s * HIGH_C)
    tie(high, None, 1.0 / HIGH_R)
    # A wiper at its end touches the track: a milliohm stands for a wire.
    tie(high, out, 1.0 / max(POT * (1.0 - wiper), 1e-3))
    tie(low, out, 1.0 / max(POT * wiper, 1e-3))
    tie(out, None, 1.0 / LOAD)
    source = np.array([1.0 / PUBLISHED_R_OHM, 0, 0, 0])
    return np.linalg.solve(y, source)[out]


def blend(wiper: float, pot: float = POT) -> ToneBlend:
    return ToneBlend(
        low_resistor=LOW_R, low_capacitor=LOW_C, high_capacitor=HIGH_C, high_resistor=HIGH_R,
        blend_pot=Pot(pot, wiper),
    )  # fmt: skip


@pytest.mark.parametrize("wiper", [0.0, 0.25, 0.5, 0.75, 1.0])
def test_blend_loading_the_clipper(wiper):
    """20 Hz to 20 kHz within 0.01 dB of the nodal solution.

    The load goes to ground and shifts the clipper's rest by some tens of millivolts: its diodes
    conduct a little more than at zero, which against 2.2 kohm is below 0.001 dB.
    """
    chain = Chain({"clip": published_clipper(), "tone": blend(wiper)}, load_ohm=LOAD)
    found = continuous_response(chain.design(), FREQUENCIES_HZ)
    wanted = np.array([nodal_solution(wiper, f) for f in FREQUENCIES_HZ])
    worst = np.abs(decibels(found / wanted)).max()
    print(f"wiper {wiper:g}: within {worst:.1e} dB of the nodal solution")
    assert worst < 0.01


def test_scoop_at_half_rotation():
    """Between the two arms' corners lies a minimum, as the closed form below has it."""
    chain = Chain({"clip": published_clipper(), "tone": blend(0.5)}, load_ohm=LOAD)
    level = decibels(continuous_response(chain.design(), FREQUENCIES_HZ))
    audible = level[(FREQUENCIES_HZ > 50.0) & (FREQUENCIES_HZ < 5e3)]
    lowest = int(np.argmin(audible))
    depth = min(audible[: lowest + 1].max(), audible[lowest:].max()) - audible[lowest]
    print(f"a dip of {depth:.2f} dB below the lower shoulder")
    assert 0.5 < depth < 15.0


def unloaded(low_hz, high_hz, x) -> ToneBlend:
    """Arms of 100 ohm with a pot that takes nothing from them."""
    return ToneBlend(
        low_resistor=100.0, low_capacitor=1.0 / (2 * math.pi * 100.0 * low_hz),
        high_capacitor=1.0 / (2 * math.pi * 100.0 * high_hz), high_resistor=100.0,
        blend_pot=Pot(1e9, x),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "scoop_hz", "scoop_db"),
    [(400.0, 1600.0, 800.0, -13.9794), (500.0, 1000.0, 707.107, -9.5424)],
)
def test_scoop_of_the_unloaded_blend(low_hz, high_hz, scoop_hz, scoop_db):
    """At x = 1/2 the minimum is fL/(fL + fH) at sqrt(fL fH), the plateaus -6.0206 dB."""
    design = alone(unloaded(low_hz, high_hz, 0.5), load_ohm=NO_LOAD_OHM).design()

    def level(f):
        return decibels(continuous_response(design, [f]))[0]

    found = minimize_scalar(level, bounds=(low_hz, high_hz), method="bounded")
    at, ends = level(scoop_hz), (level(1e-2), level(1e7))
    print(f"minimum {found.fun:.4f} dB at {found.x:.2f} Hz, plateaus {ends[0]:.4f} {ends[1]:.4f}")
    assert found.x == pytest.approx(scoop_hz, rel=1e-3)
    assert abs(at - scoop_db) < 1e-4
    assert np.abs(np.array(ends) + 6.0206).max() < 1e-4


@pytest.mark.parametrize("x", [0.1, 0.3, 0.8])
def test_unloaded_blend_at_any_wiper(x):
    """The whole closed form, and its minimum at sqrt(fL fH (1 - x)/x)."""
    design = alone(unloaded(400.0, 1600.0, x), load_ohm=NO_LOAD_OHM).design()
    f = np.geomspace(20.0, 20e3, 100)
    low, high = 1j * f / 400.0, 1j * f / 1600.0
    wanted = (1 - x) / (1 + low) + x * high / (1 + high)
    found = continuous_response(design, f)
    worst = np.abs(decibels(found / wanted)).max()
    print(f"x {x:g}: within {worst:.1e} dB of the closed form")
    # 100 ohm against a pot of 1e9 ohm.
    assert worst < 1e-5


def test_equal_corners_are_flat():
    """FL = fH: -6.0206 dB at every frequency."""
    design = alone(unloaded(1e3, 1e3, 0.5), load_ohm=NO_LOAD_OHM).design()
    level = decibels(continuous_response(design, np.geomspace(10.0, 100e3, 50)))
    print(f"equal corners: {level.min():.5f} .. {level.max():.5f} dB")
    assert np.abs(level + 6.0206).max() < 1e-4
