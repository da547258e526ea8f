"""Delimited text to a table of numbers with a header and a preamble, whatever the dialect.

The rows at the end of a file decide: a dialect (separator and decimal mark) fits if it turns
them into rows of numbers. Two dialects that fit with different numbers are ambiguous, and that is
refused rather than guessed.
"""

import gzip
import zlib
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from vadist.errors import CaptureError
from vadist.measure.records import FloatArray

LARGEST_TEXT_BYTES = 400_000_000
_TAIL_ROWS, _HEAD_ROWS, _BESIDE_ROWS = 200, 2000, 64
_BLOCK_CHARACTERS = 1 << 18
_EMPTY = " \t;,\x00\x1a"
_SEPARATORS = {";": "semicolon", "\t": "tab", ",": "comma", " ": "space"}
_COMMENT = "#%/ "


@dataclass(frozen=True)
class Dialect:
    """How numbers are written and separated."""

    delimiter: str
    decimal: str

    def fields(self, line: str) -> list[str]:
        """Cells of a line, blanks and quotes taken off."""
        parts = line.split(None if self.delimiter == " " else self.delimiter)
        return [part.strip().strip('"').strip() for part in parts]

    def number(self, cell: str) -> float | None:
        """Read a cell, or None if it is no number in this dialect."""
        if self.decimal == ",":
            cell = cell.replace(",", ".")
        elif "," in cell:
            return None
        try:
            return float(cell) if "_" not in cell else None
        except ValueError:
            return None

    def __str__(self) -> str:
        mark = "comma" if self.decimal == "," else "point"
        return f"{_SEPARATORS[self.delimiter]}-separated, decimal {mark}"


@dataclass(frozen=True)
class Table:
    """What a text file holds.

    Attributes
    ----------
    preamble : list of list of str
        Cells of the lines before the numbers, and of cells beside the first rows.
    cells : (rows, columns)
    columns : list of int
        Place of each column among the cells of a line.
    lines : (rows,)
        Line of each row in the file, counted from 1.
    dialect : Dialect
    encoding : str
    notes : list of str
    """

    preamble: list[list[str]]
    cells: FloatArray
    columns: list[int]
    lines: np.ndarray[tuple[int], np.dtype[np.int64]]
    dialect: Dialect
    encoding: str
    notes: list[str]


def decode(content: bytes, place: str) -> tuple[str, str]:
    """Text and encoding of a file, unpacked if it is gzip.

    Raises
    ------
    CaptureError
        If it is damaged, enormous or no text.
    """
    packed = content[:2] == b"\x1f\x8b"
    if packed:
        content = _unpack(content, place)
    if not content.strip():
        raise CaptureError(f"{place}: is empty")
    if content[:3] == b"\xef\xbb\xbf":
        encodings = ["utf-8-sig"]
    elif content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings = ["utf-16"]
    elif content[1:2] == b"\x00" or content[:1] == b"\x00":
        encodings = ["utf-16-le" if content[1:2] == b"\x00" else "utf-16-be"]
    else:
        encodings = ["utf-8", "latin-1"]
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        control = sum(text[:4096].count(chr(c)) for c in range(32) if chr(c) not in "\t\n\r\f")
        if control == 0:
            return text, encoding.removesuffix("-sig") + (", gzip" if packed else "")
    raise CaptureError(f"{place}: is neither text, WAV, FLAC nor a NumPy file")


def _unpack(content: bytes, place: str) -> bytes:
    import io

    try:
        with gzip.GzipFile(fileobj=io.BytesIO(content)) as stream:
            plain = stream.read(LARGEST_TEXT_BYTES + 1)
    except (OSError, EOFError, zlib.error) as error:
        raise CaptureError(f"{place}: is damaged gzip ({error})") from None
    if len(plain) > LARGEST_TEXT_BYTES:
        raise CaptureError(
            f"{place}: unpacks to more than {LARGEST_TEXT_BYTES // 10**6} MB; cut it or save NumPy"
        )
    return plain


def read_table(content: bytes, place: str, delimiter: str = "", decimal: str = "") -> Table:
    """Read a file's numbers.

    Parameters
    ----------
    content : bytes
    place : str
        For messages.
    delimiter, decimal : str
        Stated by a person; empty to find out.

    Raises
    ------
    CaptureError
        Naming the line that cannot be understood, or the options that settle an ambiguity.
    """
    text, encoding = decode(content, place)
    count, head, ends = _survey(text)
    if not count:
        raise CaptureError(f"{place}: holds separators alone, no numbers")
    # Fewer rows than a quarter of the file are no capture, whatever stands above them.
    tail = [line for _, line in ends[-max(count // 4, 1) :]]
    dialect, columns = _find_dialect(tail, place, delimiter, decimal)
    first = _first_row([line for _, line in head[:_HEAD_ROWS]], dialect, columns)
    _refuse_other_rows(head[:first], dialect, place)
    preamble = [dialect.fields(line.lstrip(_COMMENT)) for _, line in head[:first]]
    for _, line in head[first : first + _BESIDE_ROWS] if max(columns) >= len(columns) else []:
        beside = [cell for k, cell in enumerate(dialect.fields(line)) if k not in columns]
        if any(beside):
            preamble.append(beside)
    notes, rows = [], count - first
    if rows > 2 and not text.endswith(("\n", "\r")) and _is_cut(ends, dialect, columns):
        notes.append(f"line {ends[-1][0]} is cut short and was left out")
        rows -= 1
    cells, lines = _numbers(text, first, rows, dialect, columns, place)
    return Table(preamble, cells, columns, lines, dialect, encoding, notes)


Line = tuple[int, str]
"""A line and its number in the file, counted from 1."""


def _blocks(text: str) -> Iterator[list[Line]]:
    """Lines that hold something, some thousand at a time.

    All of them at once would take some 200 bytes a line.
    """
    start = number = 0
    while start < len(text):
        end = text.find("\n", start + _BLOCK_CHARACTERS) + 1 or len(text)
        lines = text[start:end].splitlines()
        yield [(number + k, line) for k, line in enumerate(lines, 1) if line.strip(_EMPTY)]
        start, number = end, number + len(lines)


def _survey(text: str) -> tuple[int, list[Line], list[Line]]:
    """How many lines hold something; the first and the last of them."""
    count, head = 0, list[Line]()
    ends: deque[Line] = deque(maxlen=_TAIL_ROWS)
    for block in _blocks(text):
        count += len(block)
        head += block[: _HEAD_ROWS + _BESIDE_ROWS - len(head)]
        ends.extend(block)
    return count, head, list(ends)


def _is_cut(ends: list[Line], dialect: Dialect, columns: list[int]) -> bool:
    """Whether the last line is no row, and no longer than the one before."""
    before, last = ends[-2][1], ends[-1][1]
    shorter = len(dialect.fields(last)) <= len(dialect.fields(before))
    return shorter and not _is_row(last, dialect, columns)


def _is_row(line: str, dialect: Dialect, columns: list[int]) -> bool:
    cells = dialect.fields(line)
    return len(cells) > columns[-1] and all(dialect.number(cells[k]) is not None for k in columns)


def _first_row(lines: list[str], dialect: Dialect, columns: list[int]) -> int:
    """Where the numbers begin: the first of three rows of numbers on end."""
    rows = [_is_row(line, dialect, columns) for line in lines]
    for k in range(len(rows)):
        if all(rows[k : k + 3]):
            return k
    return len(rows)


def _refuse_other_rows(before: list[Line], dialect: Dialect, place: str) -> None:
    """Refuse rows of numbers in another dialect above those of this one."""
    for other in _dialects():
        if other != dialect and len(before) >= 3:
            rows = [_columns([line], other)[0] for _, line in before[-3:]]
            if all(rows) and all(other.delimiter in line.strip() for _, line in before[-3:]):
                raise CaptureError(
                    f"{place}: line {before[-1][0]}: separators are mixed "
                    f"({_SEPARATORS[other.delimiter]} here, {_SEPARATORS[dialect.delimiter]} below)"
                )


def _dialects() -> list[Dialect]:
    return [Dialect(d, m) for d in _SEPARATORS for m in ".," if (d, m) != (",", ",")]


def _find_dialect(
    tail: list[str], place: str, delimiter: str, decimal: str
) -> tuple[Dialect, list[int]]:
    candidates = [
        d for d in _dialects() if delimiter in ("", d.delimiter) and decimal in ("", d.decimal)
    ]
    fitting: list[tuple[Dialect, list[int], list[tuple[float | None, ...]]]] = []
    for dialect in candidates:
        columns, share = _columns(tail, dialect)
        if columns and share > 0.6:
            rows = [tuple(dialect.number(c) for c in dialect.fields(line) if c) for line in tail]
            if not any(rows == seen for _, _, seen in fitting):
                fitting.append((dialect, columns, rows))
    if not fitting:
        raise CaptureError(_no_dialect(tail, candidates, place))
    if len(fitting) > 1:
        ways = " or ".join(f"{d} ({len(c)} columns)" for d, c, _ in fitting)
        raise CaptureError(
            f"{place}: may be read as {ways}; settle it with --delimiter and --decimal"
        )
    return fitting[0][0], fitting[0][1]


def _columns(tail: list[str], dialect: Dialect) -> tuple[list[int], float]:
    """Columns that hold numbers in most of the rows, and the share of rows that fit."""
    rows = [dialect.fields(line) for line in tail]
    width, _ = Counter(len(row) for row in rows).most_common(1)[0]
    wide = [row for row in rows if len(row) == width]
    columns = []
    for k in range(width):
        filled = sum(dialect.number(row[k]) is not None for row in wide)
        if filled > 0.6 * len(wide):
            columns.append(k)
        elif sum(bool(row[k]) for row in wide) > 0.6 * len(wide):
            return [], 0.0  # a column of words
    fit = sum(all(dialect.number(row[k]) is not None for k in columns) for row in wide)
    return columns, fit / len(rows)


def _no_dialect(tail: list[str], candidates: list[Dialect], place: str) -> str:
    """Tell what is wrong with a file that no dialect fits."""
    kinds = Counter(
        next((d for d in candidates if d.delimiter in line and _columns([line], d)[0]), None)
        for line in tail
    )
    used = [d for d, n in kinds.items() if d is not None and n > 0.1 * len(tail)]
    if len(used) > 1:
        names = " and ".join(sorted({_SEPARATORS[d.delimiter] for d in used}))
        return f"{place}: separators are mixed ({names}); every row must use the same one"
    return f"{place}: no rows of numbers were found (the last line reads {_shown(tail[-1])})"


def _shown(text: str) -> str:
    text = repr(text.strip())
    return text if len(text) <= 50 else f"{text[:47]}..."


def _numbers(
    text: str, first: int, count: int, dialect: Dialect, columns: list[int], place: str
) -> tuple[FloatArray, np.ndarray[tuple[int], np.dtype[np.int64]]]:
    """Rows of numbers, (rows, columns), behind the `first` lines; and the line of each."""
    if count < 2:
        raise CaptureError(f"{place}: holds {count} row of numbers; a capture needs more")
    cells, lines = np.empty((count, len(columns))), np.empty(count, dtype=np.int64)
    done = usual = 0
    for block in _blocks(text):
        skipped = min(first, len(block))
        first -= skipped
        body = block[skipped : skipped + count - done]
        if not body:
            continue
        widths = [_width(line, dialect) for _, line in body]
        usual = usual or Counter(widths).most_common(1)[0][0]
        found = _read_block(body, dialect, columns) if set(widths) == {usual} else None
        if found is None:
            raise CaptureError(f"{place}: {_fault(body, dialect, columns, usual)}")
        cells[done : done + len(body)] = found
        lines[done : done + len(body)] = [number for number, _ in body]
        done += len(body)
    return cells, lines


def _width(line: str, dialect: Dialect) -> int:
    """Number of cells."""
    return len(line.split()) if dialect.delimiter == " " else line.count(dialect.delimiter) + 1


def _read_block(body: list[Line], dialect: Dialect, columns: list[int]) -> FloatArray | None:
    """Numbers of some lines, (lines, columns), or None if one cannot be read or is not finite."""
    texts = [line for _, line in body]
    if dialect.decimal == ",":
        texts = [line.replace(",", ".") for line in texts]
    delimiter = None if dialect.delimiter == " " else dialect.delimiter
    try:
        cells = np.loadtxt(
            texts, delimiter=delimiter, usecols=columns, ndmin=2, comments=None, quotechar='"'
        )
    except ValueError:
        return None
    return np.asarray(cells, dtype=np.float64) if np.isfinite(cells).all() else None


def _fault(body: list[Line], dialect: Dialect, columns: list[int], usual: int) -> str:
    """Word what is wrong with the first line that cannot be read."""
    for k, line in body:
        cells = dialect.fields(line)
        here = f"line {k}"
        if len(cells) != usual:
            others = [d for d in _SEPARATORS if d != dialect.delimiter and d in line.strip()]
            if others and len(cells) < usual:
                return (
                    f"{here}: separators are mixed ({_SEPARATORS[others[0]]} here, "
                    f"{_SEPARATORS[dialect.delimiter]} elsewhere)"
                )
            return f"{here}: has {len(cells)} cells, other lines have {usual}"
        for column in columns:
            value = dialect.number(cells[column])
            if not cells[column]:
                return f"{here}: column {column + 1} is empty"
            if value is None:
                return f"{here}: {_shown(cells[column])} is not a number"
            if not np.isfinite(value):
                return f"{here}: {cells[column]} is no measurement"
    return "a row cannot be read"
