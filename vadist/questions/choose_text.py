"""A choice of values as text."""

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from vadist.audition.layout import lay_out, wrap_notes
from vadist.audition.names import changes_text, value_text
from vadist.questions.choose import Choice, Option, Reach
from vadist.questions.choose_search import ALIKE
from vadist.questions.wishes import slacks_between

_MOVED = 5  # figures told besides those that were wished for
_LEAST_MOVED = 1.0  # slack

AS_IS, MISSED = "as it is", "*"


def choice_text(choice: Choice, width: int) -> str:
    """Write a choice in lines of so many letters."""
    lines = [choice.design.name, *wrap_notes([_searched(choice)], width), ""]
    lines += lay_out(_table(choice), width)
    lines += ["", *wrap_notes(list(_notes(choice)), width)]
    return "\n".join(lines)


def _searched(choice: Choice) -> str:
    """How the choices were found, and how sure it is that there are no better ones."""
    search, parts = choice.search, _many(len(choice.lists), "part")
    met = (
        "none meets every wish"
        if not choice.met
        else (f"{choice.met:,} meet{'s' if choice.met == 1 else ''} every wish")
    )
    unsolved = (
        f" {_many(choice.unsolved, 'combination')} had no operating point."
        if choice.unsolved
        else ""
    )
    if search.interrupted:
        return (
            f"Interrupted: {choice.measured:,} of {search.combinations:,} combinations of {parts} "
            f"were measured, of which {met}.{unsolved}"
        )
    if search.exhaustive:
        return (
            f"All {search.combinations:,} combinations of {parts} were measured: {met}.{unsolved}"
        )
    return (
        f"{search.combinations:,} combinations of {parts} are too many to measure all: "
        f"{search.seeds} seeded searches (differential evolution, then steps downhill) measured "
        f"{choice.measured:,}, of which {met}. {search.agreeing} of {search.seeds} ended "
        f"within {ALIKE:g} slack of the best: {_sureness(search.agreeing, search.seeds)}.{unsolved}"
    )


def _sureness(agreeing: int, seeds: int) -> str:
    if agreeing == seeds:
        return "better ones are unlikely"
    if 2 * agreeing > seeds:
        return "better ones are possible, not likely"
    return "better ones may well be there; vary fewer parts, or take a coarser --series"


def _many(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def _table(choice: Choice) -> list[list[str]]:
    """Choices side by side: their values, what was wished, what else moves."""
    options = (choice.as_is, *choice.options)
    rows = [["", AS_IS, *(str(k) for k in range(1, len(options)))]]
    for k, each in enumerate(choice.lists):
        held = value_text(choice.design, each.path)
        rows.append([each.path, held, *(o.changes[k][1] for o in choice.options)])
    for k, wish in enumerate(choice.wishes):
        cells = []
        for option in options:
            missed = MISSED if wish.told_off(option.wished[k]) else ""
            cells.append(wish.figure.show(option.wished[k]) + missed)
        rows.append([str(wish), *cells])
    for k in _moved(choice):
        show = choice.others[k].show
        rows.append([f"also: {choice.others[k]}", *(show(o.others[k]) for o in options)])
    return rows


def _moved(choice: Choice) -> list[int]:
    """Which of the other figures the choices move most, the most moved first."""
    if not choice.options or not choice.others:
        return []
    before = np.array(choice.as_is.others)
    after = np.array([o.others for o in choice.options])
    moved = [
        float(np.max(slacks_between(f, before[k], after[:, k])))
        for k, f in enumerate(choice.others)
    ]
    order = sorted(range(len(moved)), key=lambda k: -moved[k])
    wished = [str(w.figure) for w in choice.wishes]
    told = [k for k in order if moved[k] > _LEAST_MOVED and str(choice.others[k]) not in wished]
    return told[:_MOVED]


def _notes(choice: Choice) -> Iterator[str]:
    found = "" if choice.search.exhaustive else " that was found"
    for reach in choice.out_of_reach:
        yield (
            f"Out of reach: {reach.wish}. The nearest{found} is {_near(reach)}, with "
            f"{changes_text(reach.changes)}."
        )
    told = choice.search.interrupted or choice.out_of_reach or choice.conflicts
    if not choice.met and not told:
        yield "Each wish can be met, and each two of them, but not all together."
    for reach in choice.conflicts:
        if reach.given is not None:
            yield (
                f"Conflict: with {reach.given} met, the nearest to {reach.wish}{found} is "
                f"{_near(reach)}, with {changes_text(reach.changes)}."
            )
        else:
            yield (
                f"Give and take: {reach.wish} by itself would come to "
                f"{reach.wish.figure.show(reach.value)}, with {changes_text(reach.changes)}."
            )
    if not choice.met:
        yield "The choices above are compromises: the sum of what is missed, in slacks, is least."
    if not any(wish.way == 0 for wish in choice.wishes):
        return
    yield (
        f"{MISSED} misses the wish. A wish is met within 5 % of an amount or of volts, 0.5 dB, or "
        "what stood behind +-; that is one slack."
    )


def _near(reach: Reach) -> str:
    off = reach.wish.told_off(reach.value)
    return reach.wish.figure.show(reach.value) + (f" ({off})" if off else "")


def as_json(choice: Choice) -> dict[str, Any]:
    """Return a choice as plain data for :mod:`json`; what is not there is null."""
    search = choice.search

    def plain(value: float) -> float | None:
        return value if math.isfinite(value) else None

    def option(each: Option) -> dict[str, Any]:
        return {
            "values": dict(each.changes),
            "met": each.met,
            "wished": {str(w): plain(v) for w, v in zip(choice.wishes, each.wished, strict=True)},
            "others": {str(f): plain(v) for f, v in zip(choice.others, each.others, strict=True)},
        }

    def reach(each: Reach) -> dict[str, Any]:
        given = None if each.given is None else str(each.given)
        return {"wish": str(each.wish), "nearest": plain(each.value), "given": given,
                "values": dict(each.changes)}  # fmt: skip

    return {
        "design": choice.design.name,
        "combinations": search.combinations,
        "exhaustive": search.exhaustive,
        "interrupted": search.interrupted,
        "searches": search.seeds,
        "agreeing": search.agreeing,
        "measured": choice.measured,
        "unsolved": choice.unsolved,
        "met": choice.met,
        "as_is": option(choice.as_is),
        "choices": [option(each) for each in choice.options],
        "out_of_reach": [reach(each) for each in choice.out_of_reach],
        "conflicts": [reach(each) for each in choice.conflicts],
    }
