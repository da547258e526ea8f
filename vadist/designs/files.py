"""Design files: TOML to a :class:`~vadist.designs.design.Design` and back.

Shape of a file::

    name = "my clipper"
    description = "what it is for"
    [supply]                      # volts, bias
    [source]                      # fields of vadist.designs.design.Source; rests_at = "bias"
    [load]                        # resistance
    [[stage]]                     # in signal order
    name = "clipper"              # the part is then addressed as clipper.shunt_capacitor
    type = "diode_clipper"        # a kind of vadist.stages, then its fields
    [controls.drive]
    moves = ["gain.drive_pot"]    # one pot or several; "-stage.pot" turns the other way
    taper = "linear"
    position = 0.5

All faults of a file are told at once, each on its own line with its place.
"""

import dataclasses
import tomllib
from collections.abc import Iterable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from vadist.circuits.network import BIAS
from vadist.designs.design import Design, Source
from vadist.designs.models import is_model_path, with_model_value
from vadist.designs.toml import RESTS_AT, parse_design
from vadist.designs.values import NOTHING, read_value, shown, toml_string, warn_of, write_value
from vadist.errors import DesignError
from vadist.names import nearest, printable
from vadist.stages import STAGES
from vadist.stages.stage import FieldInfo

__all__ = [
    "apply_settings",
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
    return tuple(sorted(path.stem for path in _presets().glob("*.toml")))


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
    return _presets() / f"{name}.toml"


def _presets() -> Path:
    try:
        return Path(str(resources.files("vadist.presets")))
    except ModuleNotFoundError:  # run from a checkout, where they stand beside the package
        return Path(__file__).parents[2] / "presets"


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
    if isinstance(name_or_path, str) and not _looks_like_path(name_or_path):
        path = preset_path(name_or_path)
        return parse_design(_read_text(path, path.stem), name_or_path)
    place = printable(name_or_path)
    text = _read_text(Path(name_or_path), place)
    if text.lstrip().startswith("{"):  # no TOML begins so
        text, place = _design_of_sidecar(text, place), f"{place}: design"
    return parse_design(text, place)


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


def parse_value(design: Design, path: str, text: str) -> Any:
    """Read the value for a path of a design as a person types it.

    Parameters
    ----------
    design : Design
    path : str
        A control, or ``stage.part``.
    text : str
        ``4n7``, ``0.3``, ``1N4148``, ``none`` for a part that may be left out, or a table as in a
        file: ``{type = "1N4148", count = 2}``.

    Raises
    ------
    DesignError
        With the path in front.

    Examples
    --------
    >>> parse_value(load_design("boosted_hard_clipper"), "clipper.shunt_capacitor", "4n7")
    4.7e-09
    """
    info = design.field_info(path)
    text = text.strip()
    if text == NOTHING and info.optional and _may_be_left_out(design, path):
        return None
    try:
        value = read_value(info, _inline(text), design.value(path))
    except DesignError as error:
        raise DesignError(f"{path} {error}") from None
    warn_of(info, text, value, path)
    return value


def _inline(text: str) -> object:
    if not text.startswith("{"):
        return text
    try:
        table = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        table = {}
    if set(table) != {"value"}:
        raise DesignError(f"must be one table as in a design file (got {shown(text)})")
    return table["value"]


def _may_be_left_out(design: Design, path: str) -> bool:
    owner, _, name = path.partition(".")
    holder = design.source if owner == "source" else design.stages[owner]
    return any(f.name == name and f.default is None for f in dataclasses.fields(holder))


def apply_settings(design: Design, settings: Iterable[str]) -> Design:
    """Change values by ``path=value`` texts, in order; a path may lead into a part's model.

    Raises
    ------
    DesignError
        One line for each setting that cannot be applied.
    """
    faults: list[str] = []
    for setting in settings:
        path, equals, text = setting.partition("=")
        try:
            if not equals:
                raise DesignError(f"a setting must be written path=value (got {shown(setting)})")
            path = path.strip()
            if is_model_path(path):
                design = with_model_value(design, path, text.strip())
            else:
                design = design.with_value(path, parse_value(design, path, text))
        except DesignError as error:
            faults.append(str(error))
    if faults:
        raise DesignError("\n".join(faults))
    return design


def write_design(design: Design) -> str:
    """Write a design as TOML, each value with its purpose, so that reading gives it back.

    Raises
    ------
    DesignError
        If a stage is of no kind the package knows.
    """
    blocks = [[f"name = {toml_string(design.name)}"]]
    if design.description:
        blocks[0].append(f"description = {toml_string(design.description)}")
    supply = {name: getattr(design.supply, name) for name in ("volts", "bias")}
    blocks.append(["[supply]", *_lines(design, "supply", supply)])
    source = {name: getattr(design.source, name) for name in Source.fields()}
    blocks.append(["[source]", *_lines(design, "source", source)])
    if design.input_at_bias:
        blocks[-1].append(f'rests_at = "{BIAS}"  # {RESTS_AT.purpose}')
    blocks.append(["[load]", *_lines(design, "load", {"resistance": design.load_ohm})])
    for name, stage in design.stages.items():
        if STAGES.get(stage.kind) is not type(stage):
            raise DesignError(f"stage {name!r}: a {type(stage).__name__} has no place in a file")
        head = ["[[stage]]", f"name = {toml_string(name)}"]
        head.append(f"type = {toml_string(stage.kind)}  # {stage.job}")
        values = {part: getattr(stage, part) for part in stage.fields()}
        blocks.append([*head, *_lines(design, name, values)])
    for name, control in design.controls.items():
        moves = ", ".join(toml_string(move) for move in control.moves)
        lines = [f"[controls.{name}]", f"moves = [{moves}]"]
        lines.append(f"taper = {toml_string(control.taper)}")
        info = FieldInfo("position", "", "")
        lines.append(f"position = {write_value(info, control.position)}  # rotation, 0..1")
        blocks.append(lines)
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _lines(design: Design, owner: str, values: Mapping[str, Any]) -> list[str]:
    lines = []
    for name, value in values.items():
        if value is not None:
            info = design.field_info(f"{owner}.{name}")
            lines.append(f"{name} = {write_value(info, value)}  # {info.purpose}")
    return lines
