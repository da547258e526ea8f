"""Blocks in rows on a sheet of A4 landscape, with their names and marks where a row goes on."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from vadist.drawing.parts import DrawnBlock, DrawnPart
from vadist.drawing.routing import Edge
from vadist.drawing.sheet import Drawn, draw_block_symbols
from vadist.drawing.symbols import LETTER, LINE, RIGHT, Symbol, Words

SHEET_IN = (297.0 / 25.4, 210.0 / 25.4)
"""A4 landscape (ISO 216)."""

_LARGEST_CELL_IN = 3.2 / 25.4
_MARGIN, _BETWEEN = 2.0, 2.0
_NAME = 2.6
# Cells: round the sheet, between rows, for a block's name.
Line = tuple[tuple[float, float], ...]


@dataclass
class Page:
    """What is drawn, in cells from the upper left corner; y downwards is negative.

    Attributes
    ----------
    width, height : float
    cell_in : float
        Size of a cell on paper.
    symbols : list of Symbol
    wires : list of lengths of one cell, net by net
    lines : list of points
        Under the names of blocks.
    titles, volts : list of Words
    """

    width: float
    height: float
    cell_in: float
    symbols: list[Symbol] = field(default_factory=list)
    wires: list[set[Edge]] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    titles: list[Words] = field(default_factory=list)
    volts: list[Words] = field(default_factory=list)


@dataclass
class _Cell:
    """A drawn block with what it covers."""

    drawn: Drawn
    x0: int
    x1: int
    low: float
    high: float

    @property
    def width(self) -> int:
        return self.x1 - self.x0


def _measured(drawn: Drawn) -> _Cell:
    boxes = [b for s in drawn.symbols for b in s.boxes]
    points = [p for edges in drawn.wires.values() for edge in edges for p in edge]
    xs = [b[0] for b in boxes] + [b[2] for b in boxes] + [float(p[0]) for p in points]
    ys = [b[1] for b in boxes] + [b[3] for b in boxes] + [float(p[1]) for p in points]
    name = LETTER * len(drawn.block.name)
    x0 = math.floor(min(xs))
    x1 = max(math.ceil(max(xs)), x0 + math.ceil(name) + 1)
    return _Cell(drawn, x0, x1, min(ys), max(ys))


def page_of(blocks: Sequence[DrawnBlock], rails: Mapping[str, str]) -> Page:
    """Lay blocks out in rows that fill a sheet well."""
    cells = []
    for block in blocks:
        first = block is blocks[0] or block.name == "supply"
        last = block.name in ("load", "supply")
        cells.append(_measured(draw_block_symbols(block, rails, first=first, last=last)))
    best = None
    widest = max(c.width for c in cells) + 6
    total = sum(c.width for c in cells) + 6
    for rows_wanted in range(1, len(cells) + 1):
        width = max(widest, math.ceil(1.15 * total / rows_wanted))
        rows = _rows(cells, width)
        page = _assembled(rows, rails)
        if best is None or page.cell_in > best.cell_in * 1.0001:
            best = page
    assert best is not None
    return best


def _rows(cells: Sequence[_Cell], width: float) -> list[list[_Cell]]:
    rows: list[list[_Cell]] = [[]]
    used = 0.0
    for cell in cells:
        if rows[-1] and used + cell.width + 6 > width:
            rows.append([])
            used = 0.0
        rows[-1].append(cell)
        used += cell.width
    return rows


def _assembled(rows: list[list[_Cell]], rails: Mapping[str, str]) -> Page:
    page = Page(0.0, 0.0, 0.0)
    top, right, marks = -_MARGIN, 0.0, 0
    for number, row in enumerate(rows):
        high = math.ceil(max(c.high for c in row)) + _NAME
        low = min(c.low for c in row)
        y = math.floor(top - high)
        x = math.ceil(_MARGIN) + 1
        for k, cell in enumerate(row):
            goes_on = cell.drawn.block.name != "supply"
            if k == 0 and number and goes_on:
                page.symbols.append(_mark(str(marks), x + 1, y, mirrored=False))
                x += 2
            _put(page, cell, x - cell.x0, y, top)
            x += cell.width
            following = row[k + 1] if k + 1 < len(row) else None
            if following is not None and following.drawn.block.name == "supply":
                x += 2
        if number + 1 < len(rows) and rows[number + 1][0].drawn.block.name != "supply":
            marks += 1
            page.symbols.append(_mark(str(marks), x + 1, y, mirrored=True))
            page.wires.append({((x, y), (x + 1, y))})
        right = max(right, x + 3.0)
        top = math.floor(y + low - _BETWEEN)
    page.width, page.height = right + _MARGIN, -top - _BETWEEN + _MARGIN
    page.cell_in = min(SHEET_IN[0] / page.width, SHEET_IN[1] / page.height, _LARGEST_CELL_IN)
    return page


def _mark(text: str, x: int, y: int, *, mirrored: bool) -> Symbol:
    """A mark where a row goes on in the next."""
    part = DrawnPart("", "mark", (), (text,))
    side = 1 if mirrored else -1
    words = (Words(text, x + side * 1.0, y, "center"),)
    return Symbol(part, (), (x - 1.0, y - 1.0, x + 1.0, y + 1.0), words, x, y, mirrored=mirrored)


def _put(page: Page, cell: _Cell, x: int, y: int, top: float) -> None:
    page.symbols += [s.moved(x, y) for s in cell.drawn.symbols]
    for edges in cell.drawn.wires.values():
        page.wires.append({((ax + x, ay + y), (bx + x, by + y)) for (ax, ay), (bx, by) in edges})
    left, right = cell.x0 + x + 0.5, cell.x1 + x - 0.5
    page.titles.append(Words(cell.drawn.block.name, left, top - LINE / 2.0))
    page.lines.append(((left, top - LINE - 0.1), (right, top - LINE - 0.1)))


_ = (replace, RIGHT)
