"""What a fit found, as text and as JSON."""

import dataclasses
import math
from typing import Any

import numpy as np

from vadist.fitting.fit import Estimate, FitReport
from vadist.fitting.suggest import Suggestion

_CORRELATED = 0.9


def text_report(report: FitReport, suggestion: Suggestion | None = None) -> str:
    """Everything a person at the bench wants to read."""
    lines = [f"  {note}" for note in report.notes]
    if report.interrupted:
        lines.append("  interrupted: these are the best values until then")
    rows = [("value", "start", "fitted", f"{report.confidence:.3g} interval", "nearest", "")]
    rows += [_row(e) for e in report.estimates]
    widths = [max(len(row[k]) for row in rows) for k in range(6)]
    for row in rows:
        cells = (cell.ljust(w) for cell, w in zip(row, widths, strict=True))
        lines.append("  ".join(cells).rstrip())
    lines += [f"not identifiable: {direction}" for direction in report.unseen]
    lines += _correlations(report)
    if report.unseen:
        lines.append(
            "no stimulus at this output tells them apart: measure one of them by itself"
            if suggestion is None
            else f"what would tell {'them apart' if suggestion.remaining == 0 else 'more'}: "
            f"{suggestion.command()}"
        )
    lines.append(
        f"ESR {report.esr_before_db:.1f} dB before, {report.esr_after_db:.1f} dB after, "
        f"{report.evaluations} evaluations"
        + (
            ""
            if report.error_estimate_db is None
            else f"; arithmetic of the render {report.error_estimate_db:.1f} dB"
        )
    )
    return "\n".join(lines)


def _row(e: Estimate) -> tuple[str, str, str, str, str, str]:
    f = e.free
    interval = f"{f.write(e.low)} to {f.write(e.high)}" if e.identifiable else "not identifiable"
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
                lines.append(f"correlated {value:+.3f}: {paths[other]} and {paths[k]}")
    return lines


def as_json(report: FitReport, suggestion: Suggestion | None = None) -> dict[str, Any]:
    """The report for other programs; what is not known is null."""
    matrix = [[None if np.isnan(c) else c for c in row] for row in report.correlation.tolist()]
    return {
        "values": [
            {
                "path": e.free.path, "unit": e.free.unit, "start": e.free.start, "value": e.value,
                "low": e.low if e.identifiable else None,
                "high": e.high if e.identifiable else None,
                "identifiable": e.identifiable, "at_bound": e.at_bound,
                "nearest_preferred": e.free.preferred(e.value) or None,
            }
            for e in report.estimates
        ],
        "confidence": report.confidence,
        "correlation": matrix,
        "unseen": [{"told": str(u), "weights": dict(u.weights)} for u in report.unseen],
        "suggestion": None if suggestion is None else dataclasses.asdict(suggestion),
        "esr_before_db": report.esr_before_db,
        "esr_after_db": report.esr_after_db,
        "numerical_error_db": report.error_estimate_db,
        "evaluations": report.evaluations,
        "interrupted": report.interrupted,
        "alignment": dataclasses.asdict(report.alignment),
        "notes": list(report.notes),
    }  # fmt: skip
