"""A suite's results as JUnit XML, the form that continuous-integration servers read."""

import re
from collections.abc import Sequence
from xml.etree import ElementTree

from vadist.captures.evidence import Verdict
from vadist.captures.report import text_report
from vadist.captures.suite import Outcome

_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_TYPES = {
    Verdict.FAIL: "LimitExceeded",
    Verdict.NOT_JUDGED: "CouldNotBeJudged",
    Verdict.NOT_ALIGNED: "CouldNotBeAligned",
    None: "CaptureError",
}


def junit_xml(name: str, outcomes: Sequence[Outcome], seconds: float) -> str:
    """Write a suite as one ``testsuite``, a ``testcase`` a capture.

    Parameters
    ----------
    name : str
    outcomes : sequence of Outcome
    seconds : float
        The whole run.

    Notes
    -----
    A failed limit is a ``failure`` whose message is one line and whose text is the full report; a
    capture that could not be read, aligned or judged is an ``error``. A passed one carries its
    report in ``system-out``.
    """
    counts = {
        "tests": str(len(outcomes)),
        "failures": str(sum(o.verdict is Verdict.FAIL for o in outcomes)),
        "errors": str(sum(o.verdict not in (Verdict.PASS, Verdict.FAIL) for o in outcomes)),
        "time": f"{seconds:.3f}",
    }
    suites = ElementTree.Element("testsuites", {"name": _text(name), **counts})
    suite = ElementTree.SubElement(
        suites, "testsuite", {"name": _text(name), **counts, "skipped": "0"}
    )
    for outcome in outcomes:
        case = ElementTree.SubElement(
            suite, "testcase",
            {
                "name": _text(outcome.name),
                "classname": _text(f"{name}.{outcome.design}"),
                "time": f"{outcome.seconds:.3f}",
            },
        )  # fmt: skip
        if outcome.verdict is Verdict.PASS:
            child = ElementTree.SubElement(case, "system-out")
        else:
            failed = outcome.verdict is Verdict.FAIL
            child = ElementTree.SubElement(
                case, "failure" if failed else "error", {"message": _text(_message(outcome))}
            )
            child.set("type", _TYPES[outcome.verdict])
        child.text = _text(text_report(outcome.report) if outcome.report else outcome.error)
    ElementTree.indent(suites)
    body = ElementTree.tostring(suites, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _message(outcome: Outcome) -> str:
    """One line."""
    if outcome.report is None:
        return outcome.error
    line = f"{outcome.report.name}: {'; '.join(outcome.report.reasons)}"
    return line if outcome.verdict is Verdict.FAIL else f"{outcome.verdict}: {line}"


def _text(text: str) -> str:
    """Without the characters XML cannot hold."""
    return _FORBIDDEN.sub("?", text)
