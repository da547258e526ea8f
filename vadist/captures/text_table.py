"""Delimited text to a table of numbers with a header and a preamble, whatever the dialect.

The rows at the end of a file decide: a dialect (separator and decimal mark) fits if it turns
them into rows of numbers. Two dialects that fit with different numbers are ambiguous, and that is
refused rather than guessed.
"""

import gzip
import zlib
from collections import Counter
from dataclasses import dataclass

import numpy as np

from vadist.errors import CaptureError
from vadist.measure.records import FloatArray

LARGEST_TEXT_BYTES = 400_000_000
_TAIL_ROWS = 200
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
    lines = text.splitlines()
    kept = [(k, line) for k, line in enumerate(lines) if line.strip(" \t;,\x00\x1a")]
    dialect, columns = _find_dialect([line for _, line in kept], place, delimiter, decimal)
    first = _first_row([line for _, line in kept], dialect, columns)
    _refuse_other_rows(kept[:first], dialect, place)
    preamble = [dialect.fields(line.lstrip(_COMMENT)) for _, line in kept[:first]]
    body = kept[first:]
    notes = []
    if (
        not _is_row(body[-1][1], dialect, columns)
        and len(body) > 2
        and (
            len(dialect.fields(body[-1][1])) <= len(dialect.fields(body[-2][1]))
            and not text.endswith(("\n", "\r"))
        )
    ):
        notes.append(f"line {body[-1][0] + 1} is cut short and was left out")
        body = body[:-1]
    cells = _numbers(body, dialect, columns, place)
    for _, line in body[: 64 if max(columns) > len(columns) - 1 else 0]:
        beside = [cell for k, cell in enumerate(dialect.fields(line)) if k not in columns]
        if any(beside):
            preamble.append(beside)
    numbers = np.array([k + 1 for k, _ in body])
    return Table(preamble, cells, columns, numbers, dialect, encoding, notes)


def _is_row(line: str, dialect: Dialect, columns: list[int]) -> bool:
    cells = dialect.fields(line)
    return len(cells) > columns[-1] and all(dialect.number(cells[k]) is not None for k in columns)


def _first_row(lines: list[str], dialect: Dialect, columns: list[int]) -> int:
    """Where the numbers begin: the first of three rows of numbers on end."""
    rows = [_is_row(line, dialect, columns) for line in lines[:2000]]
    for k in range(len(rows)):
        if all(rows[k : k + 3]):
            return k
    return len(rows)


def _refuse_other_rows(before: list[tuple[int, str]], dialect: Dialect, place: str) -> None:
    """Refuse rows of numbers in another dialect above those of this one."""
    for other in _dialects():
        if other != dialect and len(before) >= 3:
            rows = [_columns([line], other)[0] for _, line in before[-3:]]
            if all(rows) and all(other.delimiter in line.strip() for _, line in before[-3:]):
                raise CaptureError(
                    f"{place}: line {before[-1][0] + 1}: separators are mixed "
                    f"({_SEPARATORS[other.delimiter]} here, {_SEPARATORS[dialect.delimiter]} below)"
                )


def _dialects() -> list[Dialect]:
    return [Dialect(d, m) for d in _SEPARATORS for m in ".," if (d, m) != (",", ",")]


def _find_dialect(
    lines: list[str], place: str, delimiter: str, decimal: str
) -> tuple[Dialect, list[int]]:
    candidates = [
        d for d in _dialects() if delimiter in ("", d.delimiter) and decimal in ("", d.decimal)
    ]
    # Fewer rows than a quarter of the file are no capture, whatever stands above them.
    tail = lines[-min(_TAIL_ROWS, max(len(lines) // 4, 1)) :]
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
    body: list[tuple[int, str]], dialect: Dialect, columns: list[int], place: str
) -> FloatArray:
    if len(body) < 2:
        raise CaptureError(f"{place}: holds {len(body)} row of numbers; a capture needs more")
    space = dialect.delimiter == " "
    widths = [len(line.split()) if space else line.count(dialect.delimiter) for _, line in body]
    usual = Counter(widths).most_common(1)[0][0]
    texts = [line for _, line in body]
    if dialect.decimal == ",":
        texts = [line.replace(",", ".") for line in texts]
    try:
        if any(width != usual for width in widths):
            raise ValueError
        cells = np.loadtxt(
            texts, delimiter=None if space else dialect.delimiter, usecols=columns, ndmin=2,
            comments=None, quotechar='"',
        )  # fmt: skip
        if np.isfinite(cells).all():
            return np.asarray(cells, dtype=np.float64)
    except ValueError:
        pass
    raise CaptureError(f"{place}: {_fault(body, dialect, columns, usual + (0 if space else 1))}")


def _fault(body: list[tuple[int, str]], dialect: Dialect, columns: list[int], usual: int) -> str:
    """Word what is wrong with the first line that cannot be read."""
    for k, line in body:
        cells = dialect.fields(line)
        here = f"line {k + 1}"
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
