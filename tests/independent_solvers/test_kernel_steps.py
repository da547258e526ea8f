"""The kernel's steps against a root finder of a general-purpose library.

Authority: scipy.optimize.root (MINPACK's Powell hybrid) on v = v0 + P [x; u] + K (i(v) - i0), one
sample after the other, and numpy for x' and y = W [x; u; i - i0]. The laws i(v) and the matrices
are the package's; the other folders hold those against something outside.
"""

import numpy as np
import pytest
from example_circuits import every_stage
from scipy.optimize import root

from vadist.circuits.operating_point import solve_network
from vadist.designs.chain import Chain
from vadist.devices.evaluate import currents_and_slopes
from vadist.stages import CouplingHighPass
from vadist.stepping.circuit import build_circuit
from vadist.stepping.stepper import Stepper

RATE, SAMPLES = 384_000, 60


def solved_steps(section, u):
    """States and outputs of one lane, (samples, states) and (samples, outputs)."""
    x, v = np.zeros(section.states), section.control_v
    states, outputs = [], []
    for volts in u:
        known = np.concatenate([x, [volts]])
        p = section.control_v + section.P @ known

        def excess(v, p=p):
            currents, slopes = currents_and_slopes(section.kinds, section.parameters, v)
            jacobian = section.K @ slopes - np.eye(len(v))
            return p + section.K @ (currents - section.port_a) - v, jacobian

        found = root(excess, v, jac=True, options={"xtol": 1e-13})
        assert np.abs(excess(found.x)[0]).max() < 1e-7, found.message
        v = found.x
        currents, _ = currents_and_slopes(section.kinds, section.parameters, v)
        after = section.W @ np.concatenate([known, currents - section.port_a])
        x = after[: section.states]
        states.append(x)
        outputs.append(after[section.states :])
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
def test_every_sample_is_the_root_of_its_equations(names, lanes, peak_v):
    """A burst with an edge in it, as far as the root finder follows; lanes of unlike level.

    The kernel takes the linearised current after a last step of up to 5e-5 V, which leaves 5e-8 V;
    a transistor's gain stands after it. Of two stages in a section the first is not written, but
    its extremes are kept.
    """
    stages = {name: every_stage()[name] for name in names}
    circuit = build_circuit(solve_network(Chain(stages, load_ohm=1e5).design().network()), RATE)
    (section,) = circuit.sections
    t = np.arange(SAMPLES) / RATE
    wave = peak_v * (np.sin(2.0 * np.pi * 9e3 * t) + 0.5 * (t > 80e-6))
    u = wave[:, None] * np.linspace(1.0, -0.3, lanes) if lanes > 1 else wave[:, None]
    stepper = Stepper([circuit], lanes)
    stepper.process(u[: SAMPLES // 2])
    first = stepper.heard(circuit.output)
    stepper.process(u[SAMPLES // 2 :])
    heard = np.concatenate([first, stepper.heard(circuit.output)])
    for lane in range(lanes):
        states, outputs = solved_steps(section, u[:, lane])
        wanted = outputs[:, circuit.output.row]
        off = np.abs(heard[:, lane] - wanted).max()
        print(f"{names}, lane {lane}: within {off:.1e} V of {np.ptp(wanted):.2f} V")
        assert off < 1e-6
        assert np.abs(stepper.states()[0][:, lane] - states[-1]).max() < 1e-6
        for stage, tap in circuit.taps.items():
            low, high = stepper.peaks()[stage][:, lane]
            assert low == pytest.approx(min(outputs[:, tap.row].min(), 0.0), abs=1e-6)
            assert high == pytest.approx(max(outputs[:, tap.row].max(), 0.0), abs=1e-6)
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
