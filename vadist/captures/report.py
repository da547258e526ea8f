"""What a check found, as text and as JSON."""

import dataclasses
import math
from typing import Any

from vadist.captures.check import CheckReport
from vadist.captures.evidence import Verdict
from vadist.captures.limits import RIGHT_BOARD_DB, write_figure
from vadist.names import printable

_HARMONICS_SHOWN = 6


WORDS = {
    Verdict.PASS: "PASS",
    Verdict.FAIL: "FAIL",
    Verdict.NOT_JUDGED: "COULD NOT BE JUDGED",
    Verdict.NOT_ALIGNED: "COULD NOT BE ALIGNED",
}


def summary(report: CheckReport) -> str:
    """One line.

    The verdict, the reasons if it did not pass, and the figures that always matter.
    """
    figures = f"ESR {write_figure(report.figures.esr_db, 'dB')}"
    reasons = "; ".join(report.reasons) or figures
    return f"{WORDS[report.verdict]}  {report.name}: {reasons}"


def right_board(report: CheckReport) -> str:
    """How the error compares with that of boards that are right but for what models leave out."""
    f, right = report.figures, write_figure(RIGHT_BOARD_DB, "dB")
    if f.model_error_db <= RIGHT_BOARD_DB:
        return f"as near as a right board would be ({right} or less)"
    if f.hidden_db > RIGHT_BOARD_DB and f.least_model_error_db <= f.hidden_db:
        return (
            f"no worse than a right board would be, as far as the noise shows (down to "
            f"{write_figure(f.hidden_db, 'dB')}; a right board stands at {right} or less)"
        )
    return f"worse than a right board would be ({right} or less)"


def text_report(report: CheckReport) -> str:
    """Everything a person at the bench wants to read."""
    f, a = report.figures, report.alignment
    lines = [f"capture    {report.name}", f"design     {report.design}"]
    lines += [f"           {note}" for note in report.notes]
    lines += [
        f"aligned    delay {a.delay_s * 1e3:.5g} ms, clock {a.clock_ppm:+.1f} ppm, "
        f"{'inverted, ' if a.sign < 0 else ''}gain {a.gain:.4f}, offset {a.offset_v * 1e3:+.3g} mV",
        f"band       up to {report.top_hz / 1e3:.4g} kHz, {len(report.time_s)} samples over "
        f"{(report.time_s[-1] - report.time_s[0]) * 1e3:.4g} ms",
        f"error      ESR {_db(f.esr_db)} ({_per_cent(f.esr_db)}), "
        f"{_db(f.pre_emphasised_esr_db)} with pre-emphasis 0.85, "
        f"rms {write_figure(f.rms_error_v, 'V')} ({f.rms_error_dbv:.1f} dBV)",
        f"           largest {write_figure(f.max_error_v, 'V')} at {f.max_error_s * 1e3:.5g} ms, "
        f"DC {write_figure(f.dc_v, 'V')}",
    ]
    noise = (
        "not known (no silence in it, nothing recorded above the band)"
        if f.noise_db is None
        else _db(f.noise_db)
    )
    model = "" if f.noise_db is None else f"; without it ESR {_db(f.model_error_db)}"
    lines.append(f"           noise of the capture {noise}{model}")
    estimate = (
        "none (silence)" if report.error_estimate_db is None else _db(report.error_estimate_db)
    )
    lines.append(f"           arithmetic of the render {estimate} at {report.method}")
    lines.append(
        f"clipping   {_pair(f.upper_v, f.lower_v)} measured, "
        f"{_pair(f.model_upper_v, f.model_lower_v)} modelled: differs by "
        f"{100 * f.clip_level:.2f} %, asymmetry by {100 * f.asymmetry:+.2f} %"
    )
    lines += _harmonic_lines(report)
    if report.verdict in (Verdict.PASS, Verdict.FAIL):
        lines.append(f"model      {right_board(report)}")
    for j in report.judgements:
        lines.append(f"{'pass' if j.passed else '?   ' if j.undecided else 'FAIL'}       {j}")
    if report.verdict in (Verdict.NOT_ALIGNED, Verdict.NOT_JUDGED):
        lines += [f"evidence   {reason}" for reason in report.reasons]
    lines.append(WORDS[report.verdict])
    return "\n".join(map(printable, lines))


def _db(value: float) -> str:
    return f"{value:.1f} dB"


def _per_cent(decibels: float) -> str:
    return f"{100.0 * 10.0 ** (decibels / 10.0):.3g} %"


def _pair(upper: float, lower: float) -> str:
    return f"{upper:+.4g}/{lower:+.4g} V"


def _harmonic_lines(report: CheckReport) -> list[str]:
    """The harmonics that differ most, worst first."""
    judged = sorted((h for h in report.harmonics if h.judged), key=lambda h: -abs(h.level_db))
    if not judged:
        return []
    lines = [f"harmonics  {len(judged)} stand above the noise; furthest off:"]
    for h in judged[:_HARMONICS_SHOWN]:
        level = "" if h.tone_v is None else f" at {h.tone_v * 1e3:.3g} mV"
        lines.append(
            f"           {h.order} of {h.tone_hz:.5g} Hz{level}: {h.level_db:+.2f} dB "
            f"(+-{h.standard_error_db:.2f}), {h.phase_deg:+.1f} deg, {h.measured_v * 1e3:.4g} mV"
        )
    return lines


def as_json(report: CheckReport) -> dict[str, Any]:
    """The report for other programs; what is infinite or unknown is null."""
    plain: dict[str, Any] = {
        "capture": report.name,
        "design": report.design,
        "verdict": str(report.verdict),
        "passed": report.passed,
        "reasons": list(report.reasons),
        "evidence": dataclasses.asdict(report.evidence),
        "worse_than_a_right_board": report.figures.least_model_error_db > RIGHT_BOARD_DB,
        "judgements": [dataclasses.asdict(j) for j in report.judgements],
        "figures": {
            **dataclasses.asdict(report.figures), "model_error_db": report.figures.model_error_db,
            "hidden_db": report.figures.hidden_db,
        },
        "alignment": dataclasses.asdict(report.alignment),
        "harmonics": [dataclasses.asdict(h) for h in report.harmonics],
        "numerical_error_db": report.error_estimate_db,
        "method": report.method,
        "band_hz": report.top_hz,
        "notes": list(report.notes),
    }  # fmt: skip
    finite: dict[str, Any] = _finite(plain)
    return finite


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(held) for key, held in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(held) for held in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
