"""A line of a wiring list: text to a part with its value, and back.

A line reads as a person would say it with an iron in hand::

    KIND VALUE: TERMINAL to NODE, TERMINAL to NODE; what it is for

and for a part whose two ends need no names ``KIND VALUE: NODE to NODE``. The value is written as
``--set`` takes it, ``none`` for a part that is left out; what it is for may be missing.
"""

import tomllib
from collections.abc import Iterator
from typing import Any

from vadist.designs.faults import NAME, NAME_RULE, Faults
from vadist.designs.values import NOTHING, read_value, warn_of, write_value
from vadist.designs.words import shown, unknown
from vadist.errors import DesignError
from vadist.stages.stage import FieldInfo
from vadist.stages.wired import COMMON, ENDS, NOWHERE, PART_KINDS, Part

_EXAMPLE = '"resistor 4k7: source to output"'
_RESERVED = ("name", "type", "bypassed", "parts")
# Keys of a stage, which may stand beside its parts.


def read_line(name: str, raw: object, faults: Faults) -> tuple[Part, Any] | None:
    """Read a line; None where faults were noted.

    Parameters
    ----------
    name : str
        Of the part.
    raw : object
        What stands in the file.
    faults : Faults
        Of the part's place.
    """
    before = len(faults.lines)
    if not NAME.fullmatch(name):
        faults.add(f"a part's name {NAME_RULE}")
    elif name in _RESERVED:
        faults.add(f"a part must not be called {', '.join(_RESERVED[:-1])} or {_RESERVED[-1]}")
    if not isinstance(raw, str):
        faults.add(f"must be a line such as {_EXAMPLE} (got {shown(raw)})")
        return None
    kind, value, wires, purpose = _split(raw)
    if kind not in PART_KINDS:
        known = ", ".join(PART_KINDS)
        told = unknown(kind, PART_KINDS, "kind of part") if kind else "lacks its kind"
        faults.add(f"{told}; there are {known}")
        return None
    if wires is None:
        faults.add(f"lacks a ':' before where it goes, as in {_EXAMPLE} (got {shown(raw)})")
        return None
    record = PART_KINDS[kind]
    info = FieldInfo(record.value, record.unit, "", optional=True)
    terminals = _terminals(kind, wires, faults)
    if kind == "switch":
        if terminals is None:
            return None
        info = Part(name, kind, terminals).info
    held = faults.attempt(lambda: _value(kind, info, value))
    if terminals is None or len(faults.lines) > before:
        return None
    return Part(name, kind, terminals, purpose), held


def warn_of_line(part: Part, raw: str, held: Any, place: str) -> None:
    """Warn of a value that looks like a slip."""
    warn_of(part.info, _split(raw)[1], held, place)


def write_line(part: Part, held: Any) -> str:
    """Write a part and its value as a line.

    >>> ends = (("one end", "source"), ("other end", "a"))
    >>> write_line(Part("r", "resistor", ends, "first"), 4700.0)
    'resistor 4k7: source to a; first'
    """
    value = NOTHING if held is None else write_value(part.info, held)
    if value.startswith('"'):
        value = str(tomllib.loads(f"v = {value}")["v"])
    purpose = f"; {part.purpose}" if part.purpose else ""
    return f"{part.kind} {value}: {part.connections}{purpose}"


def _split(raw: str) -> tuple[str, str, str | None, str]:
    """Kind, value, where it goes (None without a colon) and what it is for."""
    kind, _, rest = raw.strip().partition(" ")
    if ":" not in rest and kind.endswith(":"):
        kind, rest = kind[:-1], f":{rest}"
    at = _end_of_value(rest)
    if at is None:
        return kind.removesuffix(":"), rest.strip(), None, ""
    wires, _, purpose = rest[at + 1 :].partition(";")
    return kind.removesuffix(":"), rest[:at].strip(), wires, purpose.strip()


def _end_of_value(text: str) -> int | None:
    """Where the colon stands that ends a value; colons within a table's texts do not."""
    depth, quoted, escaped = 0, "", False
    for position, letter in enumerate(text):
        if quoted:
            ends = letter == quoted and not escaped
            escaped = letter == "\\" and not escaped
            quoted = "" if ends else quoted
        elif depth and letter in "\"'":
            quoted = letter
        elif letter in "{}":
            depth += 1 if letter == "{" else -1
        elif letter == ":" and depth <= 0:
            return position
    return None


def _value(kind: str, info: FieldInfo, text: str) -> Any:
    if not text:
        example = PART_KINDS[kind].example if info.optional else info.choices[0]
        raise DesignError(f'lacks its value, as in "{kind} {example}: ..."')
    if text == NOTHING and info.optional:
        return None
    raw: object = text
    if text.startswith("{"):
        try:
            raw = tomllib.loads(f"v = {text}")["v"]
        except (ValueError, RecursionError):
            raise DesignError(f"has a table that cannot be read (got {shown(text)})") from None
    return read_value(info, raw)


def _terminals(kind: str, wires: str, faults: Faults) -> tuple[tuple[str, str], ...] | None:
    """Terminals with their nodes, in the order of the kind."""
    wanted = PART_KINDS[kind].terminals
    if wanted == ENDS:
        return _ends(kind, wires, faults)
    found: dict[str, list[str]] = {}
    for piece in wires.split(","):
        for terminal, nodes in _connection(piece, faults):
            if terminal in found:
                faults.add(f"{shown(terminal)} is connected twice")
            found[terminal] = nodes
    if kind == "switch":
        return _contacts(found, faults)
    for terminal in found:
        if terminal not in wanted:
            faults.add(unknown(terminal, wanted, f"terminal of {_a(kind)}"))
        elif len(found[terminal]) > 1:
            faults.add(f"its {terminal} must go to one node")
        elif found[terminal] == [NOWHERE]:
            faults.add(f"its {terminal} must go to a node; {NOWHERE!r} is for switches alone")
    for terminal in wanted:
        if terminal not in found:
            faults.add(f"does not say where its {terminal} goes")
    if set(found) != set(wanted):
        return None
    return tuple((terminal, found[terminal][0]) for terminal in wanted)


def _ends(kind: str, wires: str, faults: Faults) -> tuple[tuple[str, str], ...] | None:
    pieces = wires.split(" to ")
    if len(pieces) != 2 or "," in wires:
        faults.add(f'{_a(kind)} goes from one node to another, as "source to output" '
                   f"(got {shown(wires.strip())})")  # fmt: skip
        return None
    a, b = (piece.strip() for piece in pieces)
    for node in (a, b):
        _check_node(node, faults)
    if a == b:
        faults.add(f"both its ends go to {shown(a)}, so it does nothing")
    if NOWHERE in (a, b):
        faults.add(f"must go to a node; {NOWHERE!r} is for switches alone")
    return tuple(zip(ENDS, (a, b), strict=True))


def _connection(piece: str, faults: Faults) -> Iterator[tuple[str, list[str]]]:
    """Terminal and its nodes of one ``TERMINAL to NODE``; a switch has several poles."""
    words = piece.split()
    if len(words) < 3 or words[1] != "to":
        faults.add(
            f"must say where each terminal goes, as 'base to input' (got {shown(piece.strip())})"
        )
        return
    nodes = [node.strip() for node in " ".join(words[2:]).split(" and ")]
    for node in nodes:
        _check_node(node, faults)
    yield words[0], nodes


def _contacts(found: dict[str, list[str]], faults: Faults) -> tuple[tuple[str, str], ...] | None:
    if COMMON not in found:
        faults.add(f"a switch does not say where its {COMMON} contact goes")
        return None
    poles = len(found[COMMON])
    for terminal, nodes in found.items():
        if not NAME.fullmatch(terminal):
            faults.add(f"a position's name {NAME_RULE} (got {shown(terminal)})")
        if len(nodes) != poles:
            faults.add(f"{terminal} must go to as many nodes as {COMMON} does, {poles}")
    if NOWHERE in found[COMMON]:
        faults.add(f"its {COMMON} contact must go to a node")
    if len(found) < 3:
        faults.add("a switch needs two positions or more; an open one goes 'to nothing'")
    return tuple((terminal, node) for terminal, nodes in found.items() for node in nodes)


def _check_node(node: str, faults: Faults) -> None:
    if not NAME.fullmatch(node):
        faults.add(f"a node's name {NAME_RULE} (got {shown(node)})")


def _a(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"
