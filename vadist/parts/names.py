"""Finding an entry by the name a person typed."""

import difflib
from collections.abc import Mapping
from typing import TypeVar

from vadist.errors import DesignError

Entry = TypeVar("Entry")


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


def _key(name: str) -> str:
    return " ".join(name.split()).casefold()
