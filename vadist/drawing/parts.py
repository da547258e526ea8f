"""What there is to draw: the parts of a design block by block, with designators and values."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from vadist.circuits.network import (
    BIAS,
    GROUND,
    IDEAL_SUPPLY,
    INPUT,
    SMALLEST_RESISTANCE_OHM,
    SUPPLY,
    DiodeString,
    Network,
)
from vadist.designs.design import Design
from vadist.names import printable
from vadist.quantities import write_quantity
from vadist.stages.listing import recorded
from vadist.stages.sketch import Place
from vadist.stages.stage import Stage, output_node
from vadist.stages.wired import COMMON, NOWHERE, OUTPUT, RAILS, SOURCE, Part, WiredStage

JACK = "jack"
RAIL = "rail"
"""Kinds of mark that are no parts: where the signal comes in and goes out, a rail by its name."""

PREFIXES = {
    "resistor": "R", "capacitor": "C", "inductor": "L", "pot": "RV", "rheostat": "RV",
    "switch": "S", "diode": "D", "led": "D", "zener": "D", "transistor": "Q", "jfet": "Q",
    "mosfet": "Q", "opamp": "U",
}  # fmt: skip
"""Letters of the designators by kind of part (common practice; IEEE 315 has most of them)."""

_UNITS = {"resistor": "ohm", "rheostat": "ohm", "pot": "ohm", "capacitor": "F", "inductor": "H"}


@dataclass(frozen=True)
class DrawnPart:
    """A part, or a mark, as it is drawn.

    Attributes
    ----------
    path : str
        ``stage.part``; of a string of diodes ``stage.part.forward`` or ``.reverse``, of a pole of
        a switch with more than one ``stage.part.1``.
    kind : str
        A key of :data:`PREFIXES`, ``battery``, or a mark.
    terminals : tuple of (terminal, node)
    lines : tuple of str
        Designator, value and what else is written beside it.
    variant : str
        Polarity of a transistor; the position a switch stands in.
    count : int
        Diodes in a row.
    """

    path: str
    kind: str
    terminals: tuple[tuple[str, str], ...]
    lines: tuple[str, ...] = ()
    variant: str = ""
    count: int = 1

    @property
    def nodes(self) -> tuple[str, ...]:
        """Where its terminals go."""
        return tuple(node for _, node in self.terminals)


@dataclass(frozen=True)
class DrawnBlock:
    """A block of the design: what stands between two nodes.

    Attributes
    ----------
    name : str
    parts : tuple of DrawnPart
    source, output : str
        Nodes it is connected by.
    drawing : tuple of Place
        Where a stage of its own wants its parts; the names are those within the stage.
    rails : tuple of str
        Nodes that are drawn as rails, each terminal with its own symbol.
    """

    name: str
    parts: tuple[DrawnPart, ...]
    source: str
    output: str
    drawing: tuple[Place, ...] = ()
    rails: tuple[str, ...] = RAILS


@dataclass
class _Nodes:
    """Which nodes are one, tied by wires; a rail keeps its name."""

    held: dict[str, str] = field(default_factory=dict)

    def find(self, node: str) -> str:
        while node in self.held:
            node = self.held[node]
        return node

    def join(self, one: str, other: str) -> None:
        one, other = self.find(one), self.find(other)
        if one in (*RAILS, INPUT):
            one, other = other, one
        if one != other and not (one in RAILS and other in RAILS):
            self.held[one] = other


_Placed = list[tuple[Part, tuple[Any, ...]]]


def blocks_of(design: Design) -> tuple[DrawnBlock, ...]:
    """Everything there is to draw, in signal order: source, stages, load, supply."""
    numbers = designators(design)
    knobs = {m.removeprefix("-"): name for name, c in design.controls.items() for m in c.moves}
    node, blocks, nodes = INPUT, [], _Nodes()
    wired: list[tuple[str, _Placed, Stage | None, str, str]] = []
    for name, placed, stage in _placed_parts(design):
        out = {"supply": BIAS, "load": node}.get(name, output_node(name))
        wired.append((name, placed, stage, node, out))
        if name in design.bypassed:
            nodes.join(node, out)
        for part, values in placed:
            if _is_wire(part, values):
                one, other = (_full(n, name, node, out) for n in part.nodes)
                nodes.join(one, other)
        node = out
    for name, placed, stage, source, output in wired:
        parts: list[DrawnPart] = []
        for part, values in placed:
            if not _is_wire(part, values):
                made = _drawn(part, values, stage, name, numbers, knobs)
                parts += (_renamed(p, name, source, output, nodes) for p in made)
        title = f"{name} (bypassed)" if name in design.bypassed else name
        drawing = () if stage is None else stage.drawing
        block = DrawnBlock(title, tuple(parts), nodes.find(source), nodes.find(output), drawing)
        blocks.append(_supply_block(block, design) if name == "supply" else block)
    jack = DrawnPart("input", JACK, (("", blocks[0].source),), ("input",), "left")
    blocks[0] = replace(blocks[0], parts=(jack, *blocks[0].parts))
    jack = DrawnPart("output", JACK, (("", blocks[-2].source),), ("output",), "right")
    blocks[-2] = replace(blocks[-2], parts=(*blocks[-2].parts, jack))
    return tuple(blocks)


def designators(design: Design) -> dict[str, str]:
    """Reference designators, in signal order, the supply's last.

    Parameters
    ----------
    design : Design

    Returns
    -------
    dict of path -> designator
        Paths are ``stage.part``; each string of a pair of diodes has its own, under
        ``stage.part.forward`` and ``stage.part.reverse``. What drives and loads the design is on
        no board and has none. A value that changes moves no number; a part that comes or goes
        moves those of its letter that follow. Those of a bypassed stage are kept.

    Examples
    --------
    >>> from vadist import load_design
    >>> list(designators(load_design("treble_boost")).items())[:2]
    [('boost.input_capacitor', 'C1'), ('boost.emitter_resistor', 'R1')]
    """
    counts: dict[str, int] = {}
    found: dict[str, str] = {}
    for name, placed, _ in _placed_parts(design, bypassed=True):
        if name in ("source", "load"):
            continue
        for part, values in placed:
            for path, kind in _pieces(part, values, name):
                if not _is_wire(part, values):
                    letters = PREFIXES[kind]
                    counts[letters] = counts.get(letters, 0) + 1
                    found[path] = f"{letters}{counts[letters]}"
    return found


def part_designator(numbers: Mapping[str, str], path: str) -> str:
    """Designator of a part, both of a pair of diodes; its path where it has none.

    >>> part_designator({"c.d.forward": "D1", "c.d.reverse": "D2"}, "c.d")
    'D1, D2'
    """
    own = (numbers.get(place) for place in (path, f"{path}.forward", f"{path}.reverse"))
    return ", ".join(number for number in own if number) or path


def _placed_parts(
    design: Design, *, bypassed: bool = False
) -> Iterable[tuple[str, _Placed, Stage | None]]:
    """Name, parts with their values, and stage of each block."""
    source = design.source

    def feed(network: Network) -> None:
        network.resistor("output", source.feed(network), OUTPUT, 0.0)

    yield "source", recorded(feed, source.infos, "source"), source
    for name, stage in design.stages.items():
        if name in design.bypassed and not bypassed:
            yield name, [], stage
        elif isinstance(stage, WiredStage):
            kept = [(p, stage.held[p.name]) for p in stage.wiring.parts]
            yield name, [(p, (v,)) for p, v in kept if v is not None], stage
        else:
            yield name, recorded(lambda n, s=stage: s.wire(n, SOURCE, OUTPUT), stage.infos), stage  # type: ignore[misc]
    load = Part("resistance", "resistor", (("one end", SOURCE), ("other end", GROUND)))
    yield "load", [(load, (design.load_ohm,))], None
    supply = recorded(design.supply.feed, design.supply.infos, "supply")
    yield "supply", supply, None


def _is_wire(part: Part, values: tuple[Any, ...]) -> bool:
    return part.kind == "resistor" and values[0] < SMALLEST_RESISTANCE_OHM


def _full(node: str, block: str, source: str, output: str) -> str:
    outer = {SOURCE: source, OUTPUT: output, INPUT: INPUT, **{rail: rail for rail in RAILS}}
    return outer.get(node) or f"{block}.{node}"


def _renamed(part: DrawnPart, name: str, source: str, output: str, nodes: _Nodes) -> DrawnPart:
    terminals = tuple(
        (t, nodes.find(_full(n, name, source, output))) for t, n in part.terminals if n != NOWHERE
    )
    return replace(part, terminals=terminals)


def _strings(part: Part, values: tuple[Any, ...]) -> dict[str, DiodeString]:
    """Each string of diodes by its direction."""
    given = (values[0].forward, values[0].reverse) if hasattr(values[0], "forward") else values
    both = dict(zip(("forward", "reverse"), given, strict=True))
    return {way: string for way, string in both.items() if string is not None}


def _pieces(part: Part, values: tuple[Any, ...], block: str) -> list[tuple[str, str]]:
    """Path and kind of what a part consists of."""
    path = f"{block}.{part.name}"
    if part.kind == "diodes":
        ways = _strings(part, values)
        return [(path if path.endswith(f".{way}") else f"{path}.{way}", "diode") for way in ways]
    return [(path, part.kind)]


def _drawn(
    part: Part, values: tuple[Any, ...], stage: Stage | None, block: str,
    numbers: Mapping[str, str], knobs: Mapping[str, str],
) -> list[DrawnPart]:  # fmt: skip
    path = f"{block}.{part.name}"
    number = (numbers[path],) if path in numbers else ()
    knob = (printable(knobs[path]),) if path in knobs else ()
    if part.kind in ("diodes", "diode"):
        ways = _strings(part, values)
        found = []
        for (piece, _), (way, string) in zip(
            _pieces(part, values, block), ways.items(), strict=True
        ):
            one, other = part.nodes if way == "forward" else part.nodes[::-1]
            found.append(_string(piece, string, numbers[piece], (one, other)))
        return found
    if part.kind == "switch":
        return _poles(part, path, number, values[0])
    if part.kind in _UNITS:
        value = stage.infos.get(part.name) and stage.value(part.name) if stage else None
        size = getattr(value, "resistance", values[0])
        size = getattr(size, "resistance", size)
        lines = (*number, write_quantity(size, _UNITS[part.kind]), *knob)
        return [DrawnPart(path, part.kind, part.terminals, lines)]
    model = values[0]
    lines = (*number, printable(model.name) or part.kind)
    variant = str(getattr(model, "polarity", ""))
    return [DrawnPart(path, part.kind, part.terminals, lines, variant)]


def _string(path: str, string: DiodeString, number: str, nodes: tuple[str, str]) -> DrawnPart:
    name = printable(string.model.name) or "diode"
    lines = [number, f"{string.count} × {name}" if string.count > 1 else name]
    if string.parallel > 1:
        lines.append(f"{string.parallel} in parallel")
    kind = "led" if "LED" in name.upper() else "diode"
    terminals = (("anode", nodes[0]), ("cathode", nodes[1]))
    return DrawnPart(path, kind, terminals, tuple(lines), count=min(string.count, 3))


def _poles(part: Part, path: str, number: tuple[str, ...], stands: str) -> list[DrawnPart]:
    contacts = part.contacts
    poles = len(contacts[COMMON])
    found = []
    for k in range(poles):
        terminals = tuple((terminal, nodes[k]) for terminal, nodes in contacts.items())
        own, lines = path, number
        if poles > 1:
            own, lines = f"{path}.{k + 1}", tuple(f"{n}{chr(ord('a') + k)}" for n in number)
        places = tuple(t for t in contacts if t != COMMON)
        found.append(DrawnPart(own, "switch", terminals, (*lines, *places), stands))
    return found


def _supply_block(block: DrawnBlock, design: Design) -> DrawnBlock:
    """Add the battery, and the rails by name; the rails are nodes here like any other."""
    supply = design.supply
    feeds = IDEAL_SUPPLY if supply.moves else SUPPLY
    marks = [_battery("supply.volts", supply.volts, feeds)]
    if not supply.divided:
        marks.append(_battery("supply.bias", supply.bias_v, BIAS))
    flags = [DrawnPart(rail, RAIL, (("", rail),), variant=rail) for rail in (SUPPLY, BIAS)]
    parts = (marks[0], *block.parts, *marks[1:], *flags)
    return replace(block, parts=parts, source=feeds, output=BIAS, rails=(GROUND,))


def _battery(path: str, volts: float, node: str) -> DrawnPart:
    lines = (f"{volts:.4g} V",)
    return DrawnPart(path, "battery", (("plus", node), ("minus", GROUND)), lines)
