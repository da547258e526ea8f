"""Twelve right captures and eleven wrong ones: no false verdict at -48 dB.

Authority: what was done to each capture (``tests/support/bench_captures.py``). The full counts, 300
of each, are run by ``tests/studies/evidence.py``.
"""

import pytest
from bench_captures import DESIGNS, WRONG, check, right_capture, wrong_capture

from vadist.captures.evidence import Verdict
from vadist.errors import UnjudgedError

LIMITS = {"model_error": -48.0}


@pytest.mark.parametrize("name", DESIGNS)
def test_right_captures_do_not_fail(name):
    """Of all stimuli. Eight bits without silence above the band may hide too much to tell."""
    told = []
    for seed in range(DESIGNS.index(name), 12, len(DESIGNS)):
        capture, drawn, source = right_capture(seed)
        assert drawn == name
        told.append(check(capture, name, source, LIMITS).verdict)
    assert set(told) <= {Verdict.PASS, Verdict.NOT_JUDGED}
    assert told.count(Verdict.PASS) >= 2


@pytest.mark.parametrize("what", WRONG)
def test_wrong_captures_do_not_pass(what):
    """On presets in turn."""
    first = WRONG.index(what)
    capture, name, source, told = wrong_capture(first + len(WRONG) * (first % len(DESIGNS)))
    assert told == what
    try:
        report = check(capture, name, source, LIMITS)
    except UnjudgedError:
        return
    assert not report.passed
    assert report.reasons
