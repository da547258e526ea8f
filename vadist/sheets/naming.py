"""What parts, terminals and faults are called on a sheet: by the designators of the drawing."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from vadist.circuits.network import BIAS, GROUND, IDEAL_SUPPLY, INPUT, SUPPLY
from vadist.drawing.parts import part_designator
from vadist.sheets.bench import Place, Reading
from vadist.sheets.board import DIODES, BoardPart
from vadist.sheets.faults import MISSING, OPEN, Fault
from vadist.stages.wired import NOWHERE

RAIL_WORDS = {
    GROUND: "ground", SUPPLY: "supply rail", BIAS: "bias rail", IDEAL_SUPPLY: "plus of the supply",
}  # fmt: skip
_TWO_ENDS = ("resistor", "capacitor", "inductor", "rheostat", "diode", "diodes")


@dataclass(frozen=True)
class Names:
    """Designators of a design.

    Attributes
    ----------
    designators : mapping of path -> designator
        As :func:`vadist.drawing.parts.designators` gives them.
    """

    designators: Mapping[str, str]

    def part(self, path: str) -> str:
        """Designator of a part, both of a pair of diodes."""
        return part_designator(self.designators, path)

    def place(self, place: Place) -> str:
        """Designator and terminal."""
        return f"{self.part(place.part)} {place.terminal}".strip()

    def probe(self, reading: Reading) -> str:
        """Where to put the red lead: a rail, a terminal of a device, or where two parts meet."""
        if reading.node in RAIL_WORDS:
            return RAIL_WORDS[reading.node]
        met = list(dict.fromkeys(self.place(place) for place in reading.places))
        return met[0] if reading.places[0].terminal else " with ".join(met[:2])

    def neighbours(self, reading: Reading, path: str) -> str:
        """What one part is soldered to at a node: a rail, or the other parts there."""
        if reading.node in RAIL_WORDS:
            return RAIL_WORDS[reading.node]
        met = (self.place(place) for place in reading.places if place.part != path)
        return ", ".join(dict.fromkeys(met))

    def others(self, reading: Reading) -> str:
        """What else touches a node."""
        met = list(dict.fromkeys(self.place(place) for place in reading.places))
        told = self.probe(reading).split(" with ")
        return ", ".join(name for name in met if name not in told)

    def fault(self, fault: Fault) -> str:
        """What is wrong, in words."""
        name = self.part(fault.part.path)
        if fault.kind == MISSING:
            return f"{name} open or missing" if fault.part.kind in _TWO_ENDS else f"{name} missing"
        if fault.kind == OPEN:
            return f"{name} {fault.terminals[0]} open"
        return f"{name} {' to '.join(fault.terminals)} short".replace("  ", " ")


def device_rows(
    parts: Sequence[BoardPart], names: Names, held: Callable[[str], str], output: str
) -> list[tuple[str, str, str]]:
    """Designator, type and pins of every device, each pin with what it is soldered to.

    Parameters
    ----------
    parts : sequence of BoardPart
        All of the board.
    names : Names
    held : function
        Name under which a node is found after wires were joined.
    output : str
        Node the board is heard at.
    """
    touching: dict[str, list[str]] = {held(output): ["output"]}
    touching.setdefault(INPUT, []).append("input")
    for part in parts:
        for terminal, node in part.terminals:
            if node != NOWHERE:
                place = Place(part.path, terminal if part.has_named_terminals else "")
                touching.setdefault(held(node), []).append(names.place(place))

    def pin(terminal: str, node: str, own: str) -> str:
        if held(node) in RAIL_WORDS:
            return f"{terminal} to {RAIL_WORDS[held(node)]}"
        others = dict.fromkeys(w for w in touching[held(node)] if not w.startswith(own))
        return f"{terminal} to {', '.join(others) or 'nothing'}"

    rows = []
    for part in parts:
        if part.kind in DIODES:
            rows += [
                (name, text, "; ".join(pin(t, n, names.part(part.path)) for t, n in ends))
                for name, text, ends in _strings(part, names)
            ]
        elif part.has_named_terminals:
            name = names.part(part.path)
            pins = [pin(t, n, name) for t, n in part.terminals if n != NOWHERE]
            rows.append((name, part.text, "; ".join(pins)))
    return rows


def _strings(
    part: BoardPart, names: Names
) -> Iterator[tuple[str, str, tuple[tuple[str, str], tuple[str, str]]]]:
    """Each string of diodes with its two ends; the forward one conducts from the first node."""
    (_, one), (_, other) = part.terminals
    for side, ends in (("forward", (one, other)), ("reverse", (other, one))):
        string = getattr(part.value, side)
        if string is not None:
            paths = (f"{part.path}.{side}", part.path)
            name = next((names.designators[p] for p in paths if p in names.designators), part.path)
            text = string.model.name
            text = f"{string.count} in series, {text}" if string.count > 1 else text
            text = f"{text}, {string.parallel} side by side" if string.parallel > 1 else text
            yield name, text, (("anode", ends[0]), ("cathode", ends[1]))
