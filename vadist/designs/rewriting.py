"""A design written into the file it stems from: what changed is replaced, all else stays as it is.

Two designs are compared value by value, so a value that was spelt another way (``4700``, ``4k7``)
is left alone as long as it means the same.
"""

import tomllib
import warnings
from collections.abc import Callable, Iterator, Mapping, MutableMapping
from typing import TYPE_CHECKING, Any

from vadist.circuits.network import BIAS, GROUND
from vadist.designs.blocks import block_table
from vadist.designs.toml import parse_design
from vadist.designs.values import write_held, write_value
from vadist.designs.words import toml_string
from vadist.errors import DesignError, DesignWarning
from vadist.stages.stage import FieldInfo
from vadist.stages.wired import WIRED, WiredStage

if TYPE_CHECKING:
    from vadist.designs.design import Design

_POSITION = FieldInfo("position", "", "")
_Change = tuple[tuple[str | int, ...], str, list[str | None]]
"""Tables that lead to a key, the key, and its value as TOML in the one and the other design."""


def rewritten(design: "Design", original: str) -> str | None:
    """Write a design into the text it stems from.

    Parameters
    ----------
    design : Design
    original : str
        TOML of a design of the same stages and controls.

    Returns
    -------
    str or None
        None where the two differ by more than values, or the text cannot hold the values where
        they belong.

    Raises
    ------
    DesignError
        If the original is no design.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    before = _read(original)
    if not _alike(before, design):
        return None
    try:
        document = tomlkit.parse(original)
        for tables, key, (held, wanted) in _changes(before, design):
            if held != wanted:
                _put(_table(document, tables, tomlkit.table), key, held, wanted, tomlkit.value)
        text = tomlkit.dumps(document)
        return text if _read(text) == design else None
    except (TOMLKitError, DesignError, LookupError, TypeError, ValueError):
        return None


def _read(text: str) -> "Design":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DesignWarning)  # told when it was first read
        return parse_design(text)


def _alike(a: "Design", b: "Design") -> bool:
    """Whether two designs have the same stages and controls, whatever their values."""
    drawn = [
        [(n, type(s), s.wiring if isinstance(s, WiredStage) else None) for n, s in d.stages.items()]
        for d in (a, b)
    ]
    return drawn[0] == drawn[1] and list(a.controls) == list(b.controls)


def _changes(before: "Design", after: "Design") -> Iterator[_Change]:
    """Every place of a file, with what the two designs write there; None for nothing."""
    for key in ("name", "description"):
        yield (), key, [toml_string(getattr(d, key)) for d in (before, after)]
    rails = [BIAS if d.input_at_bias else GROUND for d in (before, after)]
    yield ("source",), "rests_at", [toml_string(rail) for rail in rails]
    places: dict[str, tuple[str | int, ...]] = {
        name: ("stage", k) for k, name in enumerate(before.stages)
    }
    for name, place in places.items():
        yield place, "bypassed", ["true" if name in d.bypassed else None for d in (before, after)]
        stage, changed = before.stages[name], after.stages[name]
        if isinstance(stage, WiredStage) and isinstance(changed, WiredStage):
            yield from _wired_changes(stage, changed, place)
    for path in before.paths:
        owner, _, key = path.partition(".")
        if isinstance(before.stages.get(owner), WiredStage):
            continue
        info, held = before.field_info(path), (before.value(path), after.value(path))
        tables = places.get(owner, (owner,))
        if not key:
            info, tables, key = _POSITION, ("controls", owner), "position"
        texts = [None if v is None else write_value(info, v) for v in held]
        yield tables, key, texts
    for name, knob in before.controls.items():
        knobs = (knob, after.controls[name])
        yield ("controls", name), "taper", [toml_string(k.taper) for k in knobs]
        yield ("controls", name), "moves", [_moves(k.moves) for k in knobs]


def _wired_changes(
    before: WiredStage, after: WiredStage, place: tuple[str | int, ...]
) -> Iterator[_Change]:
    """Lines of a wiring list, or values beside the name of a block."""
    if before.type_name == WIRED:
        lines = (block_table(before), block_table(after))
        for part in before.infos:
            yield (*place, "parts"), part, [toml_string(held[part]) for held in lines]
    else:
        for part, info in before.infos.items():
            yield place, part, [write_held(info, s.held[part]) for s in (before, after)]


def _moves(moves: tuple[str, ...]) -> str:
    return f"[{', '.join(toml_string(move) for move in moves)}]"


def _table(document: Any, tables: tuple[str | int, ...], new: Callable[[], Any]) -> Any:
    """Return the table at the end of a row of keys, made where it is missing."""
    for key in tables:
        if isinstance(key, str) and key not in document:
            document[key] = new()
        document = document[key]
    return document


def _put(
    table: MutableMapping[str, Any],
    key: str,
    held: str | None,
    wanted: str | None,
    value: Callable[[str], Any],
) -> None:
    """Set one key; of a value that is a table only what is another in it."""
    there = table.get(key)
    if wanted is None:
        del table[key]
    elif isinstance(there, MutableMapping) and held is not None:
        old, new = _plain(held), _plain(wanted)
        if isinstance(old, Mapping) and isinstance(new, Mapping):
            for inner in old.keys() - new.keys():
                del there[inner]
            for inner, text in _inner(wanted, value):
                if old.get(inner) != new[inner]:
                    _put(there, inner, None, text, value)
        else:
            table[key] = value(wanted)
    else:
        table[key] = value(wanted)


def _plain(text: str) -> Any:
    return tomllib.loads(f"v = {text}")["v"]


def _inner(text: str, value: Callable[[str], Any]) -> Iterator[tuple[str, str]]:
    for key, item in value(text).items():
        yield key, item.as_string()
