"""What a batch of boards does: spread, causes, yield, worst cases, what to buy tighter."""

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from vadist.analysis.chain_response import solve_design
from vadist.analysis.resting import resting_stages
from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.errors import UsageError
from vadist.names import whole
from vadist.population.boards import Boards
from vadist.population.figure_names import Figure, parse_figure
from vadist.population.measure import CPU, measure
from vadist.population.sound import Hearing
from vadist.population.table import Table
from vadist.population.work import measure_population
from vadist.questions.hearing import band_figures
from vadist.questions.limits import Limit, Yield, boards_within, yield_of
from vadist.questions.sampling import DISTRIBUTIONS, boards_at, moments, points
from vadist.questions.tightening import Tightening, tightenings
from vadist.questions.tolerances import Variation
from vadist.questions.variance import Shares, fit_curves, variance_shares
from vadist.questions.worst_case import WorstCase, worst_cases

BOARDS = 1024
"""Boards drawn unless a number is asked for; a power of two, as Sobol' points like it."""

FEWEST = 32

PERCENTILES = (5.0, 50.0, 95.0)

_VARIANCE_POINTS = 64
_LEAST_SHARE, _MOST_SINGLES = 0.02, 12
# A part that causes less of every figure's variance is one of "all others".

_SLOW = ("THD", "level", "1 % level", "noise", "input noise")
# Figures of which a board takes a tenth of a second and more: told of the drawn boards alone.


@dataclass(frozen=True)
class Asked:
    """How boards are to be drawn and measured.

    Attributes
    ----------
    boards : int
    distribution : str
        ``normal`` or ``uniform``, see :mod:`vadist.questions.sampling`.
    seed : int
    threads : int or None
    cluster : str, distributed.Client or None
    hearing : Hearing or None
        The take, for figures of sound.
    device : str
        What hears it: ``cpu`` or ``gpu``.
    """

    boards: int = BOARDS
    distribution: str = DISTRIBUTIONS[0]
    seed: int = 0
    threads: int | None = None
    cluster: Any = None
    hearing: Hearing | None = None
    device: str = CPU

    def __post_init__(self) -> None:
        if whole("boards", self.boards, 1_000_000) < FEWEST:
            raise UsageError(f"boards must be at least {FEWEST} (got {self.boards})")
        if self.distribution not in DISTRIBUTIONS:
            raise UsageError(
                f"distribution must be {' or '.join(DISTRIBUTIONS)} (got {self.distribution!r})"
            )


@dataclass(frozen=True)
class Causes:
    """Who causes the variance.

    Attributes
    ----------
    figures : tuple of Figure
        Those that every board had.
    names : tuple of str
        Of the groups; the last is ``all others``, if there are any.
    shares : Shares
    """

    figures: tuple[Figure, ...]
    names: tuple[str, ...]
    shares: Shares


@dataclass(frozen=True)
class Spread:
    """What :func:`spread` finds.

    Attributes
    ----------
    design : Design
    varied : tuple of Variation
    asked : Asked
    points : (boards, varied)
        Where the boards lie, -1 to 1.
    table : Table
        Figures of the boards drawn.
    nominal : (figures,)
        Of the design as it stands.
    limits : tuple of Limit
    passed : Yield or None
        Boards that keep every limit.
    causes : Causes or None
    worst : tuple of WorstCase
    tighter : tuple of Tightening
        What to buy tighter, what helps most first.
    complete : bool
        Whether all was done; False after an interrupt.
    corners : Table
        Of the design as it stands at the ends of each range of supply and temperature.
    bands_db : (boards, bands)
        Third octaves of each board's take, where there is one.
    """

    design: Design
    varied: tuple[Variation, ...]
    asked: Asked
    points: FloatArray
    table: Table
    nominal: FloatArray
    limits: tuple[Limit, ...] = ()
    passed: Yield | None = None
    causes: Causes | None = None
    worst: tuple[WorstCase, ...] = ()
    tighter: tuple[Tightening, ...] = ()
    complete: bool = True
    corners: Table = field(default_factory=lambda: Table.joined((), {}))
    bands_db: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))

    @property
    def boards(self) -> Boards:
        """The boards drawn."""
        return boards_at(self.design, self.varied, self.points)

    def percentiles(self) -> FloatArray:
        """:data:`PERCENTILES` of every figure, (3, figures); NaN of one that no board has."""
        found = np.full((len(PERCENTILES), len(self.table.figures)), np.nan)
        for k, column in enumerate(self.table.values.T):
            there = column[~np.isnan(column)]
            if len(there):
                found[:, k] = np.percentile(there, PERCENTILES, method="closest_observation")
        return found


def spread_figures(design: Design) -> list[Figure]:
    """What is told unless something else is asked for.

    Gain, corners and supply current of the whole, and where each block rests that drives its
    output from a rail.

    Examples
    --------
    >>> from vadist import load_design
    >>> [str(figure) for figure in spread_figures(load_design("treble_boost"))][:3]
    ['gain at 1kHz', 'bass cut', 'treble cut']
    """
    names = ["gain at 1kHz", "bass cut", "treble cut", "supply current"]
    resting = resting_stages(solve_design(design))
    names += [f"{stage} rest" for stage, rest in resting.items() if rest.limits_v is not None]
    return [parse_figure(name, design) for name in names]


def spread(
    design: Design,
    figures: Sequence[Figure],
    varied: Sequence[Variation],
    limits: Sequence[Limit] = (),
    asked: Asked | None = None,
    progress: Callable[[float], None] = lambda done: None,
) -> Spread:
    """Draw boards, measure them and tell what they do.

    Parameters
    ----------
    design : Design
    figures : sequence of Figure
    varied : sequence of Variation
        See :func:`vadist.questions.tolerances.variations`.
    limits : sequence of Limit
        Their figures are measured, too.
    asked : Asked, optional
    progress : function of the fraction done

    Returns
    -------
    Spread
        Interrupted (Ctrl-C), of the boards that were finished.

    Raises
    ------
    DesignError, ConvergenceError
        If the design itself cannot be solved.
    UsageError
        If nothing varies, or figures of sound are asked for without a take.
    """
    asked = asked or Asked()
    if not varied:
        raise UsageError("nothing varies: every tolerance is 0 and no range is given")
    wanted = list(dict.fromkeys([*figures, *(limit.figure for limit in limits)]))
    nominal = measure([design], wanted, asked.hearing)
    if nominal.faults:
        solve_design(design)  # raises what is wrong with it
    x = points(varied, asked.boards, asked.distribution, asked.seed)
    heard = [] if asked.hearing is None else band_figures(asked.hearing.sample_rate_hz)
    everything = measure_population(
        boards_at(design, varied, x), [*wanted, *heard], hearing=asked.hearing,
        threads=asked.threads, cluster=asked.cluster, device=asked.device,
        progress=lambda done: progress(0.4 * done),
    )  # fmt: skip
    table = dataclasses.replace(
        everything, figures=tuple(wanted), values=everything.values[:, : len(wanted)]
    )
    complete = len(table) == asked.boards
    held = {
        "design": design, "varied": tuple(varied), "asked": asked, "limits": tuple(limits),
        "bands_db": everything.values[:, len(wanted) :],
        "points": x[table.boards], "table": table, "nominal": nominal.values[0],
        "passed": yield_of(boards_within(table, limits)) if limits and len(table) else None,
    }  # fmt: skip
    if not complete:
        return Spread(**held, complete=False)
    quick = [f for f in wanted if f.kind not in _SLOW and not f.is_sound]
    told = [f for f in quick if np.isfinite(table.column(f)).all() and np.ptp(table.column(f)) > 0]
    try:
        return Spread(**held, **_explained(design, told, varied, limits, asked, x, table, progress))
    except KeyboardInterrupt:
        return Spread(**held, complete=False)


def _explained(
    design: Design,
    told: list[Figure],
    varied: Sequence[Variation],
    limits: Sequence[Limit],
    asked: Asked,
    x: FloatArray,
    table: Table,
    progress: Callable[[float], None],
) -> dict[str, Any]:
    """Causes, worst cases and what to buy tighter."""
    if not told:
        return {}

    def at(where: FloatArray) -> Table:
        found = measure_population(
            boards_at(design, varied, where), told, threads=asked.threads, cluster=asked.cluster
        )
        if len(found) < len(where):
            raise KeyboardInterrupt
        return found

    y = np.stack([table.column(figure) for figure in told], axis=1)
    law = moments(varied, asked.distribution)
    by_part = fit_curves(x, y, law).variances(law)
    by_part = by_part / np.maximum(by_part.sum(axis=1, keepdims=True), 1e-300)
    groups, names = _groups(varied, by_part)
    others = points(varied, min(_VARIANCE_POINTS, len(x)), asked.distribution, asked.seed + 1)
    shares = variance_shares(
        lambda where: _whole(at(where).values, y), x, y, others, law, groups, asked.seed
    )
    progress(0.6)
    worst = worst_cases(lambda where: at(where).values, fit_curves(x, y, law).slopes, told)
    progress(0.8)
    tighter = tightenings(design, varied, told, limits, x, table, by_part, asked)
    progress(1.0)
    return {
        "causes": Causes(tuple(told), tuple(names), shares), "worst": tuple(worst),
        "tighter": tuple(tighter), "corners": _condition_corners(design, varied, told),
    }  # fmt: skip


def _whole(found: FloatArray, y: FloatArray) -> FloatArray:
    """Values of boards, the mean of all standing in for what a board does not have."""
    return np.where(np.isfinite(found), found, y.mean(axis=0))


def _groups(varied: Sequence[Variation], by_part: FloatArray) -> tuple[list[list[int]], list[str]]:
    """Parts that matter, each a group; the rest together."""
    largest = by_part.max(axis=0)
    order = np.argsort(-largest, kind="stable")[:_MOST_SINGLES]
    singles = [int(k) for k in order if largest[k] >= _LEAST_SHARE]
    rest = [k for k in range(len(varied)) if k not in singles]
    names = [varied[k].name for k in singles] + (["all others"] if rest else [])
    return [[k] for k in singles] + ([rest] if rest else []), names


def _condition_corners(
    design: Design, varied: Sequence[Variation], told: Sequence[Figure]
) -> Table:
    """The design as it stands at the ends of each range of supply and temperature."""
    ranges = [k for k, v in enumerate(varied) if v.span is not None]
    if not ranges:
        return Table.joined(told, {})
    ends = [-1.0, 1.0]
    corners = np.array(np.meshgrid(*([ends] * len(ranges)), indexing="ij"))
    where = corners.reshape(len(ranges), -1).T
    return measure(boards_at(design, [varied[k] for k in ranges], where), told)
