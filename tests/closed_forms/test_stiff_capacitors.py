"""Capacitors too fast for the rate: they follow, and do not ring.

Authority: the step response of R and C, 1 - exp(-t/RC), is over within a sample of 2.6 us where RC
is 0.1 us; the trapezoidal rule's answer would swing about it with (1 - 26/2)/(1 + 26/2), -0.86 a
sample (Gustafsson's and every textbook's L-stability argument: Hairer and Wanner, Solving Ordinary
Differential Equations II, IV.3). The backward difference of second order has forgotten all but
1e-3 of it four samples on.
"""

import numpy as np
import pytest
from example_circuits import NO_LOAD_OHM, antiparallel, ideal_diode, ideal_opamp
from small_signal_chain import linear_steps

from vadist.circuits.operating_point import solve_network
from vadist.designs.chain import Chain
from vadist.stages import DiodeClipper, OpAmpGain
from vadist.stepping.circuit import build_circuit

RATE = 384_000
FAST_S = 1e-7
WEAK = antiparallel(ideal_diode(1e-18, 0.05))


def fast_pair(ohm: float, diodes=WEAK) -> DiodeClipper:
    return DiodeClipper(series_resistor=ohm, diodes=diodes, shunt_capacitor=FAST_S / ohm)


def step_response(stages: dict, samples: int = 40) -> np.ndarray:
    """Answer of the difference equations, linear around rest, to a step of 1 V."""
    circuit = build_circuit(
        solve_network(Chain(stages, load_ohm=NO_LOAD_OHM).design().network()), RATE
    )
    (section,) = circuit.sections
    A, B, L, M = linear_steps(section)
    x, found = np.zeros(len(A)), []
    for _ in range(samples):
        found.append(L[circuit.output.row] @ x + M[circuit.output.row, 0])
        x = A @ x + B[:, 0]
    return np.array(found)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_fast_capacitors_follow_a_step(count):
    """One, two or three in a row, each 100 times the ohms of the one before."""
    stages = {f"rc{k}": fast_pair(10.0 * 100.0**k) for k in range(count)}
    off = np.abs(step_response(stages) - 1.0)
    print(f"{count}: {off[:8].round(5)}")
    assert np.all(off[4 * count :] < 2e-3)
    assert off[-1] < 1e-9


@pytest.mark.parametrize("count", [1, 2, 3])
def test_fast_capacitors_take_the_second_order_backward_difference(count):
    """C (3/2 v - 2 v1 + 1/2 v2)/h + G v = b u, written here for the ladder, step by step."""
    stages = {f"rc{k}": fast_pair(10.0 * 100.0**k) for k in range(count)}
    ohms = 10.0 * 100.0 ** np.arange(count)
    G = np.diag(1.0 / ohms)
    for k in range(1, count):
        G[k - 1, k - 1] += 1.0 / ohms[k]
        G[k - 1, k] = G[k, k - 1] = -1.0 / ohms[k]
    C = np.diag(FAST_S / ohms) * RATE
    v1, v2, wanted = np.zeros(count), np.zeros(count), []
    drive = np.eye(count)[0] / ohms[0]
    for _ in range(40):
        v1, v2 = np.linalg.solve(1.5 * C + G, C @ (2.0 * v1 - 0.5 * v2) + drive), v1
        wanted.append(v1[-1])
    assert step_response(stages) == pytest.approx(np.array(wanted), abs=1e-8)


def test_a_conducting_junction_makes_a_capacitor_fast():
    """1 Mohm and 1 nF are slow, but diodes of n Vt/(2 Is) = 50 ohm at rest short it.

    The step ends at the divider's small-signal level.
    """
    leaky = antiparallel(ideal_diode(0.5e-3, 0.05))
    stage = DiodeClipper(series_resistor=1e6, diodes=leaky, shunt_capacitor=1e-9)
    found = step_response({"stage": stage}) * (1e6 + 50.0) / 50.0
    print(found[:6].round(5))
    assert np.abs(found[4:] - 1.0).max() < 2e-3


def test_a_slow_capacitor_keeps_the_trapezoidal_rule():
    """RC of 10 us: (1 - h/2RC)/(1 + h/2RC) a sample exactly, where the other rule differs."""
    stage = DiodeClipper(series_resistor=1e3, diodes=WEAK, shunt_capacitor=10e-9)
    off = 1.0 - step_response({"stage": stage})
    half = 0.5 / (RATE * 1e3 * 10e-9)
    ratio = (1.0 - half) / (1.0 + half)
    assert off[0] == pytest.approx(1.0 / (1.0 + half), rel=1e-6)
    assert off[1:20] / off[:19] == pytest.approx(np.full(19, ratio), rel=1e-6)


def test_an_opamp_beyond_the_rate_follows_too():
    """A follower of 100 MHz, whose pole is its compensation's: stepped by the backward rule."""
    stage = OpAmpGain(
        opamp=ideal_opamp(1e8), feedback_resistor=100.0, leg_resistor=1e9, leg_capacitor=1e-6
    )
    assert np.abs(step_response({"gain": stage})[4:] - 1.0).max() < 2e-3
