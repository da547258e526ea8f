"""Knobs that are turned and switches that are thrown during a take: which, when, how far.

A knob goes from point to point evenly in rotation, and rests before the first point and behind the
last; a switch stands at each point's position until the next. The circuit is at rest as the take
begins, where its knobs and switches stand then.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from vadist.designs.contacts import BYPASS, IN, OUT
from vadist.designs.design import Design
from vadist.designs.values import number
from vadist.designs.words import shown
from vadist.errors import DesignError, UsageError
from vadist.names import nearest, printable

_NAME = re.compile(r"(?!nan$|inf$)[A-Za-z_][\w-]*", re.IGNORECASE)

MOST_S = 24 * 3600.0
"""Latest time of a point."""


@dataclass(frozen=True)
class Move:
    """One knob's or switch's way through a take.

    Attributes
    ----------
    control : str
        A control; a switch of a wiring list, as ``stage.switch``; or ``bypass``.
    points : tuple of (seconds, position)
        Seconds of the take, rising; a rotation 0..1, or the name of a switch's position.

    Examples
    --------
    >>> Move("drive", ((0.0, 0.2), (2.0, 0.9))).text
    'drive=0.2@0s,0.9@2s'
    """

    control: str
    points: tuple[tuple[float, float | str], ...]

    def __post_init__(self) -> None:
        if not self.points:
            raise UsageError(f"move of {self.control}: needs a point at least, as 0.2@0s")
        last_s = -1.0
        for seconds, position in self.points:
            turns = not isinstance(position, str)
            if turns != self.turns:
                raise UsageError(
                    f"move of {self.control}: a knob's positions are numbers, a switch's are names "
                    f"(got {self.points[0][1]}, then {position})"
                )
            if not isinstance(position, str) and not 0.0 <= position <= 1.0:
                raise UsageError(
                    f"move of {self.control}: position must be within 0..1 (got {position:g})"
                )
            if not 0.0 <= seconds <= MOST_S:
                raise UsageError(
                    f"move of {self.control}: time must be within 0..{MOST_S:g} s "
                    f"(got {seconds:g} s)"
                )
            if seconds <= last_s:
                raise UsageError(
                    f"move of {self.control}: times must rise (got {last_s:g} s, "
                    f"then {seconds:g} s)"
                )
            last_s = seconds

    @property
    def turns(self) -> bool:
        """Whether it is a knob's."""
        return not isinstance(self.points[0][1], str)

    @property
    def still(self) -> bool:
        """Whether it goes nowhere."""
        return len({position for _, position in self.points}) == 1

    @property
    def text(self) -> str:
        """As ``--move`` takes it."""
        points = (
            f"{position if isinstance(position, str) else _number(position)}@{_number(at)}s"
            for at, position in self.points
        )
        return f"{self.control}={','.join(points)}"


def parse_move(text: str) -> Move:
    """Read ``drive=0.2@0s,0.9@2s``.

    Raises
    ------
    UsageError

    Examples
    --------
    >>> parse_move("tone=10%@500ms, 1@2s").points
    ((0.5, 0.1), (2.0, 1.0))
    """
    control, equals, rest = text.partition("=")
    control = control.strip()
    if not equals or not control:
        raise UsageError(f"a move must be like drive=0.2@0s,0.9@2s (got {shown(text)})")
    return Move(control, tuple(parse_point(control, word) for word in rest.split(",")))


def parse_switch(text: str) -> Move:
    """Read ``bypass@1.5s`` or ``bypass@1.5s,3s``: it changes over at each time.

    Raises
    ------
    UsageError

    Examples
    --------
    >>> parse_switch("bypass@1.5s,3s").text
    'bypass=in@0s,out@1.5s,in@3s'
    """
    name, at, rest = text.partition("@")
    name = name.strip()
    if not at or not name:
        raise UsageError(f"a switch must be like bypass@1.5s (got {shown(text)})")
    if name != BYPASS:
        raise UsageError(
            f"switch {name}: {BYPASS} alone changes over; other switches are thrown by a move, as "
            f"stage.switch=up@0s,down@1.5s"
        )
    times = [seconds_of(BYPASS, word) for word in rest.split(",")]
    points = [(0.0, IN)] if times[0] > 0.0 else []
    points += [(at_s, (OUT, IN)[k % 2]) for k, at_s in enumerate(times)]
    return Move(BYPASS, tuple(points))


def parse_point(control: str, text: str) -> tuple[float, float | str]:
    """Seconds and position of ``0.2@0s``."""
    position, at, seconds = text.partition("@")
    if not at:
        raise UsageError(f"move of {control}: a point must be like 0.2@1.5s (got {shown(text)})")
    return seconds_of(control, seconds), position_of(control, position)


def seconds_of(control: str, text: str | int | float) -> float:
    """A time in a take: ``1.5s``, ``250ms``, or a number of seconds."""
    try:
        return number(text.strip() if isinstance(text, str) else text, "s")
    except DesignError as error:
        raise UsageError(f"move of {control}: time {error}") from None


def position_of(control: str, text: str | int | float) -> float | str:
    """A rotation, ``0.2`` or ``20%``, or the name of a switch's position."""
    if isinstance(text, str) and _NAME.fullmatch(text.strip()):
        return text.strip()
    try:
        return number(text.strip() if isinstance(text, str) else text, "")
    except DesignError as error:
        raise UsageError(f"move of {control}: position {error}") from None


def _number(value: float) -> str:
    """A number in as few digits as tell it."""
    return repr(value).removesuffix(".0")


def check_moves(moves: Sequence[Move]) -> None:
    """Refuse two moves of one knob.

    Raises
    ------
    UsageError
    """
    seen: set[str] = set()
    for move in moves:
        if move.control in seen:
            raise UsageError(f"move of {move.control}: is given twice; join its points in one")
        seen.add(move.control)


def at_start(design: Design, moves: Sequence[Move]) -> Design:
    """A design with its knobs and switches where they stand as the take begins.

    Raises
    ------
    UsageError
        If it has not one of them, or not such a position.
    """
    check_moves(moves)
    for move in moves:
        name, positions = move.control, [position for _, position in move.points]
        if name == BYPASS and name not in design.controls:
            known: Sequence[str] = (IN, OUT)
        elif name in design.controls:
            known = ()
        elif "." in name and design.field_info(name).kind == "choice":
            known = design.field_info(name).choices
        else:
            has = ", ".join(design.controls) or "none"
            near = nearest(name, design.controls) or f" (it has {has})"
            raise UsageError(f"move of {printable(name)}: {design.name} has no such control{near}")
        for position in positions:
            if not known and isinstance(position, str):
                raise UsageError(f"move of {name}: position must be a number (got {position!r})")
            if known and position not in known:
                raise UsageError(
                    f"move of {name}: position must be {' or '.join(known)} (got {position})"
                )
        if not known or name != BYPASS:
            design = design.with_value(name, positions[0])
    return design
