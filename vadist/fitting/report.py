"""What a fit found, as text and as JSON."""

import dataclasses
import math
import textwrap
from typing import Any

import numpy as np

from vadist.fitting.fit import FitReport
from vadist.fitting.intervals import Estimate
from vadist.fitting.residual import Residue
from vadist.fitting.rivals import Rival
from vadist.fitting.suggest import Suggestion
from vadist.names import printable

_CORRELATED = 0.9
_COLUMNS = 80


def text_report(report: FitReport, suggestion: Suggestion | None = None) -> str:
    """Everything a person at the bench wants to read, 80 columns wide."""
    lines = [f"  {note}" for note in report.notes]
    if report.interrupted:
        lines.append("  interrupted: these are the best values until then")
    lines += _table(report)
    lines += [f"not identifiable: {direction}" for direction in report.unseen]
    lines += _correlations(report)
    if report.unseen:
        lines.append(
            "no stimulus at this output tells them apart: measure one of them by itself"
            if suggestion is None
            else f"what would tell {'them apart' if suggestion.remaining == 0 else 'more'}: "
            f"{suggestion.command()}"
        )
    lines += _explained(report)
    lines += _residual(report)
    return "\n".join(map(printable, lines))


def _table(report: FitReport) -> list[str]:
    rows = [("value", "start", "fitted", f"{report.confidence:.3g} interval", "nearest", "")]
    rows += [_row(e) for e in report.estimates]
    for paths_apart in (False, True):
        first = 1 if paths_apart else 0
        widths = [max(len(row[k]) for row in rows) for k in range(first, 6)]
        if sum(widths) + 10 <= _COLUMNS:
            break
    lines = []
    for row in rows:
        if paths_apart:
            lines.append(row[0])
        cells = (cell.ljust(w) for cell, w in zip(row[first:], widths, strict=True))
        lines.append((" " * 4 * first + "  ".join(cells)).rstrip())
    return lines


def _row(e: Estimate) -> tuple[str, str, str, str, str, str]:
    f = e.free
    interval = f"{f.write(e.low)} to {f.write(e.high)}" if e.identifiable else "not identifiable"
    if e.withheld:
        interval = "withheld"
    change = f"{(e.value / f.start - 1.0) * 100.0:+.1f} %" if f.logarithmic else ""
    bound = " at its bound" if e.at_bound else ""
    return (
        f.path,
        f.write(f.start),
        f.write(e.value),
        interval,
        f.preferred(e.value),
        change + bound,
    )


def _correlations(report: FitReport) -> list[str]:
    lines, paths = [], [e.free.path for e in report.estimates]
    for k in range(len(paths)):
        for other in range(k):
            value = float(report.correlation[k, other])
            if math.isfinite(value) and abs(value) > _CORRELATED:
                lines += _wrapped(f"correlated {value:+.3f}: {paths[other]} and {paths[k]}")
    return lines


def _explained(report: FitReport) -> list[str]:
    """Other explanations that the capture speaks no less for."""
    standing = [r for r in report.rivals if r.stands and r.kind != "besides"]
    if not standing:
        return []
    lines = _wrapped(
        "SEVERAL EXPLANATIONS: the values above hold only if what is free is what is off. This "
        "capture speaks no less for"
    )
    for r in standing:
        place = f"instead of {r.instead_of}" if r.instead_of else "all else as it started"
        lines += _wrapped(f"  {_told(r)}, {place}: ESR {r.residue.residual_db:.1f} dB")
    return lines


def _told(r: Rival) -> str:
    if not r.free.logarithmic:
        return f"{r.free.path} at {r.free.write(r.value)}"
    change = (r.value / r.free.start - 1.0) * 100.0
    return f"{r.free.path} {r.free.write(r.value)} ({change:+.1f} %)"


def _residual(report: FitReport) -> list[str]:
    residue = report.residue
    levels = [f"ESR {report.esr_before_db:.1f} dB before, {report.esr_after_db:.1f} dB after"]
    if residue.noise_db is not None:
        levels.append(f"noise of the capture {residue.noise_db:.1f} dB")
    if residue.arithmetic_db is not None:
        levels.append(f"arithmetic of the render {residue.arithmetic_db:.1f} dB")
    levels.append(f"{report.evaluations} evaluations")
    lines = _wrapped("; ".join(levels))
    if not residue.mismatch:
        return lines
    lines += _wrapped(
        f"MISMATCH: what is left stands {_above(residue)} noise and arithmetic. Something is at "
        "work that this design with these values free does not hold, and part of it may hide in "
        "the values: the intervals, widened for that, are a guess and need not cover."
    )
    where = [c for c in map(residue.worst, ("band", "level", "half-wave")) if c is not None]
    if where:
        lines += _wrapped(
            "it lives: "
            + "; ".join(f"{100.0 * c.share:.0f} % {_named(c.kind)}{c.name}" for c in where)
        )
    besides = [r for r in report.rivals if r.kind == "besides" and r.stands]
    if besides:
        lines.append("free besides, this would explain")
        for r in besides:
            all_of_it = "some of it" if r.residue.mismatch else "all of it"
            lines += _wrapped(f"  {all_of_it}: {_told(r)}: ESR {r.residue.residual_db:.1f} dB")
    else:
        lines.append("no single value of the design, free besides, would explain it")
    return lines


def _above(residue: Residue) -> str:
    if residue.excess_db >= 1.0:
        return f"{residue.excess_db:.1f} dB above" if residue.excess_db < math.inf else "above"
    return "in places above"


def _named(kind: str) -> str:
    return {"band": "at ", "level": "where the output is ", "half-wave": "in the half-wave: "}[kind]


def _wrapped(text: str) -> list[str]:
    indent = " " * (len(text) - len(text.lstrip()) + 2)
    return textwrap.wrap(text, _COLUMNS, subsequent_indent=indent, break_on_hyphens=False)


def as_json(report: FitReport, suggestion: Suggestion | None = None) -> dict[str, Any]:
    """The report for other programs; what is not known is null."""
    matrix = [[None if np.isnan(c) else c for c in row] for row in report.correlation.tolist()]
    return {
        "values": [_value(e) for e in report.estimates],
        "confidence": report.confidence,
        "correlation": matrix,
        "unseen": [{"told": str(u), "weights": dict(u.weights)} for u in report.unseen],
        "suggestion": None if suggestion is None else dataclasses.asdict(suggestion),
        "residual": _residue(report.residue),
        "rivals": [
            {
                "kind": r.kind, "path": r.free.path, "unit": r.free.unit, "start": r.free.start,
                "value": r.value, "instead_of": r.instead_of or None, "values": dict(r.values),
                "verdict": r.verdict, "stands": r.stands, "esr_db": r.residue.residual_db,
                "mismatch": r.residue.mismatch,
            }
            for r in report.rivals
        ],
        "esr_before_db": report.esr_before_db,
        "esr_after_db": report.esr_after_db,
        "numerical_error_db": report.error_estimate_db,
        "evaluations": report.evaluations,
        "interrupted": report.interrupted,
        "alignment": dataclasses.asdict(report.alignment),
        "notes": list(report.notes),
    }  # fmt: skip


def _value(e: Estimate) -> dict[str, Any]:
    told = e.identifiable and not e.withheld
    return {
        "path": e.free.path, "unit": e.free.unit, "start": e.free.start, "value": e.value,
        "low": e.low if told else None,
        "high": e.high if told else None,
        "low_if_the_design_is_right": e.noise_low if e.identifiable else None,
        "high_if_the_design_is_right": e.noise_high if e.identifiable else None,
        "identifiable": e.identifiable, "withheld": e.withheld, "at_bound": e.at_bound,
        "nearest_preferred": e.free.preferred(e.value) or None,
    }  # fmt: skip


def _residue(residue: Residue) -> dict[str, Any]:
    excess = residue.excess_db
    return {
        "esr_db": residue.residual_db, "noise_db": residue.noise_db,
        "arithmetic_db": residue.arithmetic_db,
        "excess_db": excess if math.isfinite(excess) else None,
        "mismatch": residue.mismatch,
        "where": [dataclasses.asdict(cell) for cell in residue.cells],
    }  # fmt: skip
