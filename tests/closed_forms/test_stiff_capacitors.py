"""The linear part of a step is exact, however fast a capacitor is against it.

Authority: the response of R and C. Once the last four samples are alike, what is missing falls by
e^(-h/RC) a step, 5e-12 where RC is 0.1 us and h 2.6 us; and driven by a cubic in time, u = t^3,
the answer is t^3 - 3 T t^2 + 6 T^2 t - 6 T^3 with T = RC, by putting it into T y' + y = u.
"""

import numpy as np
import pytest
from example_circuits import NO_LOAD_OHM, antiparallel, ideal_diode, ideal_opamp
from small_signal_chain import linear_steps

from vadist.circuits.operating_point import solve_network
from vadist.designs.chain import Chain
from vadist.stages import DiodeClipper, OpAmpGain
from vadist.stepping.circuit import build_circuit
from vadist.stepping.discretize import TAPS

RATE = 384_000
FAST_S = 1e-7
WEAK = antiparallel(ideal_diode(1e-18, 0.05))


def fast_pair(ohm: float, diodes=WEAK) -> DiodeClipper:
    return DiodeClipper(series_resistor=ohm, diodes=diodes, shunt_capacitor=FAST_S / ohm)


def response(stages: dict, volts: np.ndarray) -> np.ndarray:
    """Answer of the difference equations, linear around rest."""
    circuit = build_circuit(
        solve_network(Chain(stages, load_ohm=NO_LOAD_OHM).design().network()), RATE
    )
    (section,) = circuit.sections
    A, B, L, M = linear_steps(section)
    z, found = np.zeros(len(A)), []
    for u in volts:
        z = A @ z + B[:, 0] * u
        found.append(L[circuit.output.row] @ z + M[circuit.output.row, 0] * u)
    return np.array(found)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_fast_capacitors_follow_a_step(count):
    """One, two or three in a row, each 100 times the ohms of the one before.

    A hundredth of loading makes the slowest of three some 2 % slower: e^-25 a step.
    """
    stages = {f"rc{k}": fast_pair(10.0 * 100.0**k) for k in range(count)}
    off = np.abs(response(stages, np.ones(12)) - 1.0)
    print(f"{count}: {off[:8]}")
    assert off[TAPS - 2] > 1e-9, "until then the cubic still bends"
    assert np.all(off[TAPS:] < 1e-9)


@pytest.mark.parametrize("seconds", [1e-7, 1e-5, 1e-3])
def test_each_step_is_the_exponential(seconds):
    """RC from a twenty-sixth of a step to 384 steps: e^(-h/RC) of what is missing, a step."""
    stage = DiodeClipper(series_resistor=1e3, diodes=WEAK, shunt_capacitor=seconds / 1e3)
    off = (1.0 - response({"stage": stage}, np.ones(24)))[TAPS - 1 :]
    ratio = np.exp(-1.0 / (RATE * seconds))
    assert off[1:] == pytest.approx(ratio * off[:-1], rel=1e-6, abs=1e-12)


def test_a_conducting_junction_makes_a_capacitor_fast():
    """1 Mohm and 1 nF are slow, but diodes of n Vt/(2 Is) = 50 ohm at rest short it.

    The step ends at the divider's small-signal level, and gets there with 50 ns.
    """
    leaky = antiparallel(ideal_diode(0.5e-3, 0.05))
    stage = DiodeClipper(series_resistor=1e6, diodes=leaky, shunt_capacitor=1e-9)
    found = response({"stage": stage}, np.ones(12)) * (1e6 + 50.0) / 50.0
    print(found[:6].round(9))
    assert np.abs(found[TAPS:] - 1.0).max() < 1e-9


@pytest.mark.parametrize("seconds", [1e-7, 1e-5, 3e-5])
def test_a_cubic_in_time_is_followed_exactly(seconds):
    """Once the start is forgotten; a fourth power is not."""
    stage = DiodeClipper(series_resistor=1e3, diodes=WEAK, shunt_capacitor=seconds / 1e3)
    t, lag = (np.arange(800) - 600.0) / 100.0, 0.01 * RATE * seconds
    wanted = t**3 - 3.0 * lag * t**2 + 6.0 * lag**2 * t - 6.0 * lag**3
    settled = slice(600, None)  # e^-52 of the start at most
    off = np.abs(response({"stage": stage}, t**3) - wanted)[settled].max()
    fourth = t**4 - 4.0 * lag * wanted
    other = np.abs(response({"stage": stage}, t**4) - fourth)[settled].max()
    print(f"{seconds:g} s: within {off:.1e} V, of a fourth power {other:.1e} V")
    assert off < 1e-11
    assert other > 100.0 * off


def test_an_opamp_beyond_the_rate_follows_too():
    """A follower of 100 MHz, whose line is held back to all but the implicit Euler rule.

    Half a step times 2 pi 100 MHz is 818: of that the implicit Euler rule leaves 1/1637 in a step,
    and the line, of which 32/818 are left, the hundredth part of it in the next.
    """
    stage = OpAmpGain(
        opamp=ideal_opamp(1e8), feedback_resistor=100.0, leg_resistor=1e9, leg_capacitor=1e-6
    )
    found = response({"gain": stage}, np.ones(40))
    print((found[:8] - 1.0).round(6))
    assert abs(found[0] - 1.0) < 1.01 / 1637.0
    assert np.abs(found[1:] - 1.0).max() < 1e-5
    assert np.abs(found[2:] - 1.0).max() < 1e-6
