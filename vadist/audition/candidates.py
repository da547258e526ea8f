"""Candidates: a design with values changed, named by what was changed.

``clipper.shunt_capacitor=4n7,10n`` makes two candidates, each with one value changed; several such
texts add up, or combine to every combination. ``clipper.diodes=*`` stands for all types of the
library, ``clipper.shunt_capacitor=0.5x..2x:7`` for a range. A part named without values takes its
neighbours in a series of preferred numbers. Whole other designs can join.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from vadist.designs.design import Design
from vadist.designs.trials import Trial, count_of, read_trial
from vadist.errors import DesignError, UsageError

MOST_CANDIDATES = 64
"""More than anybody compares by ear; it also bounds the memory."""

_MOST_AROUND = 16


@dataclass(frozen=True)
class Candidate:
    """A design to be compared.

    Attributes
    ----------
    name : str
        What was changed, ``clipper.shunt_capacitor=4n7``, or the name of another design.
    design : Design
    changes : tuple of (path, text)
        Changes against the reference; empty for another design.
    """

    name: str
    design: Design
    changes: tuple[tuple[str, str], ...] = ()


def make_candidates(
    design: Design,
    trials: Sequence[str] = (),
    others: Sequence[Design] = (),
    *,
    e_series: str | None = None,
    around: int = 1,
    combine: bool = False,
) -> list[Candidate]:
    """Turn texts into candidates.

    Parameters
    ----------
    design : Design
        The reference.
    trials : sequence of str
        ``path=v1,v2,...``, ``path=*`` for all types of the library, ``path=0.5x..2x:7`` for a
        range, or a ``path`` alone for its neighbours in ``e_series``; see
        :mod:`vadist.designs.trials`.
    others : sequence of Design
        Whole designs, taken as they are.
    e_series : str, optional
        ``E3`` to ``E192``.
    around : int
        Neighbours below and above, 1..16.
    combine : bool
        Every combination of the trials' values instead of one change at a time.

    Returns
    -------
    list of Candidate
        1 to 64, in the order given.

    Raises
    ------
    DesignError
        One line for each path that is unknown or value that has no sense there.
    UsageError
        For no candidates or too many.

    Examples
    --------
    >>> from vadist import load_design
    >>> design = load_design("boosted_hard_clipper")
    >>> [c.name for c in make_candidates(design, ["tone=0,1"])]
    ['tone=0', 'tone=1']
    >>> [c.name for c in make_candidates(design, ["clipper.shunt_capacitor"], e_series="E6")]
    ['clipper.shunt_capacitor=10n', 'clipper.shunt_capacitor=22n']
    """
    _check_around(around)
    least = [count_of(text, around) for text in trials]
    _check_count(_count(least, len(others), combine=combine), some=bool(trials or others))
    parsed: list[Trial] = []
    faults: list[str] = []
    for text in trials:
        try:
            parsed.append(read_trial(design, text, e_series, around))
        except DesignError as error:
            faults.append(str(error))
    if faults:
        raise DesignError("\n".join(faults))
    count = _count([len(t.values) for t in parsed], len(others), combine=combine)
    _check_count(count, some=bool(count))
    candidates, seen = [], set()
    for changes in _changes(parsed, combine=combine):
        changed, texts = design, []
        for path, text, value in changes:
            changed = changed.with_value(path, value)
            texts.append((path, text))
        name = ", ".join(f"{path}={text}" for path, text in texts)
        if name in seen:
            raise UsageError(f"{name}: is to be tried twice; name each value once")
        seen.add(name)
        candidates.append(Candidate(name, changed, tuple(texts)))
    for other in others:
        candidates.append(Candidate(_unused(other.name, seen), other))
    return candidates


def check_candidates(candidates: Sequence[Candidate]) -> None:
    """Refuse none, too many, or two of one name.

    Raises
    ------
    UsageError
    """
    _check_count(len(candidates), some=bool(candidates))
    names = [candidate.name for candidate in candidates]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"{name}: two candidates have this name; name them apart")


def _count(counts: Sequence[int], others: int, *, combine: bool) -> int:
    """Number of candidates that so many values of each trial make."""
    return (math.prod(counts) if combine and counts else sum(counts)) + others


def _check_count(count: int, *, some: bool) -> None:
    if not some or count == 0:
        raise UsageError(
            "nothing to compare: name values to try, like clipper.shunt_capacitor=4n7,10n, "
            "or another design"
        )
    if count > MOST_CANDIDATES:
        raise UsageError(
            f"too many candidates: at most {MOST_CANDIDATES} (got {count}); try fewer values"
        )


def _check_around(around: int) -> None:
    if not 1 <= around <= _MOST_AROUND:
        raise UsageError(f"neighbours each way must be within 1..{_MOST_AROUND} (got {around})")


def _changes(
    trials: Sequence[Trial], *, combine: bool
) -> Iterator[tuple[tuple[str, str, Any], ...]]:
    """Changes of each candidate: (path, text, value), one or one of each trial."""
    lists = [
        [(t.path, text, value) for text, value in zip(t.texts, t.values, strict=True)]
        for t in trials
    ]
    if combine and lists:
        _refuse_repeated([trial.path for trial in trials])
        yield from itertools.product(*lists)
    else:
        for changes in lists:
            yield from ((change,) for change in changes)


def _refuse_repeated(paths: Sequence[str]) -> None:
    for path in paths:
        if paths.count(path) > 1:
            raise UsageError(f"{path}: cannot be combined with itself; list its values once")


def _unused(name: str, seen: set[str]) -> str:
    """Name of another design, numbered if a candidate has it already."""
    number, free = 2, name
    while free in seen:
        free, number = f"{name} ({number})", number + 1
    seen.add(free)
    return free
