"""A spread in words: tables in a given width, everything as JSON, boards as CSV."""

import csv
import io
import math
from typing import Any

import numpy as np

from vadist.audition.layout import lay_out, wrap_notes
from vadist.questions.limits import Yield
from vadist.questions.spread import PERCENTILES, Spread
from vadist.questions.tolerances import Variation

_TOLD_SHARE = 0.02
_TOLD_PARTS = 6
_TOLD_FAULTS = 3


def text_report(found: Spread, width: int) -> str:
    """Lines for a terminal of a width."""
    blocks = [
        wrap_notes(_head(found), width),
        lay_out(_figure_rows(found), width),
        _causes(found, width),
        _limits(found, width),
        _tighter(found, width),
        _corners(found, width),
        wrap_notes(_notes(found), width),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _head(found: Spread) -> list[str]:
    drawn = f"{len(found.table)} boards"
    if not found.complete:
        drawn = f"stopped after {drawn} of {found.asked.boards}"
    law = "normal, cut off at the tolerance (two sigma)"
    law = law if found.asked.distribution == "normal" else "uniform within tolerances"
    lines = [f"{found.design.name}: {drawn}, {law}, seed {found.asked.seed}"]
    if found.table.faults:
        first = list(found.table.faults.items())[:_TOLD_FAULTS]
        lines.append(f"{len(found.table.faults)} of them could not be solved:")
        lines += [f"board {board + 1}: {text}" for board, text in first]
    return lines


def _figure_rows(found: Spread) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("figure", "nominal", "5 %", "median", "95 %", "worst case")]
    worst = {case.figure: case for case in found.worst}
    for k, (figure, shares) in enumerate(
        zip(found.table.figures, found.percentiles().T, strict=True)
    ):
        case = worst.get(figure)
        ends = ""
        if case is not None:
            mark = "" if case.verified else " ?"
            ends = f"{figure.show(case.least)} to {figure.show(case.most)}{mark}"
        cells = [figure.show(float(v)) for v in (found.nominal[k], *shares)]
        rows.append((str(figure), *cells, ends))
    return rows


def _causes(found: Spread, width: int) -> list[str]:
    causes = found.causes
    if causes is None:
        return []
    lines = []
    for figure, total, error in zip(
        causes.figures, causes.shares.total, causes.shares.total_error, strict=True
    ):
        order = [k for k in np.argsort(-total) if total[k] >= _TOLD_SHARE][:_TOLD_PARTS]
        parts = [
            f"{causes.names[k]} {100 * total[k]:.0f}+-{max(100 * error[k], 1):.0f} %" for k in order
        ]
        lines.append(f"{figure}: {', '.join(parts)}")
    return [
        "Causes of the variance (total Sobol' index, 95 % interval)",
        *wrap_notes(lines, width),
    ]


def _limits(found: Spread, width: int) -> list[str]:
    if found.passed is None:
        return []
    rows = [("limit", "boards within")]
    for limit in found.limits:
        kept = limit.kept(found.table.column(limit.figure))
        rows.append((str(limit), f"{100 * float(np.mean(kept)):.1f} %"))
    rows.append(("all limits", yield_text(found.passed)))
    return lay_out(rows, width)


def yield_text(passed: Yield) -> str:
    """Write a yield with its interval.

    >>> yield_text(Yield(0.9, 0.826, 0.945))
    '90.0 % (82.6 to 94.5)'
    """
    return f"{100 * passed.share:.1f} % ({100 * passed.low:.1f} to {100 * passed.high:.1f})"


def _tighter(found: Spread, width: int) -> list[str]:
    if not found.tighter:
        return []
    rows = [("buy tighter first", "tolerance", "narrows", "to", "yield")]
    for each in found.tighter:
        change = ""
        if each.passed is not None and each.passed_before is not None:
            before, after = each.passed_before.share, each.passed.share
            change = f"{100 * before:.1f} to {100 * after:.1f} %"
        rows.append(
            (each.part, f"{each.before} to {each.after}", str(each.figure),
             f"{100 * each.narrower:.0f} %", change)
        )  # fmt: skip
    return lay_out(rows, width)


def _corners(found: Spread, width: int) -> list[str]:
    if not len(found.corners):
        return []
    ranges = [v for v in found.varied if v.span is not None]
    ends = np.array(np.meshgrid(*[v.span for v in ranges if v.span], indexing="ij"))
    where = ends.reshape(len(ranges), -1).T
    rows = [("parts as drawn, at", *(str(f) for f in found.corners.figures))]
    for place, values in zip(where, found.corners.values, strict=True):
        name = ", ".join(
            f"{v.part.rpartition('.')[2]} {x:g} {_unit(v)}"
            for v, x in zip(ranges, place, strict=True)
        )
        cells = [f.show(float(v)) for f, v in zip(found.corners.figures, values, strict=True)]
        rows.append((name, *cells))
    return lay_out(rows, width)


def _unit(variation: Variation) -> str:
    return variation.shown.rpartition(" ")[2]


def _notes(found: Spread) -> list[str]:
    """Who says what varies, each source once."""
    said: dict[tuple[str, str], list[str]] = {}
    for v in found.varied:
        key = (v.shown, v.source) if v.tolerance else ("devices", v.source)
        said.setdefault(key if v.span is None else (v.shown, v.source), []).append(v.name)
    notes = []
    for (shown, source), names in said.items():
        most = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
        notes.append(f"{shown} ({source}): {most}")
    if any(not case.verified for case in found.worst):
        notes.append("?: a worst case whose search did not come to an end")
    return ["Taken:", *notes]


def as_json(found: Spread) -> dict[str, Any]:
    """Return a spread as plain data for :mod:`json`."""
    shares = found.percentiles()
    worst = {case.figure: case for case in found.worst}
    figures = []
    for k, figure in enumerate(found.table.figures):
        entry: dict[str, Any] = {
            "name": str(figure), "unit": figure.unit, "nominal": _plain(found.nominal[k]),
            "percentiles": {f"{p:g}": _plain(shares[n, k]) for n, p in enumerate(PERCENTILES)},
        }  # fmt: skip
        if figure in worst:
            case = worst[figure]
            entry["worst_case"] = {
                "least": _plain(case.least), "most": _plain(case.most), "verified": case.verified,
            }  # fmt: skip
        if found.causes is not None and figure in found.causes.figures:
            row = found.causes.figures.index(figure)
            told = found.causes.shares
            entry["causes"] = [
                {
                    "part": name, "first": _plain(told.first[row, n]),
                    "first_error": _plain(told.first_error[row, n]),
                    "total": _plain(told.total[row, n]),
                    "total_error": _plain(told.total_error[row, n]),
                }
                for n, name in enumerate(found.causes.names)
            ]  # fmt: skip
        figures.append(entry)
    return {
        "design": found.design.name,
        "boards": len(found.table),
        "asked": found.asked.boards,
        "complete": found.complete,
        "distribution": found.asked.distribution,
        "seed": found.asked.seed,
        "varied": [
            {"part": v.part, "what": v.what, "within": v.shown, "source": v.source}
            for v in found.varied
        ],
        "figures": figures,
        "limits": [
            {"limit": str(x), "least": _plain(x.least), "most": _plain(x.most)}
            for x in found.limits
        ],
        "yield": None if found.passed is None else vars(found.passed),
        "tighter": [
            {
                "part": t.part, "before": t.before, "after": t.after, "figure": str(t.figure),
                "narrower": t.narrower, "yield": t.passed.share if t.passed else None,
                "yield_before": t.passed_before.share if t.passed_before else None,
            }
            for t in found.tighter
        ],
        "faults": {str(board): text for board, text in found.table.faults.items()},
    }  # fmt: skip


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def boards_csv(found: Spread) -> str:
    """Every board drawn: what was varied, and its figures."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    boards = found.boards
    heads = [f"{figure} ({figure.unit})" for figure in found.table.figures]
    writer.writerow(["board", *boards.paths, *heads])
    for number, values, row in zip(
        found.table.boards, boards.values, found.table.values, strict=True
    ):
        writer.writerow([number + 1, *(repr(v) for v in values.tolist()), *row.tolist()])
    return text.getvalue()
