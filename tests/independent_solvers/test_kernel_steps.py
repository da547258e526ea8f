"""The kernel's steps against a root finder of a general-purpose library.

Authority: scipy.optimize.root (MINPACK's Powell hybrid) on v = D s + E u + K r(v), one sample after
the other, and numpy for all the rest of a step. The laws and the matrices are the package's; the
other folders hold those against something outside.
"""

import numpy as np
import pytest
from example_circuits import every_stage
from scipy.optimize import root
from signals import energy_ratio_db

from vadist.circuits.operating_point import solve_network
from vadist.designs.chain import Chain
from vadist.devices.evaluate import currents_and_slopes
from vadist.kernel.part_text import CURVED, STRAIGHT
from vadist.kernel.structure import TAPS
from vadist.stages import CouplingHighPass
from vadist.stepping.circuit import build_circuit
from vadist.stepping.stepper import Stepper

RATE, SAMPLES = 384_000, 60


def solved_steps(section, u):
    """States and outputs of one lane, (samples, states) and (samples, outputs)."""
    m, curved = section.ports, np.isin(np.arange(section.ports), section.curved)
    x, v = np.zeros(section.states), np.zeros(len(section.control_v))
    i, j, theta, heard = np.zeros(m), np.zeros(m), np.zeros(m), np.zeros(TAPS)
    states, outputs = [], []

    def remainders(v):
        currents, slopes = currents_and_slopes(
            section.kinds, section.parameters, section.control_v + v
        )
        straight = section.port_slopes @ v
        return currents - section.port_a - straight, slopes - section.port_slopes

    for volts in u:
        heard = np.append(heard[1:], volts)
        bend = theta * np.where(curved, j - 2.0 * i, -i)
        s = x + section.A @ x + section.B @ heard + section.C0 @ i + section.CQ @ bend
        p = section.D @ s + section.E @ [volts]
        K = section.K + section.KQ * theta

        def excess(v, p=p, K=K):
            r, slopes = remainders(v)
            return p + K @ r - v, K @ slopes - np.eye(len(v))

        found = root(excess, v, jac=True, options={"xtol": 1e-13})
        assert np.abs(excess(found.x)[0]).max() < 1e-7, found.message
        v = found.x
        r, slopes = remainders(v)
        x = s + section.C1 @ r + section.CQ @ (theta * r)
        states.append(x)
        outputs.append(section.L @ x + section.M @ [volts] + section.N @ r)
        steep = np.abs(slopes @ K).sum(axis=1) + 1e-30
        i, j = r, i
        theta = np.where(
            curved, np.minimum(1.0, CURVED / steep), 1.0 - np.minimum(1.0, STRAIGHT / steep)
        )
    return np.array(states), np.array(outputs)


@pytest.mark.parametrize(
    ("names", "lanes", "peak_v"),
    [
        (["diode_clipper"], 1, 0.8),
        (["transistor_boost"], 1, 0.1),
        (["feedback_clipper"], 1, 0.6),
        (["diode_clipper"], 3, 0.8),
        (["diode_clipper", "tone_blend"], 1, 0.8),
    ],
)
def test_every_sample_is_the_root_of_its_equations(names, lanes, peak_v, monkeypatch):
    """A burst with an edge in it, as far as the root finder follows; lanes of unlike level.

    In double precision, and to the last Newton step: the steepness that the next step goes by is
    that of the voltages before the last one. Of two stages in a section the first is not written,
    but its extremes are kept.
    """
    monkeypatch.setattr("vadist.stepping.batch.NEWTON_TOLERANCE_V", 1e-9)
    stages = {name: every_stage()[name] for name in names}
    circuit = build_circuit(solve_network(Chain(stages, load_ohm=1e5).design().network()), RATE)
    (section,) = circuit.sections
    t = np.arange(SAMPLES) / RATE
    wave = peak_v * (np.sin(2.0 * np.pi * 9e3 * t) + 0.5 * (t > 80e-6))
    u = wave[:, None] * np.linspace(1.0, -0.3, lanes) if lanes > 1 else wave[:, None]
    stepper = Stepper([circuit], lanes, real=np.float64)
    stepper.process(u[: SAMPLES // 2])
    first = stepper.heard(circuit.output)
    stepper.process(u[SAMPLES // 2 :])
    heard = np.concatenate([first, stepper.heard(circuit.output)])
    for lane in range(lanes):
        states, outputs = solved_steps(section, u[:, lane])
        wanted = outputs[:, circuit.output.row]
        off = np.abs(heard[:, lane] - wanted).max()
        print(f"{names}, lane {lane}: within {off:.1e} V of {np.ptp(wanted):.2f} V")
        assert off < 1e-7
        kept = stepper.states()[0][: section.states, lane]
        assert np.abs(kept - states[-1]).max() < 1e-7
        for stage, tap in circuit.taps.items():
            low, high = stepper.peaks()[stage][:, lane]
            assert low == pytest.approx(min(outputs[:, tap.row].min(), 0.0), abs=1e-7)
            assert high == pytest.approx(max(outputs[:, tap.row].max(), 0.0), abs=1e-7)
    iterations, samples, rescued = stepper.statistics()[0]
    assert samples == SAMPLES
    assert SAMPLES < iterations < 6 * SAMPLES
    assert rescued == 0


def test_a_state_is_zero_long_before_it_is_denormal():
    """1 nF into 10 kohm falls by e^-390 in 1500 samples, to 1e-170 if it were let: it is nothing.

    Authority: below 2.2e-308 a double loses digits and processors their speed (IEEE 754-2019, 3.4).
    """
    stage = CouplingHighPass(capacitor=1e-9, bias_resistor=1e4)
    circuit = build_circuit(
        solve_network(Chain({"stage": stage}, load_ohm=1e9).design().network()), RATE
    )
    stepper = Stepper([circuit], 1)
    stepper.process(np.ones((50, 1)))
    assert np.abs(stepper.states()[0]).max() > 0.1
    stepper.process(np.zeros((1500, 1)))
    assert (stepper.states()[0] == 0.0).all()


def test_single_precision_follows_double():
    """A feedback clipper at full tilt: -120 dB, what 24 bits and a few gains leave."""
    chain = Chain({"stage": every_stage()["feedback_clipper"]}, load_ohm=1e5)
    circuit = build_circuit(solve_network(chain.design().network()), RATE)
    t = np.arange(2000) / RATE
    heard = []
    for real in (np.float32, np.float64):
        stepper = Stepper([circuit], 1, real=real)
        stepper.process(0.5 * np.sin(2.0 * np.pi * 700.0 * t)[:, None])
        heard.append(stepper.heard(circuit.output)[:, 0])
    off = energy_ratio_db(heard[0] - heard[1], heard[1])
    print(f"single against double precision: {off:.1f} dB")
    assert -160.0 < off < -120.0
