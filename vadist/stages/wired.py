"""A stage whose parts and nodes are listed rather than programmed: a wiring list.

Each part of a list has a kind, and each of its terminals goes to a node. ``source``, ``output``,
``ground``, ``supply`` and ``bias`` are what the stage is connected to; every other node is inside.
What a kind is, stands once, in :data:`PART_KINDS`; every kind of device is there by itself, with
the terminals its record names.
"""

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar, Self

from vadist.circuits.network import BIAS, GROUND, SUPPLY, Network
from vadist.devices import KINDS
from vadist.errors import DesignError
from vadist.parts import LIBRARY
from vadist.stages.stage import FieldInfo, Stage

SOURCE, OUTPUT = "source", "output"
OUTER_NODES = (SOURCE, OUTPUT, GROUND, SUPPLY, BIAS)
"""Nodes by which a stage is connected to the rest."""

RAILS = (GROUND, SUPPLY, BIAS)

NOWHERE = "nothing"
"""Where a contact of a switch leads that is open."""

COMMON = "common"
"""Terminal of a switch that each position connects to its own."""

ENDS = ("one end", "other end")
"""Terminals of a part whose two ends need no names."""

WIRED = "wired"
"""Type of a stage that brings its own wiring list."""


@dataclass(frozen=True)
class PartKind:
    """What a kind of part is.

    Attributes
    ----------
    word : str
        What a wiring list calls it.
    value : str
        Kind of its value, see :class:`~vadist.stages.stage.FieldInfo`.
    unit : str
    terminals : tuple of str
        :data:`ENDS` for a part that is written ``A to B``; empty where the list itself names them,
        as the positions of a switch.
    place : function (network, part name, nodes in the order of the terminals, value)
        Adds it to a network.
    example : str
        A value it may have, as it is written.
    """

    word: str
    value: str
    unit: str
    terminals: tuple[str, ...]
    place: Callable[[Network, str, tuple[str, ...], Any], None]
    example: str


@dataclass(frozen=True)
class Part:
    """One line of a wiring list, without its value.

    Attributes
    ----------
    name : str
        Addressed as ``stage.name``.
    kind : str
        One of :data:`PART_KINDS`.
    terminals : tuple of (terminal, node)
        A switch of several poles has a terminal as often as it has poles.
    purpose : str
        What it is for; empty where nothing was said.
    """

    name: str
    kind: str
    terminals: tuple[tuple[str, str], ...]
    purpose: str = ""

    @property
    def record(self) -> PartKind:
        """What is known of its kind."""
        return PART_KINDS[self.kind]

    @property
    def nodes(self) -> tuple[str, ...]:
        """Where its terminals go."""
        return tuple(node for _, node in self.terminals)

    @property
    def contacts(self) -> dict[str, tuple[str, ...]]:
        """Nodes of each terminal, pole by pole."""
        found: dict[str, tuple[str, ...]] = {}
        for terminal, node in self.terminals:
            found[terminal] = (*found.get(terminal, ()), node)
        return found

    @property
    def connections(self) -> str:
        """Where its terminals go, in words.

        >>> Part("r", "resistor", (("one end", "source"), ("other end", "a"))).connections
        'source to a'
        """
        if self.record.terminals == ENDS:
            return " to ".join(self.nodes)
        return ", ".join(f"{t} to {' and '.join(nodes)}" for t, nodes in self.contacts.items())

    @property
    def info(self) -> FieldInfo:
        """What a design needs to know of its value."""
        kind = self.record
        purpose = self.purpose or f"{kind.word}, {self.connections}"
        if kind.value == "choice":
            positions = tuple(t for t in self.contacts if t != COMMON)
            return FieldInfo("choice", "", purpose, positions)
        return FieldInfo(kind.value, kind.unit, purpose, optional=True)


@dataclass(frozen=True)
class Wiring:
    """A wiring list: a block's parts and what it is called.

    Attributes
    ----------
    parts : tuple of Part
    name : str
        Type under which stages use it.
    job : str
        What it does, in a line.
    """

    parts: tuple[Part, ...]
    name: str = WIRED
    job: str = ""

    @cached_property
    def infos(self) -> dict[str, FieldInfo]:
        """Names and descriptions of its parts; boards of one drawing ask thousands of times."""
        return {part.name: part.info for part in self.parts}


@dataclass(frozen=True, kw_only=True)
class WiredStage(Stage):
    """A stage of any parts between any nodes.

    Attributes
    ----------
    wiring : Wiring
    held : mapping of part name -> value
        Of every part; None leaves one out.
    """

    wiring: Wiring
    held: Mapping[str, Any]

    kind: ClassVar[str] = WIRED
    job: ClassVar[str] = "a block of your own: its parts and nodes stand in the design"

    def __post_init__(self) -> None:
        Stage.__post_init__(self)
        for name, info in self.infos.items():
            if info.kind == "diode" and self.held[name] is not None and self.held[name].reverse:
                raise DesignError(f"{name} must be one diode, not a pair")

    @classmethod
    def fields(cls) -> dict[str, FieldInfo]:
        """None: what values there are, the wiring list tells."""
        return {}

    @property
    def type_name(self) -> str:
        """Type in a design file: that of the block it uses."""
        return self.wiring.name

    @property
    def told_job(self) -> str:
        """What it does."""
        return self.wiring.job or self.job

    @property
    def infos(self) -> dict[str, FieldInfo]:
        """Names and descriptions of its parts."""
        return self.wiring.infos

    def value(self, name: str) -> Any:
        """Value of a part."""
        return self.held[name]

    def with_parts(self, values: Mapping[str, Any]) -> Self:
        """The stage with other values of some parts."""
        return dataclasses.replace(self, held={**self.held, **values})

    def may_be_left_out(self, name: str) -> bool:
        """Every part may, but a switch stands somewhere."""
        return self.infos[name].optional

    def wire(self, network: Network, source: str, output: str) -> None:
        """Add every part that is not left out."""
        outer = {SOURCE: source, OUTPUT: output, **{rail: rail for rail in RAILS}}
        for part in self.wiring.parts:
            value = self.held[part.name]
            if part.kind == "switch":
                _close(network, part, value, outer)
            elif value is not None:
                nodes = tuple(outer.get(node) or network.node(node) for node in part.nodes)
                part.record.place(network, part.name, nodes, value)


def _close(network: Network, part: Part, position: str, outer: Mapping[str, str]) -> None:
    """Wire the common contact of each pole to where the switch stands."""
    contacts, name = part.contacts, network.name(part.name)
    for place in (p for p in contacts if p != COMMON):
        for number, pole in enumerate(zip(contacts[COMMON], contacts[place], strict=True), start=1):
            if NOWHERE in pole:
                continue
            a, b = (outer.get(node) or network.node(node) for node in pole)
            if name in network.apart:
                own, closed = f"{part.name}.{place}.{number}", place == position
                network.contact(own, a, b, (name, place), closed=closed)
            elif place == position:
                network.resistor(part.name, a, b, 0.0)


def _placed_by(method: str) -> Callable[[Network, str, tuple[str, ...], Any], None]:
    def place(network: Network, part: str, nodes: tuple[str, ...], value: Any) -> None:
        getattr(network, method)(part, *nodes, value)

    return place


def _rheostat(network: Network, part: str, nodes: tuple[str, ...], pot: Any) -> None:
    one, other = nodes
    network.resistor(part, one, other, pot.resistance * pot.wiper)


def _pot(network: Network, part: str, nodes: tuple[str, ...], pot: Any) -> None:
    top, wiper, bottom = nodes
    network.potentiometer(part, top, wiper, bottom, pot.resistance, pot.wiper)


def _diodes(network: Network, part: str, nodes: tuple[str, ...], pair: Any) -> None:
    one, other = nodes
    network.diodes(part, one, other, pair.forward, pair.reverse)


def _switch(*_: Any) -> None:
    raise AssertionError("a switch is closed by the stage, which knows its positions")


_KINDS = (
    PartKind("resistor", "part", "ohm", ENDS, _placed_by("resistor"), "4k7"),
    PartKind("capacitor", "part", "F", ENDS, _placed_by("capacitor"), "22n"),
    PartKind("inductor", "part", "H", ENDS, _placed_by("inductor"), "500m"),
    PartKind("pot", "pot", "ohm", ("top", "wiper", "bottom"), _pot, "100k"),
    PartKind("rheostat", "pot", "ohm", ENDS, _rheostat, "100k"),
    PartKind("switch", "choice", "", (), _switch, "up"),
    PartKind("diode", "diode", "", ("anode", "cathode"), _diodes, "1N4148"),
    PartKind("diodes", "diodes", "", ENDS, _diodes, "1N4148"),
)

PART_KINDS: dict[str, PartKind] = {kind.word: kind for kind in _KINDS}
"""Kinds of part by the word a wiring list has for them."""

for _record in KINDS.values():
    if hasattr(Network, _record.name):  # the method that places it, terminals in their order
        _kind = PartKind(
            _record.name, _record.name, "", _record.terminals, _placed_by(_record.name),
            next(iter(LIBRARY[_record.library])),
        )  # fmt: skip
        PART_KINDS.setdefault(_record.name, _kind)
