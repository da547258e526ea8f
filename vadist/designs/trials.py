"""Values to try at one place of a design: ``path=v1,v2,...``, a range, or all types there are.

=========================  ======================================================================
``tone=0,0.5,1``           values as ``--set`` takes them
``gain.opamp=*``           every other type of the library that can stand there
``gain.leg_capacitor=0.5x..2x:7``  so many values from one end to the other, even by ratio; ends
                           are shares of the value held, or values: ``4n7..22n:5``, ``tone=0..1:5``
``gain.leg_capacitor``     its neighbours in a series of preferred numbers
=========================  ======================================================================
"""

import dataclasses
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from vadist.designs.library_types import library_types
from vadist.designs.settings import parse_value
from vadist.designs.values import typed_value
from vadist.designs.words import shown
from vadist.errors import DesignError
from vadist.quantities import nearest_preferred, neighbours, write_quantity
from vadist.stages.stage import Pot

if TYPE_CHECKING:
    from vadist.designs.design import Design

EVERY_TYPE = "*"
"""What stands for all types of the library."""

MOST_IN_RANGE = 1000
"""Values of one range; a larger count is a slip of the keyboard."""

_RANGE = re.compile(r"(?P<low>[^{}:]+?)\.\.(?P<high>[^{}:]+)(?::(?P<count>.*))?")
_DIGITS = 3  # of a value between preferred ones
_SAME = 1e-9  # ratio within which a part already has a preferred value


@dataclass(frozen=True)
class Trial:
    """One path with the values to try, as texts that ``--set`` takes and as the design holds them.

    Attributes
    ----------
    path : str
    texts : tuple of str
    values : tuple of object
    """

    path: str
    texts: tuple[str, ...]
    values: tuple[Any, ...]


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


def read_trial(
    design: "Design",
    text: str,
    e_series: str | None = None,
    around: int = 1,
    *,
    held: bool = False,
) -> Trial:
    """Read what is to be tried at one place.

    Parameters
    ----------
    design : Design
    text : str
        See the module.
    e_series : str, optional
        ``E3`` to ``E192``, for a path alone; a range of a part keeps to it as well.
    around : int
        Neighbours below and above of a path alone.
    held : bool
        Whether a range or all types take in the value that is there now.

    Raises
    ------
    DesignError
        For a path that is unknown or a value that has no sense there.

    Examples
    --------
    >>> from vadist import load_design
    >>> design = load_design("boosted_hard_clipper")
    >>> read_trial(design, "clipper.shunt_capacitor=0.5x..2x:3").texts
    ('7n5', '30n')
    >>> read_trial(design, "tone=0..1:3", held=True).texts
    ('0', '0.5', '1')
    """
    path, equals, listed = text.partition("=")
    path = path.strip()
    if not equals:
        return neighbouring_values(design, path, e_series, around)
    pieces = split_values(listed)
    design.field_info(path)
    if "" in pieces:
        raise DesignError(f"{path} value {pieces.index('') + 1} of {len(pieces)} is empty")
    texts, values = [], []
    for piece in pieces:
        for told, value in _values(design, path, piece, e_series, held=held):
            texts.append(told)
            values.append(value)
    for value in values:  # the place that finds a value without physical sense
        design.with_value(path, value).positioned()
    return Trial(path, tuple(texts), tuple(values))


def count_of(text: str, around: int) -> int:
    """Return how many values a text has at least, told before anything is made of them.

    >>> [count_of(t, 2) for t in ("tone=0,0.5", "tone=0..1:9", "gain.opamp=*", "clipper.diodes")]
    [2, 9, 1, 4]
    """
    _, equals, listed = text.partition("=")
    if not equals:
        return 2 * around
    ranges = (_RANGE.fullmatch(piece) for piece in split_values(listed))
    counts = (r["count"] or "" if r else "" for r in ranges)
    return sum(int(count) if count.isdecimal() and len(count) < 10 else 1 for count in counts)


def neighbouring_values(design: "Design", path: str, e_series: str | None, around: int) -> Trial:
    """Take a part's neighbours in a series of preferred numbers, the value it has left out."""
    info = design.field_info(path)
    if e_series is None:
        raise DesignError(f"{path} needs values to try, like {path}=..., or a series such as E12")
    held = design.value(path)
    if info.kind != "part" or not held:
        reason = "is left out" if info.kind == "part" else "is no resistor, capacitor or inductor"
        raise DesignError(f"{path} {reason}, so it has no neighbours in {e_series}")
    ladder = neighbours(held, e_series, around)
    values = tuple(v for v in ladder if not math.isclose(v, held, rel_tol=_SAME))
    return Trial(path, tuple(typed_value(info, v) for v in values), values)


def _values(
    design: "Design", path: str, piece: str, e_series: str | None, *, held: bool
) -> list[tuple[str, Any]]:
    """Texts and values of one piece of a list."""
    if piece == EVERY_TYPE:
        return _types(design, path, held=held)
    info = design.field_info(path)
    matched = _RANGE.fullmatch(piece)
    if matched and info.kind in ("part", "number", "pot", "position", "temperature"):
        return _range(design, path, matched, e_series, held=held)
    return [(piece, parse_value(design, path, piece))]


def _types(design: "Design", path: str, *, held: bool) -> list[tuple[str, Any]]:
    info, now = design.field_info(path), design.value(path)
    others = [v for v in library_types(design, path).values() if held or v != now]
    if not others:
        raise DesignError(f"{path}: the library has no other type that fits there")
    return [(typed_value(info, v), v) for v in others]


def _range(
    design: "Design", path: str, matched: re.Match[str], e_series: str | None, *, held: bool
) -> list[tuple[str, Any]]:
    info, now = design.field_info(path), design.value(path)
    count = _count(path, matched["count"])
    low, high = (_end(design, path, matched[name].strip()) for name in ("low", "high"))
    if not low < high:
        raise DesignError(f"{path} must run from the smaller to the larger (got {matched[0]})")
    even_by_ratio = info.kind not in ("position", "temperature") and low > 0.0
    steps = np.geomspace(low, high, count) if even_by_ratio else np.linspace(low, high, count)
    if e_series is not None and info.kind == "part":
        numbers = [nearest_preferred(step, e_series) for step in steps]
    else:
        numbers = [float(f"{step:.{_DIGITS}g}") for step in steps]
    kept = [
        n
        for n in dict.fromkeys(numbers)
        if held or not math.isclose(n, _number(now), rel_tol=_SAME)
    ]
    values = [dataclasses.replace(now, resistance=n) if info.kind == "pot" else n for n in kept]
    return [(write_quantity(n, info.unit), v) for n, v in zip(kept, values, strict=True)]


def _count(path: str, text: str | None) -> int:
    if text is None or not text.isdecimal() or not 2 <= int(text[:9]) <= MOST_IN_RANGE:
        given = "none" if text is None else shown(text)
        raise DesignError(
            f"{path}: a range needs a count of values within 2..{MOST_IN_RANGE} behind a colon, "
            f"like 0.5x..2x:7 (got {given})"
        )
    return int(text)


def _end(design: "Design", path: str, text: str) -> float:
    """One end of a range: a value, or a share of the one held."""
    info = design.field_info(path)
    if not text.endswith("x"):
        return _number(parse_value(design, path, text))
    held = _number(design.value(path))
    try:
        share = float(text[:-1])
    except ValueError:
        share = math.nan
    if info.kind not in ("part", "number", "pot"):
        raise DesignError(f"{path} is told by its own values, like 0..1:5 (got {shown(text)})")
    if not held > 0.0:
        raise DesignError(f"{path} is left out or zero, so it has no share {text}; give values")
    if not 0.0 < share < math.inf:
        raise DesignError(f"{path}: a share must be above 0, like 0.5x (got {shown(text)})")
    return share * held


def _number(value: Any) -> float:
    """Value of a part, a track or a knob as a number; 0 for what is left out."""
    if isinstance(value, Pot):
        return value.resistance
    return 0.0 if value is None else float(value)
