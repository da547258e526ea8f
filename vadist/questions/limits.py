"""Limits that a board must keep: a figure and a range, ``boost.output rest 4V..5V``."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.errors import UsageError
from vadist.population.figure_names import Figure, split_figure
from vadist.population.table import Table


@dataclass(frozen=True)
class Limit:
    """A range that a figure must lie in.

    Attributes
    ----------
    figure : Figure
    least, most : float
        In the figure's unit; infinite where that end is open.
    """

    figure: Figure
    least: float
    most: float

    def kept(self, values: FloatArray) -> np.ndarray:
        """Whether each value lies within; one that is not there does not, (boards,) bool."""
        return np.asarray((values >= self.least) & (values <= self.most))

    def __str__(self) -> str:
        ends = ["" if math.isinf(v) else self.figure.show(v) for v in (self.least, self.most)]
        return f"{self.figure} {ends[0]}..{ends[1]}"


def read_limit(text: str, design: Design) -> Limit:
    """Read a limit.

    Parameters
    ----------
    text : str
        A figure and a range; one end may be open, as in ``gain at 1kHz 20dB..``.
    design : Design

    Raises
    ------
    UsageError

    Examples
    --------
    >>> from vadist import load_design
    >>> limit = read_limit("boost rest 4V..5V", load_design("treble_boost"))
    >>> limit.least, limit.most
    (4.0, 5.0)
    """
    figure, span = split_figure(text, design)
    return Limit(figure, *read_range(span, figure))


def read_range(text: str, figure: Figure) -> tuple[float, float]:
    """Read a range of a figure's values, ``4V..5V``, ``..10Hz`` or ``20dB..``.

    Raises
    ------
    UsageError
    """
    low, dots, high = text.partition("..")
    if not dots or not (low.strip() or high.strip()):
        raise UsageError(f"{figure}: needs a range, like 4V..5V, 20dB.. or ..80Hz (got {text!r})")
    least = figure.read(low.strip()) if low.strip() else -math.inf
    most = figure.read(high.strip()) if high.strip() else math.inf
    if not least <= most:
        raise UsageError(f"{figure}: a range goes from less to more (got {text!r})")
    return least, most


def boards_within(table: Table, limits: Sequence[Limit]) -> np.ndarray:
    """Whether each board keeps every limit, (boards,) bool."""
    kept = np.ones(len(table), dtype=bool)
    for limit in limits:
        kept &= limit.kept(table.column(limit.figure))
    return kept


@dataclass(frozen=True)
class Yield:
    """Share of boards that keep every limit, with a 95 % interval."""

    share: float
    low: float
    high: float


def yield_of(kept: np.ndarray) -> Yield:
    """Share of boards that pass.

    References
    ----------
    E. B. Wilson, Journal of the American Statistical Association 22, 1927 (score interval; from
    memory, not located). It counts boards as drawn at random; quasi-random ones scatter less.

    Examples
    --------
    >>> found = yield_of(np.array([True] * 90 + [False] * 10))
    >>> round(found.share, 2), round(found.low, 3), round(found.high, 3)
    (0.9, 0.826, 0.945)
    """
    n, p, z = len(kept), float(np.mean(kept)), 1.96
    centre = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return Yield(p, centre - half, centre + half)
