"""Lanes are stepped in single precision, and lose nothing that counts.

Authority: the same equations stepped in double precision.
"""

import numpy as np
import pytest
import soxr
from signals import energy_ratio_db

from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.questions.sampling import boards_at, points
from vadist.questions.tolerances import variations
from vadist.stepping import state_space
from vadist.stepping.circuit import build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.stepper import Stepper

FS = 48_000
RATE = 8 * FS


def stepped(board: Design, real: type) -> np.ndarray:
    """A tenth of a second of a plucked note."""
    t = np.arange(FS // 10) / FS
    note = 0.3 * np.exp(-5.0 * t) * (1.0 - np.exp(-400.0 * t)) * np.sin(2.0 * np.pi * 110.0 * t)
    circuit = build_circuit(solve_network(board.network()), RATE, (), usual_pace)
    stepper = Stepper([circuit], 1, real=real)
    stepper.process(soxr.resample(note, FS, RATE, "VHQ")[:, None])
    return np.asarray(stepper.heard(circuit.output)[:, 0], dtype=float)


def test_modes_that_nearly_coincide_cost_no_digits(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board whose boost has two modes within 12 % whose directions differ by a fiftieth.

    Told apart, each is large and they all but cancel.
    """
    design = load_design("boosted_hard_clipper")
    varied = variations(design)
    board = boards_at(design, varied, points(varied, 128, "normal", 0))[104]
    double = stepped(board, np.float64)
    together = energy_ratio_db(stepped(board, np.float32) - double, double)
    monkeypatch.setattr(state_space, "_nearly_coincide", lambda basis, modes: False)
    apart = energy_ratio_db(stepped(board, np.float32) - double, double)
    print(f"single against double: {together:.1f} dB, told apart {apart:.1f} dB")
    assert together < -120.0
    assert apart > together + 10.0
