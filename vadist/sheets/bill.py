"""The bill of materials: what to buy, grouped by value, and what each part must bear."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from vadist.designs.design import Design
from vadist.questions.tolerances import ELECTROLYTIC_F, variations
from vadist.sheets.board import DIODES, POTS, BoardPart
from vadist.sheets.ratings import capacitor_rating_v, resistor_rating_w, watts_text
from vadist.sheets.stress import Stress

KINDS = (
    "resistor", "capacitor", "inductor", "pot", "switch", "diode", "Zener diode", "transistor",
    "JFET", "MOSFET", "op-amp",
)  # fmt: skip
"""Kinds in the order of the bill; what is none of these comes last."""

_WORDS = {"rheostat": "pot", "diodes": "diode", "opamp": "op-amp", "jfet": "JFET",
          "mosfet": "MOSFET", "zener": "Zener diode"}  # fmt: skip


@dataclass(frozen=True)
class Item:
    """A line of the bill.

    Attributes
    ----------
    count : int
        Pieces to buy.
    kind, value : str
    tolerance : float
        As a ratio; 0 for what has none.
    rating : str
        Volts or watts it is sold with, at least; empty for what has none.
    bears : str
        What it bears in a hot chord.
    paths : tuple of str
        Parts that it is bought for.
    note : str
    """

    count: int
    kind: str
    value: str
    tolerance: float
    rating: str
    bears: str
    paths: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True)
class Rated:
    """A part with what it bears.

    Attributes
    ----------
    part : BoardPart
    stress : Stress or None
        None where nothing was told of it: it carries nothing.
    rating : str
    bears : str
    polarity : str
        Of an electrolytic capacitor: node of its plus.
    reverses : bool
        Whether the volts across an electrolytic capacitor change their sign by more than
        :data:`REVERSE_V`.
    tolerance : float
    """

    part: BoardPart
    stress: Stress | None
    rating: str
    bears: str
    polarity: str = ""
    reverses: bool = False
    tolerance: float = 0.0


REVERSE_V = 0.5
"""What an aluminium electrolytic capacitor stands in reverse (common practice, no published
source)."""


def is_electrolytic(part: BoardPart) -> bool:
    """Whether so large a capacitor is taken to be an electrolytic one."""
    return part.kind == "capacitor" and bool(part.value >= ELECTROLYTIC_F)


def rated(design: Design, parts: list[BoardPart], found: Mapping[str, Stress]) -> list[Rated]:
    """Each part with the rating it needs and the tolerance it has.

    Parameters
    ----------
    design : Design
    parts : list of BoardPart
    found : mapping of element -> Stress
        As :func:`vadist.sheets.stress.stresses` gives it.
    """
    tolerances = {v.part: v.tolerance for v in variations(design)}
    return [
        replace(_rated(part, found, design.supply.volts), tolerance=tolerances.get(part.path, 0.0))
        for part in parts
    ]


def _rated(part: BoardPart, found: Mapping[str, Stress], supply_v: float) -> Rated:
    halves = [found.get(f"{part.path}.{half}") for half in ("upper", "lower")]
    own = [s for s in (found.get(part.path), *halves) if s is not None]
    stress = None
    if own:
        watts = sum(s.watts for s in own)
        stress = Stress(min(s.low_v for s in own), max(s.high_v for s in own), watts)
    if part.kind == "capacitor":
        volts = capacitor_rating_v(stress, supply_v)
        rating = f"{volts:g} V" if math.isfinite(volts) else "more than is sold"
        bears = "" if stress is None else f"{stress.largest_v:.2f} V"
        polarity, reverses = "", False
        if is_electrolytic(part) and stress is not None:
            up = abs(stress.high_v) >= abs(stress.low_v)
            polarity = part.terminals[0 if up else 1][1]
            reverses = (-stress.low_v if up else stress.high_v) > REVERSE_V
        return Rated(part, stress, rating, bears, polarity, reverses)
    if part.kind == "resistor" or part.kind in POTS:
        watts = resistor_rating_w(stress)
        rating = watts_text(watts) if math.isfinite(watts) else "more than is sold"
        return Rated(part, stress, rating, "" if stress is None else _watts(stress.watts))
    return Rated(part, stress, "", "")


def _watts(watts: float) -> str:
    for unit, size in (("W", 1.0), ("mW", 1e-3), ("µW", 1e-6)):
        if watts >= 0.9995 * size:
            return f"{watts / size:.3g} {unit}"
    return "next to nothing"


def bill_of_materials(held: list[Rated]) -> list[Item]:
    """Group parts that are bought alike.

    Parameters
    ----------
    held : list of Rated

    Returns
    -------
    list of Item
        By kind, then from small to large or by type.

    Examples
    --------
    >>> from vadist import load_design
    >>> from vadist.sheets.board import board_parts
    >>> design = load_design("led_clipper")
    >>> bill = bill_of_materials(rated(design, board_parts(design), {}))
    >>> [(i.count, i.kind, i.value) for i in bill if i.kind == "diode"]
    [(2, 'diode', 'red LED')]
    """
    groups: dict[tuple[str, str, float, str, str], list[tuple[Rated, int]]] = {}
    for each in held:
        part = each.part
        kind = _WORDS.get(part.kind, part.kind)
        for text, count in part.pieces:
            key = (kind, text, each.tolerance, each.rating, _note(each))
            groups.setdefault(key, []).append((each, count))
    items = []
    for (kind, text, tolerance, rating, note), members in groups.items():
        worst = max((each for each, _ in members), key=_worst)
        count = sum(pieces for _, pieces in members)
        paths = tuple(each.part.path for each, _ in members)
        items.append(Item(count, kind, text, tolerance, rating, worst.bears, paths, note))
    sizes = {_text_key(each): _size(each.part) for each in held}
    return sorted(items, key=lambda i: (_order(i.kind), sizes.get((i.kind, i.value), 0.0), i.value))


def _text_key(each: Rated) -> tuple[str, str]:
    return _WORDS.get(each.part.kind, each.part.kind), each.part.text


def _size(part: BoardPart) -> float:
    if part.kind in POTS:
        return float(part.value.resistance)
    return float(part.value) if isinstance(part.value, int | float) else 0.0


def _worst(each: Rated) -> float:
    if each.stress is None:
        return 0.0
    return each.stress.largest_v if each.part.kind == "capacitor" else each.stress.watts


def _order(kind: str) -> int:
    return KINDS.index(kind) if kind in KINDS else len(KINDS)


def _note(each: Rated) -> str:
    part = each.part
    if each.reverses:
        return "its volts change sign: film, or bipolar"
    if is_electrolytic(part):
        return "electrolytic: mind its polarity" if each.polarity else "electrolytic"
    if part.kind == "opamp":
        return "amplifiers; a package holds one, two or four"
    if part.kind in DIODES:
        strings = [s for s in (part.value.forward, part.value.reverse) if s is not None]
        if any(s.count > 1 or s.parallel > 1 for s in strings):
            return "strings of several: see the drawing"
    return ""
