"""Files of blocks that several designs name.

``blocks_from = ["my_blocks.toml"]`` at the top of a design names files beside it that hold nothing
but ``[block.NAME]`` tables. A name without suffix, ``blocks_from = ["ready"]``, is a file that
ships with the package. The blocks that the design uses are taken into its text as it is read, so
that what is written out again, into a sidecar or another folder, is whole by itself.
"""

import tomllib
from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from vadist.designs.blocks import read_blocks
from vadist.designs.faults import Faults
from vadist.designs.words import shown, toml_string
from vadist.errors import DesignError
from vadist.names import nearest, printable
from vadist.stages import STAGES
from vadist.stages.wired import WIRED

KEY = "blocks_from"


def presets_folder() -> Path:
    """Where the designs and the blocks that ship with the package lie."""
    try:
        return Path(str(resources.files("vadist.presets")))
    except ModuleNotFoundError:  # run from a checkout, where they stand beside the package
        return Path(__file__).parents[2] / "presets"


def shipped_blocks() -> dict[str, Path]:
    """Files of blocks that ship with the package, by name.

    >>> list(shipped_blocks())
    ['ready']
    """
    return {path.stem: path for path in sorted(presets_folder().glob("blocks/*.toml"))}


def ready_blocks() -> dict[str, str]:
    """Blocks that ship with the package by name, each as its file has it, comments and all."""
    found = {}
    for path in shipped_blocks().values():
        heads = path.read_text(encoding="utf-8").split("\n\n")
        for text in heads:
            for name in tomllib.loads(text).get("block", {}):
                found[name] = f"{text.strip()}\n"
    return found


def with_blocks(text: str, place: str, folder: Path, read: Callable[[Path, str], str]) -> str:
    """Take the blocks of the files that a design names into its text.

    Parameters
    ----------
    text : str
        TOML of a design; one that names no file, or is no TOML, is returned as it is.
    place : str
        What messages call it.
    folder : Path
        Where it lies; names are relative to it.
    read : function (path, what messages call it) -> text

    Raises
    ------
    DesignError
        For every file that cannot be used.
    """
    if KEY not in text:
        return text
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError):
        return text  # told when the design is read
    if KEY not in document:
        return text
    faults = Faults(place)
    files = _files(document[KEY], faults)
    taken: dict[str, Mapping[str, Any]] = {}
    own = document.get("block", {})
    for name in files:
        inside = faults.within(f"{KEY}: {printable(name)}")
        for block, table in _tables(_path(name, folder, inside), inside, read).items():
            if block in taken or (isinstance(own, Mapping) and block in own):
                inside.add(f"block {shown(block)} is there already; rename one")
            else:
                taken[block] = table
    faults.raise_if_any()
    return _inserted(text, _used(taken, document))


def _used(
    taken: Mapping[str, Mapping[str, Any]], document: Mapping[str, Any]
) -> Mapping[str, Mapping[str, Any]]:
    """Blocks that stages name; all while some type is unknown, for its nearest name to be told."""
    stages, own = document.get("stage"), document.get("block")
    tables = (
        [table for table in stages if isinstance(table, dict)] if isinstance(stages, list) else []
    )
    types = {str(table.get("type")) for table in tables}
    known = {*taken, *STAGES, WIRED, *(own if isinstance(own, Mapping) else ())}
    if not types <= known:
        return taken
    return {name: table for name, table in taken.items() if name in types}


def _files(raw: object, faults: Faults) -> list[str]:
    names = [raw] if isinstance(raw, str) else raw
    if isinstance(names, list) and names and all(isinstance(name, str) for name in names):
        return names
    faults.add(f'{KEY} must name files, as ["my_blocks.toml"] (got {shown(raw)})')
    return []


def _path(name: str, folder: Path, faults: Faults) -> Path | None:
    """Where a file of blocks lies; None where that was told as a fault."""
    beside, shipped = folder / name, shipped_blocks()
    try:
        is_file = beside.is_file()
    except (OSError, ValueError):
        is_file = False
    if is_file and name in shipped:
        faults.add("is a file beside the design and a name of blocks that ship; rename the file")
    elif is_file:
        return beside
    elif name in shipped:
        return shipped[name]
    else:
        faults.add(f"no such file beside the design{nearest(name[:80], shipped)}")
    return None


def _tables(
    path: Path | None, faults: Faults, read: Callable[[Path, str], str]
) -> Mapping[str, Mapping[str, Any]]:
    """Blocks of one file, checked at their place."""
    if path is None:
        return {}
    try:
        document = tomllib.loads(read(path, faults.place))
    except DesignError as error:
        faults.lines.append(str(error))
        return {}
    except (ValueError, RecursionError) as error:
        faults.add(f"not TOML: {' '.join(str(error).split())}")
        return {}
    faults.reject_unknown(document, ("block",), "key; a file of blocks holds [block.NAME] alone:")
    before, raw = len(faults.lines), document.get("block", {})
    read_blocks(raw, faults)
    return raw if len(faults.lines) == before else {}


def _inserted(text: str, blocks: Mapping[str, Mapping[str, Any]]) -> str:
    """Put blocks where the key stood that named their files."""
    import tomlkit

    document = tomlkit.parse(text)
    del document[KEY]
    lines = [tomlkit.dumps(document).rstrip("\n"), ""]
    for name, table in blocks.items():
        lines.append(f"\n[block.{name}]")
        if "job" in table:
            lines.append(f"job = {toml_string(table['job'])}")
        lines.append(f"[block.{name}.parts]")
        lines += [f"{part} = {toml_string(line)}" for part, line in table["parts"].items()]
    return "\n".join(lines) + "\n"
