"""Files of moves: a table as CSV, or TOML.

::

    control,seconds,position        [moves]
    drive,0,0.2                     drive = ["0.2@0s", "0.9@2s"]
    drive,2,0.9
"""

import csv
import tomllib
from pathlib import Path

from vadist.designs.moves import Move, check_moves, parse_point, position_of, seconds_of
from vadist.designs.words import shown
from vadist.errors import UsageError, VadistError
from vadist.files import told
from vadist.names import printable

COLUMNS = ("control", "seconds", "position")

_LARGEST_BYTES = 4_000_000


def read_moves(path: Path) -> list[Move]:
    """Moves of a file, ``.csv`` or ``.toml``.

    Raises
    ------
    UsageError
        With the file, and the line of a table, in front.
    """
    readers = {".csv": _from_table, ".toml": _from_toml}
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise UsageError(f"{printable(path)}: moves are read from .csv or .toml")
    with told(path, "cannot be read"):
        if path.stat().st_size > _LARGEST_BYTES:
            raise UsageError(f"{printable(path)}: is larger than 4 MB, which no moves are")
        raw = path.read_bytes()
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UsageError(f"{printable(path)}: is not UTF-8 text") from None
    try:
        moves = reader(text)
        if not moves:
            raise UsageError("holds no moves")
        check_moves(moves)
    except VadistError as error:
        raise UsageError(f"{printable(path)}: {error}") from None
    return moves


def _from_table(text: str) -> list[Move]:
    rows = csv.reader(text.splitlines())
    header = [word.strip() for word in next(rows, [])]
    if tuple(header) != COLUMNS:
        raise UsageError(f"line 1: must be {','.join(COLUMNS)} (got {shown(','.join(header))})")
    points: dict[str, list[tuple[float, float | str]]] = {}
    for row in rows:
        if not row:
            continue
        if len(row) != len(COLUMNS):
            raise UsageError(f"line {rows.line_num}: must have 3 values (got {len(row)})")
        control = row[0].strip()
        try:
            point = seconds_of(control, row[1]), position_of(control, row[2])
        except UsageError as error:
            raise UsageError(f"line {rows.line_num}: {error}") from None
        points.setdefault(control, []).append(point)
    return [Move(control, tuple(found)) for control, found in points.items()]


def _from_toml(text: str) -> list[Move]:
    try:
        read = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise UsageError(f"is not TOML ({str(error).splitlines()[0]})") from None
    table = read.get("moves")
    if set(read) != {"moves"} or not isinstance(table, dict):
        raise UsageError('must hold one table, [moves], with lines like drive = ["0.2@0s"]')
    moves = []
    for control, words in table.items():
        if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
            raise UsageError(
                f'move of {control}: must be a list like ["0.2@0s", "0.9@2s"] (got {shown(words)})'
            )
        moves.append(Move(control, tuple(parse_point(control, word) for word in words)))
    return moves
