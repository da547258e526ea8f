"""Boards solved by SUNDIALS IDA, recorded in 8 bits: right ones pass, wrong ones are found.

Authority: IDA on Kirchhoff's current law of the undivided board (``circuit_oracle``); the package's
kernel renders only the model. The full counts, 200 verdicts and 100 fits, are run by
``tests/studies/verdicts.py`` and ``tests/studies/fits.py``.
"""

import numpy as np
import pytest
from synthetic_bench import (
    PLAYER_HZ,
    Scope,
    level_sweeps,
    short_board,
    solved_change,
    stimulus_capture,
)

from vadist.captures.check import check_capture
from vadist.fitting.fit import fit_design

pytest.importorskip("sksundae", reason="scikit-sundae has no wheel for this machine")

LIMITS = {"model_error": -48.0}
SWEEP_S = 0.01
VOLTS = level_sweeps(seconds=SWEEP_S)
SECONDS = len(VOLTS) / PLAYER_HZ
WRONG = (
    ("boost.emitter_resistor", 1.1),
    ("gain.leg_capacitor", 0.9),
    ("clipper.shunt_capacitor", 1.1),
    ("blend.high_capacitor", 0.9),
)


def recorded(path, factor, seed, scope=None):
    generator = np.random.default_rng(seed)
    return (scope or Scope()).record([solved_change(path, factor, SWEEP_S)], SECONDS, generator)


def checked(path, factor, seed):
    capture = recorded(path, factor, seed)
    return check_capture(capture, short_board(), stimulus_capture(VOLTS), limits=LIMITS)


def test_right_boards_pass():
    """Six seeded captures of the right board."""
    for seed in range(6):
        report = checked("", 1.0, seed)
        assert report.passed, report.reasons
        assert report.alignment.sign == 1
        # 0.5 LSB and a clock found to some ppm over 50 ms.
        assert abs(report.alignment.clock_ppm) < 80.0


@pytest.mark.parametrize(("path", "factor"), WRONG)
def test_boards_with_a_part_off_by_a_tenth_fail(path, factor):
    """Solved without vadist's kernels, told by them."""
    assert not checked(path, factor, 100).passed


def test_model_and_board_agree_without_the_oscilloscopes_faults():
    """24 bits, no noise, 1 MHz: -80 dB or better.

    What is left (-85.7 dB) is edges that fold back at 1 MHz; at 250 kHz they leave -74.7 dB.
    """
    scope = Scope(bits=24, noise_steps=0.0, gain=0.0, rate_hz=1e6)
    capture = recorded("", 1.0, 1, scope)
    report = check_capture(capture, short_board(), stimulus_capture(VOLTS), limits={"esr": -80.0})
    print(f"ESR {report.figures.esr_db:.1f} dB, arithmetic {report.error_estimate_db:.1f} dB")
    assert report.passed
    assert report.error_estimate_db < -85.0


def test_wrong_part_is_found_among_others():
    """Freed with a part of each other block, the wrong one and only it leaves its value."""
    path, factor = WRONG[-1]
    free = [path, "boost.emitter_resistor", "gain.leg_capacitor"]
    report = fit_design(recorded(path, factor, 7), short_board(), free, stimulus_capture(VOLTS))
    for estimate in report.estimates:
        nominal = short_board().value(estimate.free.path)
        truth = nominal * (factor if estimate.free.path == path else 1.0)
        print(f"{estimate.free.path}: {estimate.value / truth - 1:+.3%} of truth")
        assert estimate.low <= truth <= estimate.high
        assert estimate.identifiable
    assert report.esr_after_db < report.esr_before_db - 5.0
