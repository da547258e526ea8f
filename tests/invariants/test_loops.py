"""Long kernels step as straight ones do, and stay short.

Authority: the straight text of the same circuit, which the other folders hold against solvers of
general-purpose libraries; in double precision, so that only the order of sums is left.
"""

import numpy as np
import pytest
from example_circuits import every_stage
from signals import guitar_like

from vadist.circuits.operating_point import solve_network
from vadist.designs.chain import Chain
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.kernel import compiled, structure
from vadist.kernel.generate import kernel_source
from vadist.stepping.batch import LANES
from vadist.stepping.circuit import Circuit, build_circuit
from vadist.stepping.stepper import Stepper

RATE, SAMPLES, NEVER = 8 * 48_000, 240, 10**9


def chain(*names: str) -> Design:
    stages = {f"{name}{k}": every_stage()[name] for k, name in enumerate(names)}
    return Chain(stages, load_ohm=1e6).design()


DESIGNS = {
    "moving rails": load_design("boosted_hard_clipper"),
    "other devices": load_design("fet_pnp_clipper"),
    "no device": chain("tone_blend", "coupling_high_pass"),
    "coupled": chain("diode_clipper", "tone_blend", "transistor_boost", "emitter_follower"),
}


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch):
    """Step a circuit with its text written as is wanted."""

    def step(circuit: Circuit, lanes: int, text: int, part: int, peak_v: float) -> dict:
        monkeypatch.setattr(structure, "LONGEST_TEXT", text)
        monkeypatch.setattr(structure, "LONGEST_PART", part)
        monkeypatch.setattr(compiled, "_LOADED", {})
        t = np.arange(SAMPLES)[:, None] / RATE + 0.011 + 0.007 * np.arange(lanes)
        volts = peak_v * guitar_like(t)
        stepper = Stepper([circuit], lanes, real=np.float64)
        for piece in np.split(volts, 2):
            stepper.process(piece)
        found = {f"volts of {k}": peak for k, peak in stepper.peaks().items()}
        found |= {f"states {k}": states for k, states in enumerate(stepper.states())}
        found["output"] = stepper.heard(circuit.output)
        found["statistics"] = stepper.statistics()
        return found

    return step


@pytest.mark.parametrize(("name", "lanes"), [*((name, LANES) for name in DESIGNS), ("coupled", 1)])
def test_loops_and_vectors_step_as_straight_text(name, lanes, written) -> None:
    """1e-9 of a volt's order: states, peaks, output; as many Newton steps."""
    circuit = build_circuit(solve_network(DESIGNS[name].network()), RATE, paces=lambda _: 2)
    straight = written(circuit, lanes, NEVER, NEVER, 0.6)
    assert np.ptp(straight["output"]) > 1e-4
    for part in (-1, NEVER):
        other = written(circuit, lanes, -1, part, 0.6)
        for what, values in straight.items():
            off = np.abs(other[what] - values).max()
            assert off <= 1e-9 * max(np.abs(values).max(), 1e-3), (part, what, off)


def test_the_rescue_runs_loops_too(written, monkeypatch) -> None:
    """With one Newton step allowed every edge is rescued; both texts find the same volts.

    To what Newton leaves at a tolerance of 1e-9 V, times the gain of the boost.
    """
    monkeypatch.setattr("vadist.stepping.batch.NEWTON_LIMIT", 2)
    monkeypatch.setattr("vadist.stepping.batch.NEWTON_TOLERANCE_V", 1e-9)
    circuit = build_circuit(solve_network(DESIGNS["coupled"].network()), RATE)
    straight, loops = (written(circuit, 3, text, text, 2.0) for text in (NEVER, -1))
    rescued = [found["statistics"][:, 2].sum() for found in (straight, loops)]
    print(f"{rescued} lane-steps rescued of {3 * SAMPLES}")
    assert min(rescued) > 20
    assert np.abs(straight["output"] - loops["output"]).max() < 1e-7


def test_text_grows_with_the_devices_and_not_with_what_couples_them() -> None:
    """Twice as many coupled boosts, less than twice the lines; straight text has six times."""
    lines = []
    for count in (8, 16):
        circuit = build_circuit(solve_network(chain(*["transistor_boost"] * count).network()), RATE)
        (program,) = (circuit.program(k, LANES) for k in range(len(circuit.programs)))
        assert program.looped == (True,)
        source = kernel_source(program)
        lines.append(source.count("\n"))
    print(f"lines: {lines}")
    assert lines[1] < 2 * lines[0]
    assert lines[0] < 1000


@pytest.mark.parametrize("name", ["boosted_hard_clipper", "two_stage_hard_clipper"])
def test_ordinary_designs_are_written_out_straight(name) -> None:
    circuit = build_circuit(solve_network(load_design(name).network()), RATE)
    for number in range(len(circuit.programs)):
        assert not circuit.program(number, LANES).large
