"""What to buy tighter: boards of which one part's tolerance is halved, measured again."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.designs.tolerances import write_tolerance
from vadist.population.figure_names import Figure
from vadist.population.table import Table
from vadist.population.work import measure_population
from vadist.questions.limits import Limit, Yield, boards_within, yield_of
from vadist.questions.sampling import boards_at
from vadist.questions.tolerances import Variation

if TYPE_CHECKING:
    from vadist.questions.spread import Asked

TRIED = 4
"""Parts that are tried at half their tolerance."""

_BOARDS = 256
_LEAST_SHARE = 0.05


@dataclass(frozen=True)
class Tightening:
    """A part at half its tolerance.

    Attributes
    ----------
    part : str
    before, after : str
        Tolerances.
    figure : Figure
        The one that gains most.
    narrower : float
        Its standard deviation over what it was; below 1.
    passed : Yield or None
        Of the limits whose figures were measured again.
    passed_before : Yield or None
        Of the same boards with the part as it was.
    """

    part: str
    before: str
    after: str
    figure: Figure
    narrower: float
    passed: Yield | None
    passed_before: Yield | None


def tightenings(
    design: Design,
    varied: Sequence[Variation],
    figures: Sequence[Figure],
    limits: Sequence[Limit],
    x: FloatArray,
    table: Table,
    by_part: FloatArray,
    asked: "Asked",
) -> list[Tightening]:
    """Try the parts that cause most of the variance at half their tolerance.

    Parameters
    ----------
    x : (boards, varied)
    table : Table
        Of the boards at these points.
    by_part : (figures, varied)
        Share of each figure's variance.

    Returns
    -------
    list of Tightening
        What raises the yield most first, or narrows a figure most.
    """
    limited = [f for f in figures if any(limit.figure == f for limit in limits)] or list(figures)
    rows = [list(figures).index(f) for f in limited]
    weight = by_part[rows].max(axis=0)
    sold = [k for k, v in enumerate(varied) if v.tolerance and weight[k] >= _LEAST_SHARE]
    chosen = sorted(sold, key=lambda k: -weight[k])[:TRIED]
    judged = [limit for limit in limits if limit.figure in limited]
    few = x[:_BOARDS]
    first = Table(table.figures, table.values[: len(few)], {}, table.boards[: len(few)])
    found = []
    for k in chosen:
        tight = few.copy()
        tight[:, k] *= 0.5
        again = measure_population(
            boards_at(design, varied, tight), limited, threads=asked.threads, cluster=asked.cluster
        )
        if len(again) < len(few):
            raise KeyboardInterrupt
        ratios = [
            float(np.nanstd(again.column(f))) / max(float(np.nanstd(first.column(f))), 1e-300)
            for f in limited
        ]
        best = int(np.argmin(ratios))
        found.append(
            Tightening(
                varied[k].part, varied[k].shown, write_tolerance(varied[k].tolerance / 2.0),
                limited[best], ratios[best],
                yield_of(boards_within(again, judged)) if judged else None,
                yield_of(boards_within(first, judged)) if judged else None,
            )
        )  # fmt: skip
    return sorted(found, key=lambda t: (-(t.passed.share if t.passed else 0.0), t.narrower))
