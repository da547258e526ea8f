"""A block with its wires, and blocks in rows."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from vadist.drawing.layout import PORT, Layout, lay_out
from vadist.drawing.parts import DrawnBlock
from vadist.drawing.routing import Board, Edge, Point, cover, route
from vadist.drawing.symbols import Box, Symbol, Words, overlap
from vadist.errors import VadistError

_TRIES = (0, 1, 2, 4, 8)
_MARGIN = 5
_WIRE = 0.12


@dataclass
class Drawn:
    """A block as it is drawn.

    Attributes
    ----------
    block : DrawnBlock
    symbols : list of Symbol
    wires : dict of net -> lengths of one cell
    volts : list of Words
    """

    block: DrawnBlock
    symbols: list[Symbol]
    wires: dict[str, set[Edge]] = field(default_factory=dict)
    volts: list[Words] = field(default_factory=list)


def draw_parts(
    block: DrawnBlock,
    rails: Mapping[str, str],
    volts: Mapping[str, str],
    *,
    first: bool,
    last: bool,
) -> Drawn:
    """Place and wire a block; with more room where wires or volts find no place.

    Parameters
    ----------
    block : DrawnBlock
    rails : mapping of rail -> how it is written
    volts : mapping of node -> what is written at it
    first, last : bool
        Whether it has no neighbour on the left, on the right.

    Raises
    ------
    VadistError
        If no room is enough.
    """
    for room in _TRIES:
        layout = lay_out(block, rails, room, first=first, last=last)
        wires = _wired(layout)
        if wires is None:
            continue
        written = _written(layout.symbols, wires, volts)
        if written is not None:
            return Drawn(block, layout.symbols, wires, written)
    raise VadistError(f"{block.name}: its wires find no way in the drawing")


def _written(
    symbols: list[Symbol], wires: Mapping[str, set[Edge]], volts: Mapping[str, str]
) -> list[Words] | None:
    """Volts beside their nodes, clear of everything; None if one finds no place."""
    taken = [box for s in symbols for box in s.boxes]
    for edges in wires.values():
        taken += [
            (min(a[0], b[0]) - _WIRE, min(a[1], b[1]) - _WIRE,
             max(a[0], b[0]) + _WIRE, max(a[1], b[1]) + _WIRE)
            for a, b in edges
        ]  # fmt: skip
    ports = [p.x for s in symbols if s.part.kind == PORT for p in s.pins]
    left = 0.0 if 0 in ports else -math.inf
    right = max(ports) if ports and max(ports) > 0 else math.inf
    found: list[Words] = []
    for node, text in volts.items():
        held = wires.get(node)
        if not held:
            continue
        for words, leader in _spots(text, held):
            if words.box[0] < left or words.box[2] > right:
                continue
            boxes = [words.box] if leader is None else [words.box, leader]
            if not any(overlap(box, other, 0.05) for box in boxes for other in taken):
                found.append(words if leader is None else replace(words, led=leader))
                taken += boxes
                break
        else:
            return None
    return found


def _spots(text: str, edges: set[Edge]) -> Iterator[tuple[Words, Box | None]]:
    """Where a node's volts may stand: beside its wires, or further off with a line that leads."""
    points = sorted({p for edge in edges for p in edge})
    for dy in (0.85, -0.85):
        for x, y in points:
            yield Words(text, x + 0.3, y + dy), None
            yield Words(text, x - 0.3, y + dy, "right"), None
            yield Words(text, float(x), y + dy, "center"), None
    for far in (1.8, 2.6, 3.4):
        for dy in (-far, far):
            for (x, y), (other, _) in sorted(edges):
                if other == x:
                    continue
                sign = 1.0 if dy > 0 else -1.0
                ends = sorted((y + 0.2 * sign, y + dy - 0.7 * sign))
                leader = (x + 0.5, ends[0], x + 0.5, ends[1])
                for align in ("center", "left", "right"):
                    yield Words(text, x + 0.5, y + dy, align), leader


def _wired(layout: Layout) -> dict[str, set[Edge]] | None:
    (x0, y0), (x1, y1) = layout.extent()
    ports = [p.x for s in layout.symbols if s.part.kind == PORT for p in s.pins]
    left = 0 if 0 in ports else int(x0) - _MARGIN
    right = max(ports) if ports and max(ports) > 0 else int(x1) + _MARGIN
    low, high = int(y0) - _MARGIN, int(y1) + _MARGIN
    board = Board((left, low), (right, high))
    # No wire runs where a block meets the next one.
    board.solid |= {(x, y) for x in ports for y in range(low, high + 1)}
    board.rows = {0, *layout.rows}
    nets: dict[str, list[Point]] = {}
    for symbol in layout.symbols:
        cover(board, symbol.boxes)
        for pin in symbol.pins:
            board.ways.setdefault((pin.x, pin.y), pin.way)
            if pin.node not in layout.block.rails:
                nets.setdefault(pin.node, []).append((pin.x, pin.y))
    for k, (mark, pin) in enumerate(layout.pairs):
        nets[f"{pin.node} {k}"] = [(mark.x, mark.y), (pin.x, pin.y)]
    return route(board, nets)
