"""Candidates: a design with values changed, named by what was changed.

``clipper.shunt_capacitor=4n7,10n`` makes two candidates, each with one value changed; several such
texts add up, or combine to every combination. A part named without values takes its neighbours in
a series of preferred numbers. Whole other designs can join.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from vadist.designs.design import Design
from vadist.designs.files import parse_value
from vadist.errors import DesignError, UsageError
from vadist.quantities import neighbours, write_quantity

MOST_CANDIDATES = 64
"""More than anybody compares by ear; it also bounds the memory."""

_MOST_AROUND = 16
_SAME = 1e-9  # ratio within which a part already has a preferred value


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


@dataclass(frozen=True)
class _Trial:
    """One path with the values to try, as texts and as the design holds them."""

    path: str
    texts: tuple[str, ...]
    values: tuple[Any, ...]


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
        ``path=v1,v2,...``, or a ``path`` alone for its neighbours in ``e_series``.
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
    _check_count(_count(trials, len(others), around, combine=combine), some=bool(trials or others))
    parsed: list[_Trial] = []
    faults: list[str] = []
    for text in trials:
        try:
            parsed.append(_parse_trial(design, text, e_series, around))
        except DesignError as error:
            faults.append(str(error))
    if faults:
        raise DesignError("\n".join(faults))
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
    _check_count(len(candidates), some=True)
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


def split_values(text: str) -> list[str]:
    """Split at the commas that stand outside braces and quotes.

    Examples
    --------
    >>> split_values('1N4148, {type = "1N4148", count = 2},red LED')
    ['1N4148', '{type = "1N4148", count = 2}', 'red LED']
    """
    pieces, depth, quoted, start = [], 0, "", 0
    for position, letter in enumerate(text):
        if quoted:
            quoted = "" if letter == quoted else quoted
        elif letter in "\"'":
            quoted = letter
        elif letter in "{[":
            depth += 1
        elif letter in "}]":
            depth -= 1
        elif letter == "," and depth <= 0:
            pieces.append(text[start:position].strip())
            start = position + 1
    return [*pieces, text[start:].strip()]


def _count(trials: Sequence[str], others: int, around: int, *, combine: bool) -> int:
    """Number of candidates to come, told before anything is made of them."""
    counts = [
        len(split_values(text.partition("=")[2])) if "=" in text else 2 * around for text in trials
    ]
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


def _parse_trial(design: Design, text: str, e_series: str | None, around: int) -> _Trial:
    path, equals, listed = text.partition("=")
    path = path.strip()
    if not equals:
        return _neighbours(design, path, e_series, around)
    texts = tuple(split_values(listed))
    design.field_info(path)
    if "" in texts:
        raise DesignError(f"{path} value {texts.index('') + 1} of {len(texts)} is empty")
    values = tuple(parse_value(design, path, value) for value in texts)
    for value in values:  # the place that finds a value without physical sense
        design.with_value(path, value).positioned()
    return _Trial(path, texts, values)


def _neighbours(design: Design, path: str, e_series: str | None, around: int) -> _Trial:
    info = design.field_info(path)
    if e_series is None:
        raise DesignError(f"{path} needs values to try, like {path}=..., or a series such as E12")
    held = design.value(path)
    if info.kind != "part" or not held:
        reason = "is left out" if info.kind == "part" else "is no resistor, capacitor or inductor"
        raise DesignError(f"{path} {reason}, so it has no neighbours in {e_series}")
    ladder = neighbours(held, e_series, around)
    values = tuple(v for v in ladder if not math.isclose(v, held, rel_tol=_SAME))
    return _Trial(path, tuple(write_quantity(v, info.unit) for v in values), values)


def _changes(
    trials: Sequence[_Trial], *, combine: bool
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
