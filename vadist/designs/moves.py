"""Knobs that are turned during a take: which, when, how far, and the resistors that follow.

A knob goes from point to point evenly in rotation, and rests before the first point and behind the
last. The circuit is at rest as the take begins, where its knobs stand then.
"""

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.circuits.network import Network
from vadist.designs.design import Design
from vadist.designs.values import number
from vadist.designs.words import shown
from vadist.errors import DesignError, UsageError
from vadist.names import nearest, printable
from vadist.stepping.moving import Course

END_OHM = 0.01
"""What a turned pot keeps at the ends of its track: ten times what counts as a wire, for a wire
makes one node of two. Tracks have ohms there."""

MOST_S = 24 * 3600.0
"""Latest time of a point."""


@dataclass(frozen=True)
class Move:
    """One knob's way through a take.

    Attributes
    ----------
    control : str
    points : tuple of (seconds, rotation)
        Seconds of the take, rising; rotation 0..1.

    Examples
    --------
    >>> Move("drive", ((0.0, 0.2), (2.0, 0.9))).text
    'drive=0.2@0s,0.9@2s'
    """

    control: str
    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        if not self.points:
            raise UsageError(f"move of {self.control}: needs a point at least, as 0.2@0s")
        last_s = -1.0
        for seconds, position in self.points:
            if not (math.isfinite(position) and 0.0 <= position <= 1.0):
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
    def still(self) -> bool:
        """Whether it goes nowhere."""
        return len({position for _, position in self.points}) == 1

    @property
    def text(self) -> str:
        """As ``--move`` takes it."""
        points = (f"{_number(position)}@{_number(at)}s" for at, position in self.points)
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


def parse_point(control: str, text: str) -> tuple[float, float]:
    """Seconds and rotation of ``0.2@0s``."""
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


def position_of(control: str, text: str | int | float) -> float:
    """A rotation: ``0.2``, ``20%``."""
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
    """A design with its knobs where they stand as the take begins.

    Raises
    ------
    UsageError
        If it has not one of them.
    """
    check_moves(moves)
    for move in moves:
        if move.control not in design.controls:
            has = ", ".join(design.controls) or "none"
            near = nearest(move.control, design.controls) or f" (it has {has})"
            raise UsageError(
                f"move of {printable(move.control)}: {design.name} has no such control{near}"
            )
        design = design.with_value(move.control, move.points[0][1])
    return design


@dataclass(frozen=True)
class Turned:
    """A design whose knobs are turned.

    Attributes
    ----------
    design : Design
        With its knobs as the take begins.
    network : Network
    course : Course or None
        None if nothing turns.
    """

    design: Design
    network: Network
    course: Course | None


def turned(design: Design, moves: Sequence[Move], sample_rate_hz: float) -> Turned:
    """A design with moves, at the start of a take.

    Parameters
    ----------
    design : Design
    moves : sequence of Move
        Points fall on the nearest frame.
    sample_rate_hz : float
        Of the take.

    Raises
    ------
    UsageError
        If it has no such control.
    DesignError
        If a stage makes something of a pot that is not two resistors.
    """
    design = at_start(design, moves)
    ways = {move.control: _way(move, sample_rate_hz) for move in moves if not move.still}
    if not ways:
        return Turned(design, design.network(), None)
    wired = _Wired(design, list(ways))
    parts, lines = wired.resistors()

    def fractions(frame: float, after: bool) -> dict[str, float]:
        found = {}
        for name, way in ways.items():
            control = dataclasses.replace(design.controls[name], position=way(frame, after))
            for place in control.moves:
                found[place.removeprefix("-")] = control.wiper(place)
        return wired.inside(found)

    def ohm_at(frame: float, after: bool) -> FloatArray:
        held = fractions(frame, after)
        return np.array([at + slope * held[path] for path, at, slope in lines])

    breaks = tuple(sorted({int(frame) for way in ways.values() for frame in way.frames}))
    bends = tuple(sorted({frame for way in ways.values() for frame in way.halfway()}))
    course = Course(parts, breaks, bends, ohm_at, sample_rate_hz)
    return Turned(design, wired.network(fractions(breaks[0], False)), course)


@dataclass(frozen=True)
class _Way:
    """A move over the frames of a take."""

    frames: IndexArray
    positions: FloatArray

    def halfway(self) -> Iterator[float]:
        """Where it passes half rotation, at which tapers bend."""
        for k in np.flatnonzero(np.diff(self.frames)):
            low, high = self.positions[k : k + 2] - 0.5
            if low * high < 0.0:
                begin, end = self.frames[k : k + 2]
                yield float(begin - low * (end - begin) / (high - low))

    def __call__(self, frame: float, after: bool) -> float:
        """Rotation at a frame; before or after it, where two points fall on one."""
        k = int(np.searchsorted(self.frames, frame, side="right" if after else "left"))
        if k == 0 or k == len(self.frames):
            return float(self.positions[min(k, len(self.frames) - 1)])
        begin, end = self.frames[k - 1], self.frames[k]
        before, behind = self.positions[k - 1], self.positions[k]
        return float(before + (behind - before) * ((frame - begin) / (end - begin)))


def _way(move: Move, sample_rate_hz: float) -> _Way:
    seconds, positions = np.array(move.points).T
    return _Way(np.rint(seconds * sample_rate_hz).astype(int), positions)


class _Wired:
    """A design wired with some of its pots anywhere, and never at the very end of their track."""

    def __init__(self, design: Design, controls: Sequence[str]) -> None:
        turning = [design.controls[name] for name in controls]
        self.paths = [place.removeprefix("-") for c in turning for place in c.moves]
        kept = {name: c for name, c in design.controls.items() if name not in controls}
        self._design = dataclasses.replace(design, controls=kept)
        self._ends = {p: min(END_OHM / design.value(p).resistance, 0.5) for p in self.paths}

    def inside(self, fractions: Mapping[str, float]) -> dict[str, float]:
        """Wiper fractions without the ends of the tracks."""
        return {p: min(max(f, self._ends[p]), 1.0 - self._ends[p]) for p, f in fractions.items()}

    def network(self, fractions: Mapping[str, float]) -> Network:
        """The network with its wipers there."""
        design = self._design
        for path, fraction in fractions.items():
            pot = dataclasses.replace(design.value(path), wiper=fraction)
            design = design.with_value(path, pot)
        return design.network()

    def resistors(self) -> tuple[tuple[str, ...], list[tuple[str, float, float]]]:
        """Resistors that follow the pots; for each its pot, ohms at zero and ohms for the track.

        Raises
        ------
        DesignError
            If something else follows, or not along a line.
        """
        middle = dict.fromkeys(self.paths, 0.5)
        found: dict[str, tuple[str, float, float]] = {}
        for path in self.paths:
            low, half, high = (self.network({**middle, path: f}) for f in (0.25, 0.5, 0.75))
            others = [(n.capacitors, n.inductors, n.devices) for n in (low, half, high)]
            steady = others[0] == others[1] == others[2]
            for a, b, c in zip(low.resistors, half.resistors, high.resistors, strict=True):
                if a.value == c.value == b.value:
                    continue
                steady &= abs(a.value + c.value - 2.0 * b.value) <= 1e-9 * abs(b.value)
                slope = 2.0 * (c.value - a.value)
                steady &= a.part not in found
                found[a.part] = (path, a.value - 0.25 * slope, slope)
            if not steady:
                raise DesignError(
                    f"{path} cannot be turned during a take: its stage makes more of it than "
                    "resistors that grow with the wiper"
                )
        return tuple(found), list(found.values())
