"""Coverage of fit intervals over seeded boards, right and mismatched; run it with python.

Each board has three parts off by up to 25 %; SUNDIALS IDA solves it and a synthetic 8-bit
oscilloscope records it. The fit starts from the design's values and frees those three parts::

    python tests/studies/fits.py [--boards 100] [--first 0]
    python tests/studies/fits.py --mismatched [--boards 39] [--first 0]

Mismatched boards hold besides, kind after kind, what :mod:`mismatched_boards` lists: things no
design can say, and values of the design that the fit leaves alone. A part is *wrongly blamed* if a
stated interval excludes its true value.
"""

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from mismatched_boards import KINDS, LEFT_OUT, mismatched_case
from synthetic_bench import fit_case

from vadist.fitting.fit import fit_design


@dataclass(frozen=True)
class Row:
    """What one fit said of one board."""

    kind: str
    mismatch: bool
    truths: list[float]
    values: list[float]
    noise: list[tuple[float, float] | None]
    told: list[tuple[float, float] | None]
    besides: bool


def row_of(kind, truth, report) -> Row:
    """Intervals by noise alone (what was stated before) and as stated; None where there is none."""
    values, noise, told = [], [], []
    for e in report.estimates:
        values.append(e.value)
        noise.append((e.noise_low, e.noise_high) if e.identifiable else None)
        told.append((e.low, e.high) if e.identifiable and not e.withheld else None)
    besides = any(
        r.kind == "besides" and r.stands and not r.residue.mismatch for r in report.rivals
    )
    truths = [truth[e.free.path] for e in report.estimates]
    return Row(kind, report.residue.mismatch, truths, values, noise, told, besides)


def excluded(row: Row, intervals) -> int:
    """How many stated intervals do not hold the truth."""
    return sum(
        interval is not None and not interval[0] <= truth <= interval[1]
        for truth, interval in zip(row.truths, intervals, strict=True)
    )


def table(rows: list[Row]) -> str:
    """Wrongly blamed parts, by noise alone and as stated, for each kind of board."""
    lines = [f"{'board':28}boards  told  values  blamed: by noise  as stated  withheld  explained"]
    groups = {kind: [r for r in rows if r.kind == kind] for kind in ("right", *KINDS)}
    groups["left out of the model"] = [r for r in rows if r.kind in LEFT_OUT]
    groups["in the design, not freed"] = [
        r for r in rows if r.kind in KINDS and r.kind not in LEFT_OUT
    ]
    for name, group in groups.items():
        if not group:
            continue
        lines.append(
            f"{name:28}{len(group):6}{sum(r.mismatch for r in group):6}"
            f"{sum(len(r.truths) for r in group):8}"
            f"{sum(excluded(r, r.noise) for r in group):18}"
            f"{sum(excluded(r, r.told) for r in group):11}"
            f"{sum(t is None for r in group for t in r.told):10}"
            f"{sum(r.besides for r in group):11}"
        )
    return "\n".join(lines)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--mismatched", action="store_true")
    options = parser.parse_args()
    rows = []
    start = time.perf_counter()
    for seed in range(options.first, options.first + options.boards):
        which, kind, case = seed % len(KINDS), "right", None
        if options.mismatched:
            kind = KINDS[which]
            case = mismatched_case(100 * which + seed // len(KINDS), kind)
        case = case or fit_case(seed)
        report = fit_design(case.capture, case.design, list(case.truth), case.source)
        rows.append(row_of(kind, case.truth, report))
        inside = excluded(rows[-1], rows[-1].told) == 0
        told = ", ".join(
            f"{e.free.path} {100 * (e.value / case.truth[e.free.path] - 1):+.2f} % of "
            + ("(withheld)" if e.withheld else f"+-{50 * (e.high - e.low) / e.value:.2f} %")
            for e in report.estimates
        )
        print(
            f"{seed:3d} {kind} {'MISMATCH ' if rows[-1].mismatch else ''}"
            f"{'' if inside else 'OUTSIDE '}{told}",
            flush=True,
        )
    whole = sum(excluded(r, r.told) == 0 and None not in r.told for r in rows)
    errors = [abs(v / t - 1.0) for r in rows for v, t in zip(r.values, r.truths, strict=True)]
    print(table(rows))
    print(
        f"{whole} of {len(rows)} boards with every part within its 99 % interval; median error "
        f"{100 * np.median(errors):.2f} % ({time.perf_counter() - start:.0f} s)"
    )


if __name__ == "__main__":
    main()
