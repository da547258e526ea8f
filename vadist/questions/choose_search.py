"""The least of a score over lists of values: all combinations, or a search that doubts itself.

References
----------
R. Storn, K. Price, Differential evolution, J. Global Optimization 11, 1997, as
:func:`scipy.optimize.differential_evolution` has it, with whole numbers as variables.
"""

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from vadist.arrays import FloatArray

Place: TypeAlias = tuple[int, ...]
"""Which value of each list: indices from 0."""

Score = Callable[[Sequence[Place]], FloatArray]
"""Scores of places, smaller is better; every one finite."""

SEEDS = 5
"""Independent searches; how many agree tells how sure the result is."""

ALIKE = 0.1
"""Scores that count as one result."""

_PEOPLE = 12  # of a generation for each variable, as many as scipy's default of 15, rounded down
_LEAST_PEOPLE = 24
_GENERATIONS = 60
BATCH = 256
"""Places scored together unless told otherwise."""

_MOVES = (-2, -1, 1, 2)


@dataclass(frozen=True)
class Search:
    """How the least was looked for.

    Attributes
    ----------
    best : Place
    score : float
    combinations : int
        All there are.
    exhaustive : bool
        Whether all were looked at.
    agreeing, seeds : int
        Searches that ended at a score within :data:`ALIKE` of the best, of how many.
    interrupted : bool
        Whether it was stopped before it was done.
    """

    best: Place
    score: float
    combinations: int
    exhaustive: bool
    agreeing: int = 1
    seeds: int = 1
    interrupted: bool = False


def search(
    sizes: Sequence[int],
    score: Score,
    most: int,
    *,
    seeds: int = SEEDS,
    batch: int = BATCH,
    progress: Callable[[float], None] = lambda done: None,
) -> Search:
    """Find the place of least score.

    Parameters
    ----------
    sizes : sequence of int
        Number of values of each list, at least 1.
    score : function
        Called with batches; the searcher asks for a place as often as it meets it, so keep scores.
    most : int
        Combinations up to which all are looked at.
    seeds : int
        Searches otherwise, numbered from 0: the same sizes and scores give the same result.
    batch : int
        Places that are scored together where all are looked at.
    progress : function of 0..1

    Returns
    -------
    Search

    Examples
    --------
    >>> bowl = lambda places: np.array([(a - 3) ** 2 + (b - 1) ** 2 for a, b in places], float)
    >>> search([9, 9], bowl, 81).best, search([9, 9], bowl, 10).best
    ((3, 1), (3, 1))
    """
    combinations = math.prod(sizes)
    if combinations <= most:
        best, least, done = tuple(0 for _ in sizes), math.inf, 0
        for places in _batches(itertools.product(*(range(n) for n in sizes)), batch):
            scores = score(places)
            k = int(np.argmin(scores))
            if scores[k] < least:
                best, least = places[k], float(scores[k])
            done += len(places)
            progress(done / combinations)
        return Search(best, least, combinations, exhaustive=True)
    ends = []
    for seed in range(seeds):
        ends.append(_settled(_evolved(sizes, score, seed), sizes, score))
        progress((seed + 1) / seeds)
    least = min(value for _, value in ends)
    best = min(place for place, value in ends if value == least)
    agreeing = sum(value <= least + ALIKE for _, value in ends)
    return Search(best, least, combinations, exhaustive=False, agreeing=agreeing, seeds=seeds)


def _batches(places: Iterator[Place], size: int) -> Iterator[list[Place]]:
    while batch := list(itertools.islice(places, size)):
        yield batch


def _evolved(sizes: Sequence[int], score: Score, seed: int) -> Place:
    """End of one search; lists of a single value are no variables."""
    from scipy.optimize import differential_evolution

    free = [k for k, n in enumerate(sizes) if n > 1]

    def places(numbers: FloatArray) -> list[Place]:
        found = np.zeros((numbers.shape[1], len(sizes)), dtype=int)
        found[:, free] = np.rint(numbers).T.astype(int)
        return [tuple(row) for row in found.tolist()]

    people = max(_LEAST_PEOPLE, _PEOPLE * len(free))
    result = differential_evolution(
        lambda numbers: score(places(numbers)),
        bounds=[(0, sizes[k] - 1) for k in free],
        integrality=[True] * len(free),
        vectorized=True,
        updating="deferred",
        polish=False,
        # Parts act together, so a mutant is taken over nearly whole, and from anywhere. Of 100
        # random dividers of 15 625 combinations one search found the best in 98; with scipy's
        # defaults, which start from the best so far, in 67.
        strategy="rand1bin",
        recombination=0.9,
        init=_spread_out(people, [sizes[k] for k in free], seed),
        maxiter=_GENERATIONS,
        tol=0.0,
        atol=1e-12,  # ends when all people are alike
        rng=np.random.default_rng(seed),
    )
    return places(result.x[:, None])[0]


def _spread_out(people: int, sizes: Sequence[int], seed: int) -> FloatArray:
    """First generation: every value of each list as often as any other, in random order."""
    random = np.random.default_rng([seed, 1])
    columns = [random.permutation(np.linspace(0, n - 1, people)) for n in sizes]
    return np.asarray(np.rint(np.array(columns).T))


def _settled(place: Place, sizes: Sequence[int], score: Score) -> tuple[Place, float]:
    """Walk downhill by single and double moves of one or two values until none helps."""
    least = float(score([place])[0])
    while True:
        around = list(_neighbours(place, sizes))
        scores = score(around)
        k = int(np.argmin(scores)) if around else 0
        if not around or not scores[k] < least:
            return place, least
        place, least = around[k], float(scores[k])


def _neighbours(place: Place, sizes: Sequence[int]) -> Iterator[Place]:
    for count in (1, 2):
        for which in itertools.combinations(range(len(sizes)), count):
            for steps in itertools.product(_MOVES, repeat=count):
                moved = list(place)
                for k, step in zip(which, steps, strict=True):
                    moved[k] += step
                if all(0 <= moved[k] < sizes[k] for k in which):
                    yield tuple(moved)
