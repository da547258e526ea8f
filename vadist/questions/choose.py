"""Values of parts that give a design the figures that are wanted of it."""

import dataclasses
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from vadist.arrays import BoolArray, FloatArray
from vadist.designs.design import Design
from vadist.designs.trials import Trial
from vadist.errors import UsageError
from vadist.population.figure_names import Figure
from vadist.population.measure import CPU, GPU, measure
from vadist.population.sound import Hearing
from vadist.population.work import CARD_PIECE
from vadist.questions.choose_search import BATCH, SEEDS, Place, Search, search
from vadist.questions.choose_values import changes_of, with_place
from vadist.questions.measured_places import MeasuredPlaces
from vadist.questions.wishes import Wish

MOST = 10_000
"""Combinations up to which all are measured unless told otherwise."""

TOP = 3
"""Choices that are told unless told otherwise."""

_MISSED = 1e6  # slacks added where some wish is not met
_FINE = 1e-3  # what decides between choices that are alike otherwise

Changes: TypeAlias = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Option:
    """Values for the parts that may vary.

    Attributes
    ----------
    changes : tuple of (path, text)
        As ``--set`` takes them.
    design : Design
    wished : tuple of float
        What each wish asks about.
    met : bool
        Whether every wish is met.
    others : tuple of float
        What else was measured, see :class:`Choice`.
    """

    changes: Changes
    design: Design
    wished: tuple[float, ...]
    met: bool
    others: tuple[float, ...]


@dataclass(frozen=True)
class Reach:
    """How near a wish can be met.

    Attributes
    ----------
    wish : Wish
    value : float
        The best that was met with.
    changes : tuple of (path, text)
        With which values.
    given : Wish or None
        Another wish that is met there; None where nothing else is asked for.
    """

    wish: Wish
    value: float
    changes: Changes
    given: Wish | None = None


@dataclass(frozen=True)
class Choice:
    """What a choice of values came to.

    Attributes
    ----------
    design : Design
        As it was given.
    wishes : tuple of Wish
    lists : tuple of Trial
        What the choice was made among.
    others : tuple of Figure
        What else was measured.
    as_is, options : Option, tuple of Option
        The design as it was, and the best choices, best first.
    search : Search
    measured, unsolved, met : int
        Combinations measured, how many of them have no operating point, and how many meet every
        wish.
    out_of_reach : tuple of Reach
        Wishes that no combination met, and the nearest they came.
    conflicts : tuple of Reach
        Of two wishes that were met alone and never together: each one's best while the other is
        met. Of two aspirations: each one's best where it costs the other something.
    """

    design: Design
    wishes: tuple[Wish, ...]
    lists: tuple[Trial, ...]
    others: tuple[Figure, ...]
    as_is: Option
    options: tuple[Option, ...]
    search: Search
    measured: int
    unsolved: int
    met: int
    out_of_reach: tuple[Reach, ...]
    conflicts: tuple[Reach, ...]


def scores(wishes: Sequence[Wish], columns: FloatArray) -> FloatArray:
    """Rank: what misses the wishes by the least, then what costs least, then what lies nearest.

    Parameters
    ----------
    wishes : sequence of Wish
    columns : (designs, wishes)
        Their figures.

    Returns
    -------
    (designs,)
        In slacks, smaller is better. Where a wish is missed, above all that meet every one: by the
        sum of what each is missed by, so that no wish is given up for less of another. Else by
        aspirations, all counted alike, and by the root of the squared distances from the targets.
    """
    pairs = list(zip(wishes, np.asarray(columns).T, strict=True))
    off = np.array([wish.off(values) for wish, values in pairs])
    near = np.sqrt(sum(wish.distance(values) ** 2 for wish, values in pairs))
    price = np.asarray(sum(wish.price(values) for wish, values in pairs))
    aspired = any(wish.way for wish in wishes)
    met = price + _FINE * near if aspired else near
    missed = off.sum(axis=0)
    return np.where(missed > 0.0, _MISSED + missed + _FINE * near, met)


def choose(
    design: Design,
    wishes: Sequence[Wish],
    lists: Sequence[Trial],
    *,
    others: Sequence[Figure] = (),
    most: int = MOST,
    top: int = TOP,
    seeds: int = SEEDS,
    threads: int | None = None,
    hearing: Hearing | None = None,
    device: str = CPU,
    progress: Callable[[float], None] = lambda done: None,
) -> Choice:
    """Choose values.

    Parameters
    ----------
    design : Design
    wishes : sequence of Wish
        At least one.
    lists : sequence of Trial
        Values of each part that may vary, see
        :func:`~vadist.questions.choose_values.read_lists`.
    others : sequence of Figure
        What else to measure of the design as it is and of the choices.
    most : int
        Combinations up to which all are measured; beyond, :func:`search` looks for the best.
    top : int
        Choices to tell.
    seeds : int
        Independent searches.
    threads : int, optional
        All cores by default.
    hearing : Hearing, optional
        A take and what it is to be held against, for wishes of sound.
    device : str
        What hears it: ``cpu`` or ``gpu``.
    progress : function of 0..1

    Returns
    -------
    Choice
        Interrupted (Ctrl-C), the best of what was measured until then.

    Raises
    ------
    UsageError
        Without a wish, or for a wish of sound without a take.
    """
    if not wishes:
        raise UsageError('say what is wanted, like "boost bass cut = 80Hz"')
    for wish in wishes:
        if wish.figure.is_sound and hearing is None:
            raise UsageError(f"{wish.figure} is heard: it needs a take")
    figures = [wish.figure for wish in wishes]
    places = MeasuredPlaces(design, lists, figures, threads, hearing, device)
    batch = CARD_PIECE * 8 if device == GPU else BATCH
    sizes = [len(each.values) for each in lists]

    def looked_for(of: Sequence[int], count: int) -> Search:
        """Search for the best of some of the wishes."""
        some = [wishes[k] for k in of]
        return search(
            sizes, lambda batch: scores(some, places(batch)[:, of]), most, seeds=count,
            batch=batch, progress=progress,
        )  # fmt: skip

    out_of_reach: tuple[Reach, ...] = ()
    conflicts: tuple[Reach, ...] = ()
    searched = None
    try:
        searched = looked_for(range(len(wishes)), seeds)
        again = (lambda of: None) if searched.exhaustive else (lambda of: looked_for(of, 1))
        out_of_reach, conflicts = _reaches(wishes, lists, places, again)
    except KeyboardInterrupt:
        if not len(places):
            raise
        searched = searched and dataclasses.replace(searched, interrupted=True)
    found = _found(wishes, lists, places)
    ranks = scores(wishes, found.columns)
    order = np.argsort(ranks, kind="stable")
    if searched is None:
        first = int(order[0])
        searched = Search(
            found.ranked[first], float(ranks[first]), math.prod(sizes), exhaustive=False,
            agreeing=0, seeds=0, interrupted=True,
        )  # fmt: skip
    best = [found.ranked[k] for k in order[:top]]
    chosen = [with_place(design, lists, place) for place in best]
    other_columns = _measured([design, *chosen], others)
    as_wished = _measured([design], figures, hearing)[0]

    def option(changes: Changes, what: Design, wished: FloatArray, row: int) -> Option:
        met = all(float(w.off(v)) == 0.0 for w, v in zip(wishes, wished, strict=True))
        return Option(changes, what, tuple(wished.tolist()), met, tuple(other_columns[row]))

    return Choice(
        design,
        tuple(wishes),
        tuple(lists),
        tuple(others),
        option((), design, as_wished, 0),
        tuple(
            option(changes_of(lists, place), what, places([place])[0], row)
            for row, (place, what) in enumerate(zip(best, chosen, strict=True), start=1)
        ),
        searched,
        len(found.ranked),
        places.unsolved,
        int(found.met(range(len(wishes))).sum()),
        out_of_reach,
        conflicts,
    )


def _measured(
    designs: Sequence[Design], figures: Sequence[Figure], hearing: Hearing | None = None
) -> FloatArray:
    if not figures:
        return np.zeros((len(designs), 0))
    return measure(designs, figures, hearing).values


@dataclass(frozen=True)
class _Found:
    """What was measured so far, and how far it is from each wish."""

    wishes: Sequence[Wish]
    lists: Sequence[Trial]
    ranked: list[Place]
    columns: FloatArray
    off: FloatArray

    def met(self, of: Sequence[int]) -> BoolArray:
        """Which places meet some of the wishes, (places,)."""
        return np.asarray((self.off[list(of)] == 0.0).all(axis=0))

    def best(self, k: int, among: BoolArray, given: Wish | None = None) -> Reach:
        """Nearest that one wish is met, among some of the places."""
        rows = np.flatnonzero(among)
        row = int(rows[np.argmin(scores([self.wishes[k]], self.columns[rows][:, [k]]))])
        changes = changes_of(self.lists, self.ranked[row])
        return Reach(self.wishes[k], float(self.columns[row, k]), changes, given)


def _found(wishes: Sequence[Wish], lists: Sequence[Trial], places: MeasuredPlaces) -> _Found:
    ranked, columns = places.every()
    off = np.array([w.off(c) for w, c in zip(wishes, columns.T, strict=True)])
    return _Found(wishes, lists, ranked, columns, off)


def _reaches(
    wishes: Sequence[Wish],
    lists: Sequence[Trial],
    places: MeasuredPlaces,
    looked_for: Callable[[Sequence[int]], object],
) -> tuple[tuple[Reach, ...], tuple[Reach, ...]]:
    """Find wishes that are out of reach, and pairs of which only one can be met.

    Where not all places were measured, each is looked for by itself before it is called so.
    """
    everyone = range(len(wishes))
    found = _found(wishes, lists, places)
    if found.met(everyone).any():
        return (), _pulling_apart(found)
    for k in everyone:
        if not found.met([k]).any():
            looked_for([k])
    found = _found(wishes, lists, places)
    away = [k for k in everyone if not found.met([k]).any()]
    bound = [k for k in everyone if k not in away and not wishes[k].way]
    apart: list[Reach] = []
    for pair in itertools.combinations(bound, 2):
        if not found.met(pair).any():
            looked_for(pair)
            found = _found(wishes, lists, places)
        if not found.met(pair).any():
            for given, k in (pair, pair[::-1]):
                apart.append(found.best(k, found.met([given]), wishes[given]))
    everywhere = np.ones(len(found.ranked), dtype=bool)
    return tuple(found.best(k, everywhere) for k in away), tuple(apart)


def _pulling_apart(found: _Found) -> tuple[Reach, ...]:
    """Aspirations that the best choice gives something of up for others."""
    every = found.met(range(len(found.wishes)))
    first = int(np.argmin(scores(found.wishes, found.columns)))
    apart = []
    for k, wish in enumerate(found.wishes):
        price = wish.price(found.columns[:, k])
        if wish.way and float(price[first] - price[every].min()) > 1.0:
            apart.append(found.best(k, every))
    return tuple(apart)
