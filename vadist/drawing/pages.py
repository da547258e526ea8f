"""Blocks in rows on a sheet of A4 landscape, with their names and marks where a row goes on."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from vadist.drawing.layout import PORT
from vadist.drawing.parts import DrawnBlock, DrawnPart
from vadist.drawing.routing import Edge, Point
from vadist.drawing.sheet import Drawn, draw_parts
from vadist.drawing.symbols import LETTER, LINE, Symbol, Words

SHEET_IN = (297.0 / 25.4, 210.0 / 25.4)
"""A4 landscape (ISO 216)."""

_LARGEST_CELL_IN = 3.2 / 25.4
_MARGIN, _BETWEEN = 2.0, 2.0
_NAME = 2.6
_WIDTH_STEP = 4
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
    dots : set of Point
        Where wires are joined.
    """

    width: float
    height: float
    cell_in: float
    symbols: list[Symbol] = field(default_factory=list)
    wires: list[set[Edge]] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    titles: list[Words] = field(default_factory=list)
    volts: list[Words] = field(default_factory=list)
    dots: set[Point] = field(default_factory=set)


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
    boxes = [b for s in drawn.symbols for b in s.boxes] + [w.box for w in drawn.volts]
    points = [p for edges in drawn.wires.values() for edge in edges for p in edge]
    xs = [b[0] for b in boxes] + [b[2] for b in boxes] + [float(p[0]) for p in points]
    ys = [b[1] for b in boxes] + [b[3] for b in boxes] + [float(p[1]) for p in points]
    ports = [p.x for s in drawn.symbols if s.part.kind == PORT for p in s.pins]
    x0 = 0 if 0 in ports else math.floor(min(xs))
    x1 = max(ports, default=0)
    if x1 == 0:
        x1 = max(math.ceil(max(xs)), x0 + math.ceil(LETTER * len(drawn.block.name)) + 1)
    return _Cell(drawn, x0, x1, min(ys), max(ys))


def page_of(
    blocks: Sequence[DrawnBlock], rails: Mapping[str, str], volts: Mapping[str, str] | None = None
) -> Page:
    """Lay blocks out in rows that fill a sheet well.

    Parameters
    ----------
    blocks : sequence of DrawnBlock, in signal order, the supply last
    rails : mapping of rail -> how it is written
    volts : mapping of node -> what is written at it, optional
    """
    cells, left = [], dict(volts or {})
    for block in blocks:
        first = block is blocks[0] or block.name == "supply"
        last = block is blocks[-1] or block.name in ("load", "supply")
        drawn = draw_parts(block, rails, left, first=first, last=last)
        left = {node: text for node, text in left.items() if node not in drawn.wires}
        cells.append(_measured(drawn))
    return _assembled(_best_rows(cells))


def _best_rows(cells: Sequence[_Cell]) -> list[list[_Cell]]:
    """Break blocks into the rows that let a sheet be filled with the largest cells."""
    widest = max(c.width for c in cells)
    total = sum(c.width for c in cells)
    found: dict[tuple[int, ...], list[list[_Cell]]] = {}
    for width in range(widest, total + _WIDTH_STEP, _WIDTH_STEP):
        rows = _rows(cells, width)
        found.setdefault(tuple(map(len, rows)), rows)
    return max(found.values(), key=lambda rows: (_cell_in(*_size(rows)), -len(rows)))


def _size(rows: list[list[_Cell]]) -> tuple[float, float]:
    """Width and height of rows on a page."""
    wide = max(sum(c.width for c in row) for row in rows) + 8 + 2 * _MARGIN
    high = sum(_heights(row)[0] + _heights(row)[1] + _BETWEEN for row in rows)
    return wide, high + 2 * _MARGIN


def _cell_in(width: float, height: float) -> float:
    return min(SHEET_IN[0] / width, SHEET_IN[1] / height, _LARGEST_CELL_IN)


def _heights(row: list[_Cell]) -> tuple[int, int]:
    """Cells above and below a row's line."""
    return math.ceil(max(c.high for c in row) + _NAME), math.ceil(-min(c.low for c in row))


def _rows(cells: Sequence[_Cell], width: float) -> list[list[_Cell]]:
    rows: list[list[_Cell]] = [[]]
    used = 0.0
    for cell in cells:
        if rows[-1] and used + cell.width > width:
            rows.append([])
            used = 0.0
        rows[-1].append(cell)
        used += cell.width
    return rows


def _assembled(rows: list[list[_Cell]]) -> Page:
    page = Page(*_size(rows), 0.0)
    page.cell_in = _cell_in(page.width, page.height)
    top, marks = -int(_MARGIN), 0
    for number, row in enumerate(rows):
        high, low = _heights(row)
        y = top - high
        x = int(_MARGIN) + 1
        for k, cell in enumerate(row):
            goes_on = cell.drawn.block.name != "supply"
            if k == 0 and number and goes_on:
                page.symbols.append(_mark(str(marks), x + 1, y, mirrored=False))
                page.wires.append({((x + 1, y), (x + 2, y))})
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
        top = y - low - int(_BETWEEN)
    page.dots = junctions(page)
    return page


def junctions(page: Page) -> set[Point]:
    """Where three ways or more of one net meet, that into a symbol counted: a dot."""
    pins = {(p.x, p.y) for s in page.symbols if s.part.kind != PORT for p in s.pins}
    found: set[Point] = set()
    for wire in page.wires:
        counts = Counter(point for edge in wire for point in edge)
        found |= {point for point, ways in counts.items() if ways + (point in pins) > 2}
    return found


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
    page.volts += [w.moved(x, y) for w in cell.drawn.volts]
    left, right = cell.x0 + x + 0.5, cell.x1 + x - 0.5
    page.titles.append(Words(cell.drawn.block.name, left, top - LINE / 2.0))
    page.lines.append(((left, top - LINE - 0.1), (right, top - LINE - 0.1)))
