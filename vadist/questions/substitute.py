"""Which part replaces another one: every type of its kind in its place, ranked by what changes."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.designs.library_types import library_types
from vadist.designs.settings import parse_value
from vadist.designs.values import typed_value
from vadist.errors import UsageError
from vadist.parts.records import part_records
from vadist.population.figure_names import Figure
from vadist.population.measure import CPU
from vadist.population.sound import Hearing
from vadist.population.work import measure_population
from vadist.questions.choose import Changes
from vadist.questions.resting_room import Room, faults_at_rest, rooms
from vadist.questions.retune import retuned
from vadist.questions.usual_figures import GAIN_HZ, OF_THE_WHOLE
from vadist.questions.wishes import NOT_THERE, slacks_between
from vadist.stages.stage import DiodePair

CLEAN = 0.1
"""Per cent of distortion below which more or less of it does not count."""

HEARD = (Figure("", "null depth"), Figure("", "band change"), Figure("", "loudness"))
"""What is told of the sound."""


@dataclass(frozen=True)
class Substitute:
    """A part in the place of another one.

    Attributes
    ----------
    name, text : str
        Its type, and the value as ``--set`` takes it.
    design : Design
        With the part, and retuned if that was asked for.
    retuned : tuple of (path, text)
        Values that were chosen again.
    figures : tuple of float
        See :class:`Substitution`; NaN where there is no operating point.
    room : Room or None
        Volts that the block's output can fall and rise; None where nothing in it limits that.
    heard : tuple of float
        Of the sound, as :data:`HEARD`; empty without a take.
    change : float
        Root mean square of how far rest, room, gain, corners, level, distortion, noise and supply
        current moved, in slacks.
    faults : tuple of str
        What it breaks.
    out_of_production : bool
    """

    name: str
    text: str
    design: Design
    retuned: Changes
    figures: tuple[float, ...]
    room: Room | None
    heard: tuple[float, ...]
    change: float
    faults: tuple[str, ...]
    out_of_production: bool


@dataclass(frozen=True)
class Substitution:
    """What can stand for a part.

    Attributes
    ----------
    design : Design
    path : str
    figures : tuple of Figure
    held : Substitute
        The part that is there now.
    ranked : tuple of Substitute
        Those that break nothing first; among them by sound where there is a take, else by change.
    """

    design: Design
    path: str
    figures: tuple[Figure, ...]
    held: Substitute
    ranked: tuple[Substitute, ...]

    @property
    def nearest(self) -> Substitute | None:
        """What to take: the first that breaks nothing, of those that are still made if any is."""
        sound = [each for each in self.ranked if not each.faults]
        made = [each for each in sound if not each.out_of_production]
        return next(iter(made or sound), None)


def compared_figures(design: Design, stage: str) -> tuple[Figure, ...]:
    """Return what substitutes are compared by; the rest of the part's own block comes first."""
    stages = [stage, *(s for s in design.stages if s != stage and s not in design.bypassed)]
    return (
        *(Figure(s, "rest") for s in stages),
        Figure(stage, "gain", GAIN_HZ),
        *OF_THE_WHOLE,
    )


def substitutes(
    design: Design,
    path: str,
    *,
    inline: Sequence[str] = (),
    retune: Sequence[str] = (),
    series: str | None = None,
    hearing: Hearing | None = None,
    threads: int | None = None,
    device: str = CPU,
    progress: Callable[[float], None] = lambda done: None,
) -> Substitution:
    """Put every part of the kind in a part's place.

    Parameters
    ----------
    design : Design
    path : str
        A device: ``boost.transistor``, ``gain.opamp``, ``clipper.diodes``.
    inline : sequence of str
        Parts besides those of the library, as ``--set`` takes them: tables with a model.
    retune : sequence of str
        Parts whose values are chosen again for each, so that rest and gain of the block come back.
    series : str, optional
        Preferred numbers for them.
    hearing : Hearing, optional
        Of the design, to tell what a take sounds like.
    threads : int, optional
    device : str
        What hears the take: ``cpu`` or ``gpu``.
    progress : function of 0..1

    Raises
    ------
    DesignError
        If no device stands there, or a value cannot be read.
    UsageError
        If a part to be retuned is in none of the design's lists.
    """
    stage = path.partition(".")[0]
    values = candidates(design, path, inline)
    figures = compared_figures(design, stage)
    held = design.value(path)
    now = measure_population([design], figures, threads=1)
    if now.faults:
        raise UsageError(f"{design.name} has no operating point as it is: {now.faults[0]}")
    designs: list[Design] = [design]
    changes: list[Changes] = [()]
    for k, value in enumerate(values.values()):
        put = design.with_value(path, value)
        told: Changes = ()
        if retune:
            put, told = retuned(put, stage, now, retune, series, threads)
        designs.append(put)
        changes.append(told)
        progress(0.7 * (k + 1) / len(values))
    table = measure_population(designs, figures, threads=threads)
    heard = (
        np.zeros((len(designs), 0))
        if hearing is None
        else measure_population(
            designs, HEARD, hearing=hearing, threads=threads, device=device
        ).values
    )
    progress(1.0)
    room = rooms(designs, stage)
    gone = {name for name, record in part_records().items() if record.out_of_production}

    def told_of(row: int, name: str, value: Any) -> Substitute:
        if row in table.faults:
            faults: tuple[str, ...] = (table.faults[row],)
        else:
            faults = faults_at_rest(designs[row], design, path, room[row], room[0])
        return Substitute(
            name,
            typed_value(design.field_info(path), value),
            designs[row],
            changes[row],
            tuple(table.values[row].tolist()),
            room[row],
            tuple(heard[row].tolist()),
            _change(figures, table.values[0], table.values[row], room[0], room[row]),
            faults,
            name in gone,
        )

    named = [(type_name(held), held), *values.items()]
    every = [told_of(row, name, value) for row, (name, value) in enumerate(named)]

    def rank(each: Substitute) -> tuple[bool, float]:
        change = each.change if hearing is None else each.heard[0]
        return bool(each.faults), math.inf if math.isnan(change) else change

    ranked = sorted(every[1:], key=rank)
    return Substitution(design, path, figures, every[0], tuple(ranked))


def candidates(design: Design, path: str, inline: Sequence[str] = ()) -> dict[str, Any]:
    """Parts that can be tried, by name; the one that is there now is not among them.

    Raises
    ------
    DesignError, UsageError
        If no device of a block stands there, there is no other, or one cannot be read.
    """
    if path.partition(".")[0] not in design.stages:
        design.field_info(path)
        raise UsageError(f"{path}: is no device of a block, whose rest and gain could be compared")
    held = design.value(path)
    found = {name: v for name, v in library_types(design, path).items() if v != held}
    for text in inline:
        value = parse_value(design, path, text)
        design.with_value(path, value)
        found[type_name(value)] = value
    if not found:
        raise UsageError(f"{path}: the library has no other type that fits there; give --with")
    return found


def type_name(value: Any) -> str:
    """Return what a part is called; of diodes that differ, both directions.

    >>> from vadist import load_design
    >>> type_name(load_design("asymmetric_clipper").value("clipper.diodes"))
    '1N4148'
    """
    if not isinstance(value, DiodePair):
        return str(value.name)
    names = [s.model.name for s in (value.forward, value.reverse) if s is not None]
    return " and ".join(dict.fromkeys(names))


def _change(
    figures: Sequence[Figure],
    before: FloatArray,
    after: FloatArray,
    room_before: Room | None,
    room_after: Room | None,
) -> float:
    """Root mean square of slacks; of all rests the one that moved most."""
    slacks: dict[str, list[float]] = {}
    for figure, held, value in zip(figures, before.tolist(), after, strict=True):
        if figure.kind == "THD":
            held, value = max(held, CLEAN), np.maximum(value, CLEAN)
        name = "rest" if figure.kind == "rest" else str(figure)
        slacks.setdefault(name, []).append(float(slacks_between(figure, held, value)))
    if room_before is not None:
        room = NOT_THERE if room_after is None else room_after.slacks_from(room_before)
        slacks["room"] = [room]
    return math.sqrt(sum(max(some) ** 2 for some in slacks.values()) / len(slacks))


def as_json(found: Substitution) -> Mapping[str, Any]:
    """Return a substitution as plain data for :mod:`json`; what is not there is null."""

    def plain(value: float) -> float | None:
        return value if math.isfinite(value) else None

    def told(each: Substitute) -> dict[str, Any]:
        room = None if each.room is None else [each.room.down_v, each.room.up_v]
        return {
            "type": each.name,
            "value": each.text,
            "retuned": dict(each.retuned),
            "figures": {str(f): plain(v) for f, v in zip(found.figures, each.figures, strict=True)},
            "room_v": room,
            "heard": {str(f): plain(v) for f, v in zip(HEARD, each.heard, strict=False)},
            "change": plain(each.change),
            "faults": list(each.faults),
            "out_of_production": each.out_of_production,
        }

    return {
        "design": found.design.name,
        "part": found.path,
        "held": told(found.held),
        "ranked": [told(each) for each in found.ranked],
    }
