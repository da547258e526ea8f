"""How values and names of a file are worded in messages, and texts in TOML."""

from collections.abc import Iterable, Mapping

from vadist.errors import DesignError
from vadist.names import nearest


def shown(raw: object) -> str:
    """Return a value for a message: on one line and of bearable length.

    >>> shown("4k7")
    "'4k7'"
    """
    if isinstance(raw, int) and not isinstance(raw, bool) and abs(raw) > 10**18:
        return "an enormous number"
    if isinstance(raw, Mapping):
        keys = ", ".join(f"{shown(k)}" for k in list(raw)[:4])
        return f"a table with {keys}" if raw else "an empty table"
    if isinstance(raw, list):
        return f"a list of {len(raw)}"
    text = repr(raw)
    return text if len(text) <= 60 else f"{text[:57]}..."


def toml_string(text: str) -> str:
    r"""Write text as a basic string of TOML.

    >>> print(toml_string('a "b"'))
    "a \"b\""
    """
    named = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    letters = (
        named.get(c) or (f"\\u{ord(c):04x}" if ord(c) < 0x20 or ord(c) == 0x7F else c) for c in text
    )
    return f'"{"".join(letters)}"'


def reject_unknown(keys: Iterable[str], known: Iterable[str], what: str = "key") -> None:
    """Raise for the first key that is not known, with the nearest one that is."""
    names = list(known)
    for key in keys:
        if key not in names:
            raise DesignError(unknown(key, names, what))


def unknown(name: str, names: Iterable[str], what: str) -> str:
    """Word the complaint about a name that is not known."""
    return f"unknown {what} {shown(name)}{nearest(name[:80], names)}"
