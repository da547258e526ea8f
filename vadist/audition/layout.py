"""A table of texts in a given width: columns that do not fit go on below."""

import re
import textwrap
from collections.abc import Sequence

NARROWEST = 40
_FIRST_SHARE = 1.0 / 3.0
# Of the width, for the first column at most: names longer than that go over several lines.
_GAP = 2
_INDENT = "  "
_PIECE = re.compile(r"(?:[^\s._=]|(?<=\d)\.(?=\d))*[._=]?\s*")  # no number is broken at its point


def lay_out(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Lay out a table in lines of at most so many letters.

    Parameters
    ----------
    rows : sequence of rows of str
        The first holds the headings. The first column is repeated wherever the others go on
        below; a column that holds nothing under its heading is left out.
    width : int
        Letters; at least :data:`NARROWEST` are taken.

    Examples
    --------
    >>> for line in lay_out([("x", "length", "weight"), ("pen", "14 cm", "8 g")], 40):
    ...     print(line)
    x    length  weight
    -------------------
    pen   14 cm     8 g
    """
    width = max(width, NARROWEST)
    columns = [column for column in zip(*rows, strict=True) if any(column[1:])]
    first, others = columns[0], columns[1:]
    room = min(max(map(len, first)), int(_FIRST_SHARE * width))
    names = [_wrapped(cell, room, _INDENT) for cell in first]
    most = width - max(len(line) for name in names for line in name) - _GAP
    cells = [
        [_wrapped(column[0], _column_room(column, most))]
        + [_wrapped(cell, most) for cell in column[1:]]
        for column in others
    ]
    lines: list[str] = []
    for block in _blocks(cells, most):
        if lines:
            lines.append("")
        lines += _block([names, *block])
    return lines


def wrap_notes(notes: Sequence[str], width: int) -> list[str]:
    """Break notes into lines, each after its first indented."""
    width = max(width, NARROWEST)
    return [line for note in notes for line in textwrap.wrap(note, width, subsequent_indent="  ")]


def _column_room(column: Sequence[str], most: int) -> int:
    """Width of a heading: what its longest word or the cells below it take."""
    words = max(map(len, column[0].split()))
    return min(max(words, *map(len, column[1:])), most)


def _wrapped(text: str, room: int, indent: str = "") -> list[str]:
    """Break a text at blanks, else after a dot, equals sign or underline, else anywhere."""
    lines = [""]
    for piece in _PIECE.findall(text):
        if lines[-1].strip() and len(lines[-1]) + len(piece.rstrip()) > room:
            lines.append(indent)
        lines[-1] += piece
        while len(lines[-1].rstrip()) > room:
            lines[-1:] = [lines[-1][:room], indent + lines[-1][room:]]
    return [line.rstrip() for line in lines]


Cell = list[str]


def _blocks(columns: Sequence[list[Cell]], most: int) -> list[list[list[Cell]]]:
    """Columns in groups that fit beside the first one."""
    blocks: list[list[list[Cell]]] = [[]]
    left = most
    for column in columns:
        needed = _width(column) + (_GAP if blocks[-1] else 0)
        if blocks[-1] and needed > left:
            blocks.append([])
            left, needed = most, _width(column)
        blocks[-1].append(column)
        left -= needed
    return blocks


def _width(column: list[Cell]) -> int:
    return max(len(line) for cell in column for line in cell)


def _block(columns: Sequence[list[Cell]]) -> list[str]:
    widths = [_width(column) for column in columns]
    lines = []
    for number, row in enumerate(zip(*columns, strict=True)):
        height = max(map(len, row))
        for k in range(height):
            texts = []
            for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
                # Headings stand on the rule, other cells begin at the top of their row.
                at = k - (height - len(cell)) if number == 0 else k
                text = cell[at] if 0 <= at < len(cell) else ""
                texts.append(text.ljust(width) if place == 0 else text.rjust(width))
            lines.append((" " * _GAP).join(texts).rstrip())
        if number == 0:
            lines.append("-" * (sum(widths) + _GAP * (len(widths) - 1)))
    return lines
