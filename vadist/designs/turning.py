"""A design whose knobs are turned and whose switches are thrown: its network, and what moves."""

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.circuits.network import CLOSED_OHM, OPEN_OHM, Network
from vadist.designs.contacts import BYPASS, OUT, Bypass, Contacts
from vadist.designs.design import Design
from vadist.designs.moves import Move, at_start
from vadist.errors import DesignError, UsageError
from vadist.stepping.moving import Course

END_OHM = 0.01
"""What a turned pot keeps at the ends of its track: ten times what counts as a wire, for a wire
makes one node of two. Tracks have ohms there."""


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


def turned(
    design: Design, moves: Sequence[Move], sample_rate_hz: float, bypass: Bypass | None = None
) -> Turned:
    """A design with moves, at the start of a take.

    Parameters
    ----------
    design : Design
    moves : sequence of Move
        Points fall on the nearest frame.
    sample_rate_hz : float
        Of the take.
    bypass : Bypass, optional
        How it is bypassed, where that is moved.

    Raises
    ------
    UsageError
        If it has no such control or switch.
    DesignError
        If a stage makes something of a pot that is not two resistors.
    """
    design = at_start(design, moves)
    knobs = {m.control: _knob(m, sample_rate_hz) for m in moves if m.turns and not m.still}
    throws = {m.control: _throw(m, sample_rate_hz) for m in moves if not m.turns and not m.still}
    apart = Contacts(frozenset(throws) - {BYPASS})
    bypassed = [m for m in moves if m.control == BYPASS and not m.turns]
    if bypassed and (BYPASS in throws or bypassed[0].points[0][1] == OUT):
        position = str(bypassed[0].points[0][1])
        apart = dataclasses.replace(apart, bypass=bypass or Bypass(), position=position)
    if not knobs and not throws:
        return Turned(design, design.network(apart), None)
    wired = _Wired(design, list(knobs), apart)
    lines = wired.resistors()

    def fractions(frame: float, after: bool) -> dict[str, float]:
        found = {}
        for name, way in knobs.items():
            control = dataclasses.replace(design.controls[name], position=way(frame, after))
            for place in control.moves:
                found[place.removeprefix("-")] = control.wiper(place)
        return wired.inside(found)

    frames = [*(k.frames for k in knobs.values()), *(t.frames for t in throws.values())]
    breaks = tuple(sorted({int(frame) for each in frames for frame in each}))
    network = wired.network(fractions(breaks[0], False))
    there = {resistor.part for resistor in network.resistors}
    contacts = {
        part: at for part, at in network.contacts.items() if part in there and at[0] in throws
    }

    for name in set(throws) - {switch for switch, _ in network.contacts.values()}:
        raise UsageError(f"move of {name}: it is no switch of a wiring list, and cannot be thrown")

    def ohm_at(frame: float, after: bool) -> FloatArray:
        held = fractions(frame, after)
        ohms = [at + slope * held[path] for path, at, slope in lines.values()]
        for switch, position in contacts.values():
            closed = throws[switch](frame, after) == position
            ohms.append(CLOSED_OHM if closed else OPEN_OHM)
        return np.array(ohms)

    bends = tuple(sorted({frame for way in knobs.values() for frame in way.halfway()}))
    course = Course((*lines, *contacts), breaks, bends, ohm_at, sample_rate_hz)
    return Turned(design, network, course)


@dataclass(frozen=True)
class _Knob:
    """A knob's way over the frames of a take."""

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


@dataclass(frozen=True)
class _Throw:
    """Where a switch stands over the frames of a take."""

    frames: IndexArray
    positions: tuple[str, ...]

    def __call__(self, frame: float, after: bool) -> str:
        """Position at a frame, before it is thrown there or after it."""
        k = int(np.searchsorted(self.frames, frame, side="right" if after else "left"))
        return self.positions[max(k - 1, 0)]


def _frames(move: Move, sample_rate_hz: float) -> IndexArray:
    return np.rint(np.array([at for at, _ in move.points]) * sample_rate_hz).astype(int)


def _knob(move: Move, sample_rate_hz: float) -> _Knob:
    positions = np.array([position for _, position in move.points], dtype=float)
    return _Knob(_frames(move, sample_rate_hz), positions)


def _throw(move: Move, sample_rate_hz: float) -> _Throw:
    return _Throw(_frames(move, sample_rate_hz), tuple(str(p) for _, p in move.points))


class _Wired:
    """A design wired with some of its pots anywhere, and never at the very end of their track."""

    def __init__(self, design: Design, controls: Sequence[str], apart: Contacts) -> None:
        self._apart = apart
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
        return design.network(self._apart)

    def resistors(self) -> dict[str, tuple[str, float, float]]:
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
        return found
