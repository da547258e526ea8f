"""Design files: TOML to a :class:`~vadist.designs.design.Design` and back.

Shape of a file::

    name = "my clipper"
    description = "what it is for"
    [supply]                      # fields of vadist.designs.supply.Supply
    [source]                      # fields of vadist.designs.design.Source; rests_at = "bias"
    [load]                        # resistance
    blocks_from = ["blocks.toml"]  # files of blocks beside the design, or "ready"
    [block.halver]                # a type of one's own: job, and its parts as a wiring list
    [[stage]]                     # in signal order
    name = "clipper"              # the part is then addressed as clipper.shunt_capacitor
    type = "diode_clipper"        # a kind of vadist.stages, then its fields; or a block, or
                                  # "wired" with [stage.parts], see vadist.designs.wiring_list
    bypassed = true               # its input is wired to its output
    [controls.drive]
    moves = ["gain.drive_pot"]    # one pot or several; "-stage.pot" turns the other way
    taper = "linear"
    position = 0.5

All faults of a file are told at once, each on its own line with its place.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from vadist.circuits.network import BIAS
from vadist.designs.block_files import presets_folder, with_blocks
from vadist.designs.blocks import block_table
from vadist.designs.design import Ambient, Design, Source
from vadist.designs.rewriting import rewritten
from vadist.designs.settings import apply_settings, parse_value
from vadist.designs.tolerances import write_tolerance
from vadist.designs.toml import RESTS_AT, parse_design
from vadist.designs.values import write_held, write_value
from vadist.designs.words import shown, toml_string
from vadist.errors import DesignError
from vadist.names import nearest, printable
from vadist.stages import STAGES
from vadist.stages.stage import FieldInfo
from vadist.stages.wired import WIRED, WiredStage

__all__ = [
    "apply_settings",
    "design_text",
    "load_design",
    "parse_design",
    "parse_value",
    "preset_names",
    "preset_path",
    "write_design",
]

LARGEST_FILE_BYTES = 1_000_000

_AUDIO = (b"RIFF", b"RIFX", b"RF64", b"FORM", b"fLaC", b"OggS")
# What the common audio files begin with.


def preset_names() -> tuple[str, ...]:
    """Names of the designs inside the package.

    >>> "soft_clipper" in preset_names()
    True
    """
    return tuple(sorted(path.stem for path in presets_folder().glob("*.toml")))


def preset_path(name: str) -> Path:
    """Return where a preset's file lies.

    Raises
    ------
    DesignError
        If there is none of that name.
    """
    if name not in preset_names():
        hint = nearest(name[:80], preset_names()) or f"; there are {', '.join(preset_names())}"
        raise DesignError(f"no preset and no file named {shown(name)}{hint}")
    return presets_folder() / f"{name}.toml"


def load_design(name_or_path: str | Path) -> Design:
    """Read a design: a preset by its name, or a file by its path.

    Parameters
    ----------
    name_or_path : str or Path
        A text with a path separator or ending in ``.toml`` is a path, and so is the name of an
        existing file that is no preset. The JSON sidecar of a render counts as the design that
        was rendered.

    Raises
    ------
    DesignError
        If there is no such design, or for every fault of the file.

    Examples
    --------
    >>> load_design("treble_boost").output
    'volume.output'
    """
    return parse_design(*_read(name_or_path))


def design_text(name_or_path: str | Path) -> str:
    """TOML of a design as it stands in its file; see :func:`load_design`.

    Raises
    ------
    DesignError
        If there is no such file.
    """
    return _read(name_or_path)[0]


def _read(name_or_path: str | Path) -> tuple[str, str]:
    """Return a design's TOML, and what messages call it."""
    if isinstance(name_or_path, str) and not _looks_like_path(name_or_path):
        path = preset_path(name_or_path)
        return _read_text(path, path.stem), name_or_path
    place, path = printable(name_or_path), Path(name_or_path)
    text = _read_text(path, place)
    if text.lstrip().startswith("{"):  # no TOML begins so
        return _design_of_sidecar(text, place), f"{place}: design"
    return with_blocks(text, place, path.parent, _read_text), place


def _design_of_sidecar(text: str, place: str) -> str:
    """Return the design that the sidecar of a render holds, as TOML."""
    import json

    try:
        sidecar = json.loads(text)
    except RecursionError:
        raise DesignError(f"{place}: values are nested too deeply") from None
    except ValueError as error:
        raise DesignError(f"{place}: neither a design nor a sidecar: {error}") from None
    held = sidecar.get("design") if isinstance(sidecar, dict) else None
    if not isinstance(held, str):
        raise DesignError(
            f"{place}: must be a design (.toml) or the sidecar of a render, which holds one "
            "under 'design'"
        )
    return held


def _looks_like_path(text: str) -> bool:
    if "/" in text or "\\" in text or text.endswith(".toml"):
        return True
    try:
        return text not in preset_names() and Path(text).exists()
    except (OSError, ValueError):
        return False


def _read_text(path: Path, place: str) -> str:
    try:
        if path.is_dir():
            raise DesignError(f"{place}: is a folder, not a design file")
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        hint = nearest(path.stem[:80], preset_names())
        raise DesignError(f"{place}: no such file{hint}") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise DesignError(f"{place}: cannot be read: {reason}") from None
    if content[:4] in _AUDIO or content[:3] == b"ID3":
        raise DesignError(
            f"{place}: is audio, not a design; takes stand before --design, which names a preset "
            "or a .toml file"
        )
    if len(content) > LARGEST_FILE_BYTES:
        raise DesignError(
            f"{place}: a design file must be at most {LARGEST_FILE_BYTES // 1000} kB; "
            "is it another kind of file?"
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise DesignError(f"{place}: line {line} is not UTF-8 text; save it as UTF-8") from None


def write_design(design: Design, original: str | Path | None = None) -> str:
    r"""Write a design as TOML, so that reading gives it back.

    Parameters
    ----------
    design : Design
    original : str or Path, optional
        Text of the design file it stems from, or its path. Values that changed are replaced where
        they stand; comments, order and everything else stay byte for byte. Without it, or if the
        design has other stages or controls, every value is written with its purpose.

    Raises
    ------
    DesignError
        If a stage is of no kind the package knows, or the original is no design.

    Examples
    --------
    >>> text = 'name = "mine"\n[[stage]]\nname = "c"\ntype = "diode_clipper"\n'
    >>> text += 'diodes = "1N4148"\nseries_resistor = "1k"  # what the shop had\n'
    >>> changed = parse_design(text).with_value("c.series_resistor", "1k5")
    >>> print(write_design(changed, text).splitlines()[-1])
    series_resistor = "1k5"  # what the shop had
    """
    if original is not None:
        text = design_text(original) if isinstance(original, Path) else original
        if (kept := rewritten(design, text)) is not None:
            return kept
    return _fresh(design)


def _fresh(design: Design) -> str:
    """Write a design with each value's purpose beside it."""
    blocks = [[f"name = {toml_string(design.name)}"]]
    if design.description:
        blocks[0].append(f"description = {toml_string(design.description)}")
    supply = {name: getattr(design.supply, name) for name in design.supply.fields()}
    blocks.append(["[supply]", *_lines(design, "supply", supply)])
    source = {name: getattr(design.source, name) for name in Source.fields()}
    blocks.append(["[source]", *_lines(design, "source", source)])
    if design.input_at_bias:
        blocks[-1].append(f'rests_at = "{BIAS}"  # {RESTS_AT.purpose}')
    blocks.append(["[load]", *_lines(design, "load", {"resistance": design.load_ohm})])
    blocks += _block_tables(design)
    if design.ambient != Ambient():
        ambient = {"temperature": design.ambient.temperature}
        blocks.append(["[ambient]", *_lines(design, "ambient", ambient)])
    if design.tolerances:
        lines = [f'{key} = "{write_tolerance(t)}"' for key, t in design.tolerances.items()]
        blocks.append(["[tolerances]", *lines])
    for name, stage in design.stages.items():
        head = ["[[stage]]", f"name = {toml_string(name)}"]
        head.append(f"type = {toml_string(stage.type_name)}  # {stage.told_job}")
        if name in design.bypassed:
            head.append("bypassed = true  # its input is wired to its output")
        if isinstance(stage, WiredStage):
            blocks.append([*head, *_wired_lines(stage)])
            continue
        if STAGES.get(stage.kind) is not type(stage):
            raise DesignError(f"stage {name!r}: a {type(stage).__name__} has no place in a file")
        values = {part: stage.value(part) for part in stage.infos}
        blocks.append([*head, *_lines(design, name, values)])
    for name, control in design.controls.items():
        moves = ", ".join(toml_string(move) for move in control.moves)
        lines = [f"[controls.{name}]", f"moves = [{moves}]"]
        lines.append(f"taper = {toml_string(control.taper)}")
        info = FieldInfo("position", "", "")
        lines.append(f"position = {write_value(info, control.position)}  # rotation, 0..1")
        blocks.append(lines)
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _block_tables(design: Design) -> list[list[str]]:
    """Write the blocks that stages use, each with the values of the first that does."""
    first: dict[str, WiredStage] = {}
    for stage in design.stages.values():
        if isinstance(stage, WiredStage) and stage.type_name != WIRED:
            held = first.setdefault(stage.type_name, stage)
            if held.wiring != stage.wiring:
                raise DesignError(f"two blocks are called {stage.type_name!r}; rename one")
    tables = []
    for name, stage in first.items():
        job = [f"job = {toml_string(stage.wiring.job)}"] if stage.wiring.job else []
        head = [f"[block.{name}]", *job, f"[block.{name}.parts]"]
        tables.append([*head, *_part_lines(stage)])
    return tables


def _wired_lines(stage: WiredStage) -> list[str]:
    """Write the parts of a stage: its own list, or its values of a block's."""
    if stage.type_name == WIRED:
        return ["[stage.parts]", *_part_lines(stage)]
    return [f"{name} = {write_held(info, stage.held[name])}" for name, info in stage.infos.items()]


def _part_lines(stage: WiredStage) -> list[str]:
    return [f"{name} = {toml_string(line)}" for name, line in block_table(stage).items()]


def _lines(design: Design, owner: str, values: Mapping[str, Any]) -> list[str]:
    lines = []
    for name, value in values.items():
        if value is not None:
            info = design.field_info(f"{owner}.{name}")
            lines.append(f"{name} = {write_value(info, value)}  # {info.purpose}")
    return lines
