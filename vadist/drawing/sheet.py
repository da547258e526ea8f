"""A block with its wires, and blocks in rows."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from vadist.drawing.layout import Layout, lay_out
from vadist.drawing.parts import DrawnBlock
from vadist.drawing.routing import Board, Edge, Point, cover, route
from vadist.drawing.symbols import Symbol
from vadist.errors import VadistError

_TRIES = (0, 1, 2, 4, 8)
_MARGIN = 5


@dataclass
class Drawn:
    """A block as it is drawn.

    Attributes
    ----------
    block : DrawnBlock
    symbols : list of Symbol
    wires : dict of net -> lengths of one cell
    """

    block: DrawnBlock
    symbols: list[Symbol]
    wires: dict[str, set[Edge]] = field(default_factory=dict)


def draw_block_symbols(
    block: DrawnBlock, rails: Mapping[str, str], *, first: bool, last: bool
) -> Drawn:
    """Place and wire a block; with more room where wires find no way."""
    for room in _TRIES:
        layout = lay_out(block, rails, room, first=first, last=last)
        wires = _wired(layout)
        if wires is not None:
            return Drawn(block, layout.symbols, wires)
    raise VadistError(f"{block.name}: its wires find no way in the drawing")


def _wired(layout: Layout) -> dict[str, set[Edge]] | None:
    (x0, y0), (x1, y1) = layout.extent()
    low = int(x0) - _MARGIN, int(y0) - _MARGIN
    board = Board(low, (int(x1) + _MARGIN, int(y1) + _MARGIN))
    nets: dict[str, list[Point]] = {}
    for symbol in layout.symbols:
        cover(board, symbol.boxes)
        for pin in symbol.pins:
            if pin.node not in layout.block.rails:
                nets.setdefault(pin.node, []).append((pin.x, pin.y))
    for k, (mark, pin) in enumerate(layout.pairs):
        nets[f"{pin.node} {k}"] = [(mark.x, mark.y), (pin.x, pin.y)]
    return route(board, nets)
