"""Names and counts as people give them, and as they may be shown."""

import difflib
import hashlib
import operator
import os
import re
from collections.abc import Iterable, Mapping
from typing import TypeVar

from vadist.errors import DesignError, UsageError

Entry = TypeVar("Entry")

_UNDECODED = range(0xDC80, 0xDD00)
# How Python carries a byte of a file name that is no text in the system's encoding (PEP 383).


def nearest(name: str, names: Iterable[str]) -> str:
    """Return '; did you mean ...?' with the closest known name, or nothing.

    >>> nearest("--normalize", ["--out", "--normalise"])
    "; did you mean '--normalise'?"
    """
    close = difflib.get_close_matches(name, list(names), n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else ""


def printable(name: object) -> str:
    r"""Return a name as it may be shown: one line, without what could steer a terminal.

    Control characters, invisible ones and bytes that are no text are written as escapes.

    >>> print(printable("a\x1b[2J\nb.wav"))
    a\x1b[2J\nb.wav
    """
    return "".join(c if c.isprintable() else _escape(c) for c in str(name))


def _escape(character: str) -> str:
    if ord(character) in _UNDECODED:
        return f"\\x{ord(character) - 0xDC00:02x}"
    return character.encode("unicode_escape").decode("ascii")


def file_words(text: str) -> str:
    """Return a text as it may stand in a file's name, which may hold spaces, slashes, anything.

    >>> file_words("drive=70%, red LED")
    'drive=70pct_red_LED'
    """
    return re.sub(r"[^\w.+=-]+", "_", text.replace("%", "pct"))


LONGEST_STEM = 240
"""Bytes of a name without its ending: file systems take 255, and a sidecar adds .wav.json."""


def short_stem(stem: str) -> str:
    """Return a name that file systems take: a long one is cut, and ends with a hash of the whole.

    >>> len(short_stem("n" * 300)), short_stem("riff")
    (240, 'riff')
    """
    if len(os.fsencode(stem)) <= LONGEST_STEM:
        return stem
    mark = hashlib.sha256(os.fsencode(stem)).hexdigest()[:8]
    while len(os.fsencode(stem)) > LONGEST_STEM - len(mark) - 1:
        stem = stem[:-1]
    return f"{stem}-{mark}"


def whole(name: str, count: object, most: int | None = None) -> int:
    """Return a count as an int, if it is a whole number of at least 1 and at most `most`.

    Raises
    ------
    UsageError

    Examples
    --------
    >>> whole("oversample", 8, 256)
    8
    """
    rule = "at least 1" if most is None else f"within 1..{most}"
    try:
        if isinstance(count, bool):
            raise TypeError
        number = operator.index(count)  # type: ignore[arg-type]
    except TypeError:
        raise UsageError(f"{name} must be a whole number {rule} (got {count})") from None
    if number < 1 or (most is not None and number > most):
        raise UsageError(f"{name} must be {rule} (got {number})")
    return number


def find_by_name(kind: str, name: str, table: Mapping[str, Entry]) -> Entry:
    """Entry of a table, whatever the case and the blanks of its name.

    Parameters
    ----------
    kind : str
        What the table holds, for the message: ``diode``.
    name : str
        What was asked for.
    table : mapping of str to entry

    Raises
    ------
    DesignError
        If there is none; the message suggests the nearest names, or lists all.
    """
    by_key = {_key(known): entry for known, entry in table.items()}
    entry = by_key.get(_key(name))
    if entry is None:
        keys = {_key(known): known for known in table}
        close = [keys[key] for key in difflib.get_close_matches(_key(name), keys, n=3)]
        hint = f"nearest: {', '.join(close)}" if close else f"known: {', '.join(table)}"
        raise DesignError(f"must be a known {kind} (got {name!r}; {hint})")
    return entry


def is_one_of(name: str, names: Iterable[str]) -> bool:
    """Whether a name is among others, whatever its case and blanks.

    >>> is_one_of(" bc547b", ["BC547B"])
    True
    """
    return _key(name) in {_key(known) for known in names}


def _key(name: str) -> str:
    return " ".join(name.split()).casefold()
