"""Twenty right captures and twenty wrong ones: no false verdict at -48 dB.

Authority: what was done to each capture (``tests/support/bench_captures.py``). The full counts, 300
of each, are run by ``tests/studies/evidence.py``.
"""

import pytest
from bench_captures import WRONG, check, right_capture, wrong_capture

from vadist.captures.evidence import Verdict
from vadist.errors import UnjudgedError

LIMITS = {"model_error": -48.0}


def test_right_captures_do_not_fail():
    told = [check(*right_capture(seed), LIMITS).verdict for seed in range(20)]
    print({str(v): told.count(v) for v in Verdict})
    assert Verdict.FAIL not in told
    assert Verdict.NOT_ALIGNED not in told
    # Eight bits without silence above the band hide too much for so tight a limit.
    assert told.count(Verdict.PASS) >= 12


@pytest.mark.parametrize("what", WRONG)
def test_wrong_captures_do_not_pass(what):
    first = WRONG.index(what)
    for seed in (first, first + len(WRONG)) if first < 9 else (first,):
        capture, name, source, told = wrong_capture(seed)
        assert told == what
        try:
            report = check(capture, name, source, LIMITS)
        except UnjudgedError:
            continue
        assert not report.passed
        assert report.reasons
