"""TOML text to a :class:`~vadist.designs.design.Design`, with every fault told at its place.

The shape of a design file is described in :mod:`vadist.designs.files`.
"""

import dataclasses
import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any

from vadist.circuits.network import BIAS, GROUND
from vadist.designs.block_files import KEY as BLOCKS_FROM
from vadist.designs.blocks import Block, read_blocks, read_parts
from vadist.designs.design import Ambient, Control, Design, Source
from vadist.designs.faults import NAME, NAME_RULE, Faults
from vadist.designs.supply import Supply
from vadist.designs.tolerances import read_tolerances
from vadist.designs.values import NOTHING, number, read_value, warn_of
from vadist.designs.words import shown, unknown
from vadist.errors import DesignError
from vadist.parts import wiper_fraction
from vadist.stages import STAGES, Stage
from vadist.stages.stage import FieldInfo, Pot
from vadist.stages.wired import WIRED, WiredStage

RESERVED_NAMES = ("source", "load", "supply", "ambient", "controls")
"""Names no stage or control can take: they address other values."""

RESTS_AT = FieldInfo("choice", "", "rail the input rests at", (GROUND, BIAS), optional=True)
"""A guitar rests at ground; a block tried on its own may be driven at the bias rail."""

_TOP = (
    "name",
    "description",
    "supply",
    "source",
    "load",
    "ambient",
    "block",
    "stage",
    "controls",
    "tolerances",
)
_CONTROL = ("moves", "taper", "position")


def parse_design(text: str, place: str = "design") -> Design:
    """Read a design from TOML text.

    Parameters
    ----------
    text : str
    place : str
        What messages call the text: its file name.

    Raises
    ------
    DesignError
        One line for every fault.
    """
    document = _document(text, place)
    faults = Faults(place)
    if BLOCKS_FROM in document:
        faults.add(f"{BLOCKS_FROM} needs a design that is read from a file")
    faults.reject_unknown(document, (*_TOP, BLOCKS_FROM), "key")
    words = _words(document, faults)
    values = _Tables(document, faults)
    supply, source, load = values.supply(), values.source(), values.load()
    blocks = read_blocks(document.get("block", {}), faults)
    stages = _stages(document.get("stage"), blocks, faults)
    ambient = values.ambient()
    controls = _controls(document.get("controls", {}), stages, source, faults)
    faults.raise_if_any()
    complete = {name: stage for name, stage in stages.items() if isinstance(stage, Stage)}
    try:
        design = Design(
            name=words["name"],
            description=words["description"],
            stages=complete,
            supply=supply,
            source=source,
            load_ohm=load,
            input_at_bias=values.input_at_bias(),
            controls=controls,
            bypassed=_bypassed(document["stage"]),
            ambient=ambient,
        )
    except DesignError as error:
        raise DesignError(f"{place}: {error}") from None
    if "tolerances" not in document:
        return design
    tolerances = read_tolerances(document["tolerances"], design, faults)
    faults.raise_if_any()
    return dataclasses.replace(design, tolerances=tolerances)


def _document(text: str, place: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise DesignError(f"{place}: values are nested too deeply") from None
    except ValueError as error:  # TOMLDecodeError, or a number with thousands of digits
        found = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", str(error), re.DOTALL)
        if found:
            message, line, column = found.groups()
        else:
            message, line, column = str(error).removesuffix(" (at end of document)"), "", ""
        if message == "Cannot overwrite a value" and line:
            key = text.splitlines()[int(line) - 1].partition("=")[0].strip()
            raise DesignError(f"{place}: line {line}: {shown(key)} is there twice") from None
        where = f"line {line}, column {column}" if line else f"line {text.count(chr(10)) + 1}"
        raise DesignError(f"{place}: {where}: not TOML: {' '.join(message.split())}") from None


def _words(document: Mapping[str, Any], faults: Faults) -> dict[str, str]:
    words = {"name": "", "description": ""}
    for key in words:
        raw = document.get(key, "")
        if isinstance(raw, str):
            words[key] = raw
        else:
            faults.add(f"{key} must be a text (got {shown(raw)})")
    if "name" not in document:
        faults.add('name is missing, such as name = "my clipper"')
    return words


@dataclasses.dataclass
class _Tables:
    """The single tables of a file: supply, source, load, ambient."""

    document: Mapping[str, Any]
    faults: Faults

    def supply(self) -> Supply:
        inside = self.faults.within("supply")
        table = _table(self.document.get("supply", {}), inside)
        inside.reject_unknown(table, Supply.fields(), "key")
        values, before = _fields(Supply, table, inside), len(inside.lines)
        supply = None
        if not any(value is None for value in values.values()):
            supply = inside.attempt(lambda: Supply(**values))
        if supply is None or len(inside.lines) > before:
            return Supply()
        for name, info in Supply.fields().items():
            warn_of(info, table.get(name), values.get(name), f"{inside.place}: {name}")
        supply.warn_of_idle_parts(f"{inside.place}: ")
        return supply

    def ambient(self) -> Ambient:
        values = self._numbers("ambient", {"temperature": "degC"})
        return self.faults.attempt(lambda: Ambient(**values), "ambient: ") or Ambient()

    def load(self) -> float:
        ohm = self._numbers("load", {"resistance": "ohm"}).get("resistance", 1e6)
        if not ohm > 0.0:
            self.faults.add(f"load: resistance must be > 0 ohm (got {ohm:g})")
        return ohm

    def source(self) -> Source:
        inside = self.faults.within("source")
        table = _table(self.document.get("source", {}), inside)
        inside.reject_unknown(table, (*Source.fields(), "rests_at"), "part")
        if "rests_at" in table:
            inside.attempt(lambda: read_value(RESTS_AT, table["rests_at"]), "rests_at ")
        values = _fields(Source, table, inside)
        for name, info in Source.fields().items():
            warn_of(info, table.get(name), values.get(name), f"{inside.place}: {name}")
        return inside.attempt(lambda: Source(**values)) or Source()

    def input_at_bias(self) -> bool:
        return bool(self.document.get("source", {}).get("rests_at") == BIAS)

    def _numbers(self, name: str, units: Mapping[str, str]) -> dict[str, float]:
        inside = self.faults.within(name)
        table = _table(self.document.get(name, {}), inside)
        inside.reject_unknown(table, units, "key")
        values = {}
        for key, unit in units.items():
            if key in table:
                value = inside.attempt(partial(number, table[key], unit), f"{key} ")
                if value is not None:
                    values[key] = value
        return values


def _table(raw: object, faults: Faults) -> Mapping[str, Any]:
    if isinstance(raw, Mapping):
        return raw
    faults.add(f"must be a table (got {shown(raw)})")
    return {}


def _fields(
    cls: type[Stage] | type[Supply], table: Mapping[str, Any], faults: Faults
) -> dict[str, Any]:
    values = {}
    for name, info in cls.fields().items():
        if name in table:
            values[name] = faults.attempt(partial(read_value, info, table[name]), f"{name} ")
        elif not info.optional:
            faults.add(f"{name} is missing ({info.purpose})")
    return values


_Read = Stage | Mapping[str, FieldInfo] | None
"""A stage as read: a faulty one is the values it should have, or None if they are not known."""


def _stages(raw: object, blocks: Mapping[str, Block], faults: Faults) -> dict[str, _Read]:
    """Read the stages; of a faulty one so much that controls can be judged."""
    if raw is None or raw == []:
        faults.add("a design needs at least one [[stage]]")
        return {}
    if not isinstance(raw, list):
        faults.add(f"stage must be written as [[stage]] (got {shown(raw)})")
        return {}
    stages: dict[str, _Read] = {}
    for index, table in enumerate(raw, start=1):
        name = table.get("name") if isinstance(table, Mapping) else None
        inside = faults.within(
            f"stage {index} {shown(name)}" if isinstance(name, str) else f"stage {index}"
        )
        if not isinstance(table, Mapping):
            inside.add(f"must be a table (got {shown(table)})")
            continue
        _check_stage_name(name, stages, inside)
        stage = _stage(table, blocks, inside)
        if isinstance(name, str):
            stages[name] = stage
    return stages


def _check_stage_name(name: object, taken: Iterable[str], faults: Faults) -> None:
    if name is None:
        faults.add('name is missing, such as name = "clipper"')
    elif not isinstance(name, str):
        faults.add(f"name must be a text (got {shown(name)})")
    elif name in taken:
        faults.add("name is already taken by an earlier stage")
    elif name in RESERVED_NAMES:
        faults.add(f"name must not be one of {', '.join(RESERVED_NAMES)}")
    elif not NAME.fullmatch(name):
        faults.add(f"name {NAME_RULE} (got {shown(name)})")


def _bypassed(stages: Iterable[Mapping[str, Any]]) -> frozenset[str]:
    return frozenset(table["name"] for table in stages if table.get("bypassed"))


def _stage(table: Mapping[str, Any], blocks: Mapping[str, Block], faults: Faults) -> _Read:
    kind, types = table.get("type"), (*STAGES, *blocks, WIRED)
    if not isinstance(table.get("bypassed", False), bool):
        faults.add(f"bypassed must be true or false (got {shown(table['bypassed'])})")
    if not isinstance(kind, str) or kind not in types:
        if kind is None:
            faults.add(f"type is missing; one of {', '.join(types)}")
        elif isinstance(kind, str):
            faults.add(f"{unknown(kind, types, 'type')}; there are {', '.join(types)} "
                       "(one written in Python needs --stages FILE)")  # fmt: skip
        else:
            faults.add(f"type must be a text (got {shown(kind)})")
        return None
    rest = {key: raw for key, raw in table.items() if key not in ("name", "type", "bypassed")}
    if kind == WIRED:
        return _wired(rest, faults)
    return _of_block(blocks[kind], rest, faults) if kind in blocks else _built(kind, rest, faults)


def _wired(table: Mapping[str, Any], faults: Faults) -> _Read:
    faults.reject_unknown(table, ("parts",), "key of a wired stage")
    return read_parts(table.get("parts"), faults)


def _of_block(block: Block, table: Mapping[str, Any], faults: Faults) -> _Read:
    """Read a stage that uses a block with other values for some of its parts."""
    if block.stage is None:
        return None  # told where the block stands
    stage, before = block.stage, len(faults.lines)
    faults.reject_unknown(table, stage.infos, f"part of a {stage.type_name}")
    held = dict(stage.held)
    for name, info in stage.infos.items():
        if name in table:
            left_out = table[name] == NOTHING and stage.may_be_left_out(name)
            read = partial(read_value, info, table[name], held[name])
            held[name] = None if left_out else faults.attempt(read, f"{name} ")
    if len(faults.lines) > before:
        return stage.infos
    found = faults.attempt(lambda: WiredStage(wiring=stage.wiring, held=held))
    if found is None:
        return stage.infos
    for name, info in stage.infos.items():
        if name in table:
            warn_of(info, table[name], held[name], f"{faults.place}: {name}")
    return found


def _built(kind: str, table: Mapping[str, Any], faults: Faults) -> _Read:
    cls, before = STAGES[kind], len(faults.lines)
    faults.reject_unknown(table, cls.fields(), f"part of a {kind}")
    values = _fields(cls, table, faults)
    stage = faults.attempt(lambda: cls(**values)) if len(faults.lines) == before else None
    if stage is None:
        return cls.fields()
    for name, info in cls.fields().items():
        warn_of(info, table.get(name), values.get(name), f"{faults.place}: {name}")
    return stage


def _controls(
    raw: object,
    stages: Mapping[str, _Read],
    source: Source,
    faults: Faults,
) -> dict[str, Control]:
    controls: dict[str, Control] = {}
    moved: dict[str, str] = {}
    holders = {**stages, "source": source}
    for name, entry in _table(raw, faults.within("controls")).items():
        inside = faults.within(f"control {shown(name)}")
        if name in stages or name in RESERVED_NAMES:
            inside.add("name is already taken by a stage or another table")
        elif not NAME.fullmatch(name):
            inside.add(f"name {NAME_RULE} (got {shown(name)})")
        table = _table(entry, inside)
        inside.reject_unknown(table, _CONTROL, "key")
        control = _control(table, inside)
        for move in control.moves if control else ():
            path = move.removeprefix("-")
            _check_move(path, holders, inside)
            if path in moved:
                inside.add(f"{shown(path)} is already moved by {shown(moved[path])}")
            moved[path] = name
        if control:
            controls[name] = control
    return controls


def _control(table: Mapping[str, Any], faults: Faults) -> Control | None:
    before = len(faults.lines)
    moves, taper = table.get("moves"), table.get("taper", "linear")
    moves = [moves] if isinstance(moves, str) else moves
    if moves is None:
        if "moves" not in table:
            faults.add('moves is missing, such as moves = ["gain.drive_pot"]')
    elif not isinstance(moves, list) or not all(isinstance(move, str) for move in moves):
        faults.add(f"moves must name pots as stage.pot (got {shown(table['moves'])})")
    if not isinstance(taper, str):
        faults.add(f"taper must be the name of a taper (got {shown(taper)})")
    else:
        faults.attempt(lambda: wiper_fraction(taper, 0.5), "taper ")
    position = faults.attempt(lambda: number(table.get("position", 0.5), ""), "position ")
    if len(faults.lines) > before or moves is None or position is None:
        return None
    return faults.attempt(lambda: Control(tuple(moves), taper, position))


def _check_move(path: str, holders: Mapping[str, _Read], faults: Faults) -> None:
    owner, _, name = path.partition(".")
    holder = holders.get(owner)
    if owner in holders and holder is None:
        return  # a stage of unknown type: told already
    pots = [
        f"{stage}.{field}"
        for stage, held in holders.items()
        if held is not None
        for field, info in (held.infos if isinstance(held, Stage) else held).items()
        if info.kind == "pot"
    ]
    if path not in pots:
        faults.add(unknown(path, pots, "pot"))
    elif isinstance(holder, Stage) and not isinstance(holder.value(name), Pot):
        faults.add(f"{shown(path)} is left out of this design")
