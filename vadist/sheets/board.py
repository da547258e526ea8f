"""What is soldered: every part of a design with its value and the nodes its terminals go to."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from vadist.circuits.network import IDEAL_SUPPLY, DiodeString, Network
from vadist.designs.describing import value_words
from vadist.designs.design import Design
from vadist.designs.supply import Supply
from vadist.quantities import write_quantity
from vadist.stages.listing import recorded, wiring_of
from vadist.stages.stage import DiodePair, Pot, output_node
from vadist.stages.wired import COMMON, ENDS, NOWHERE, OUTPUT, RAILS, SOURCE, Part, WiredStage

POTS = ("pot", "rheostat")
DIODES = ("diode", "diodes")


@dataclass(frozen=True)
class BoardPart:
    """A part of the board.

    Attributes
    ----------
    path : str
        ``stage.part``; both strings of a pair that a stage wires to two places are one path each.
    kind : str
        Word of a wiring list: ``resistor``, ``pot``, ``transistor``, ...
    value : object
        What the design holds.
    text : str
        The same as the trade writes it.
    terminals : tuple of (terminal, node)
        Nodes by the names of :meth:`vadist.designs.design.Design.wired`.
    purpose : str
    """

    path: str
    kind: str
    value: Any
    text: str
    terminals: tuple[tuple[str, str], ...]
    purpose: str = ""

    @property
    def nodes(self) -> tuple[str, ...]:
        """Each node it touches, once."""
        return tuple(dict.fromkeys(n for _, n in self.terminals if n != NOWHERE))

    @property
    def has_named_terminals(self) -> bool:
        """Whether its terminals are told apart: those of a device, a pot, a diode."""
        return tuple(t for t, _ in self.terminals) != ENDS

    @property
    def pieces(self) -> tuple[tuple[str, int], ...]:
        """What is bought for it: type or value, and how many."""
        if not isinstance(self.value, DiodePair):
            return ((self.text, 1),)
        found: dict[str, int] = {}
        for string in (self.value.forward, self.value.reverse):
            if string is not None:
                name = string.model.name
                found[name] = found.get(name, 0) + string.count * string.parallel
        return tuple(found.items())


def board_parts(design: Design) -> list[BoardPart]:
    """Every part of the board in signal order, the supply's behind the stages'.

    What a design leaves out, bypasses or sets to zero ohms is none; neither is what plays into
    the board or hangs on its output.

    Examples
    --------
    >>> from vadist import load_design
    >>> [(p.path, p.text) for p in board_parts(load_design("treble_boost"))][:2]
    [('boost.input_capacitor', '18n'), ('boost.emitter_resistor', '100R')]
    """
    scratch = Network(stage="source")
    source = design.source.feed(scratch)
    found: list[BoardPart] = []
    for name, stage in design.stages.items():
        output = output_node(name)
        if name not in design.bypassed:
            outer = {SOURCE: source, OUTPUT: output, **{rail: rail for rail in RAILS}}
            listed = stage.wiring if isinstance(stage, WiredStage) else wiring_of(stage)
            for part in listed.parts:
                owner = part.name.partition(".")[0]
                value = stage.value(owner) if owner in stage.infos else None
                placed = _placed(name, part, _one_side(part.name, value), outer)
                found += [placed] if placed is not None else []
        source = output
    return found + list(_supply_parts(design.supply))


def _one_side(name: str, value: Any) -> Any:
    """Of a pair that is wired to two places, the string at one of them."""
    side = name.rpartition(".")[2]
    if not isinstance(value, DiodePair) or side not in ("forward", "reverse"):
        return value
    held: dict[str, DiodeString | None] = {"forward": None, "reverse": None}
    return DiodePair(**{**held, side: getattr(value, side)})


def _placed(stage: str, part: Part, value: Any, outer: Mapping[str, str]) -> BoardPart | None:
    if value is None or value == 0.0:
        return None
    terminals = tuple(
        (terminal, node if node == NOWHERE else outer.get(node) or f"{stage}.{node}")
        for terminal, node in part.terminals
    )
    return BoardPart(
        f"{stage}.{part.name}",
        part.kind,
        value,
        _text(part, value),
        terminals,
        part.purpose or part.connections,
    )


def _text(part: Part, value: Any) -> str:
    if isinstance(value, Pot):
        return write_quantity(value.resistance, "ohm")
    if part.kind == "switch":
        poles, positions = len(part.contacts[COMMON]), len(part.contacts) - 1
        return f"{poles} pole{'s' if poles > 1 else ''}, {positions} positions"
    if isinstance(value, DiodePair):
        held = [s for s in (value.forward, value.reverse) if s is not None]
        return " / ".join(dict.fromkeys(s.model.name for s in held))
    return value_words(part.info, value)


def _supply_parts(supply: Supply) -> Iterator[BoardPart]:
    """Parts that feed the rails. A resistance without a filter behind it is the battery's own."""
    outer = {rail: rail for rail in (*RAILS, IDEAL_SUPPLY)}
    for part, _ in recorded(supply.feed, supply.infos, "supply"):
        if part.name != "resistance" or supply.filter_capacitor is not None:
            placed = _placed("supply", part, supply.value(part.name), outer)
            yield from [] if placed is None else [placed]
