"""The values of a design as fields that are typed into, stepped through and chosen from."""

import dataclasses
from collections.abc import Mapping
from typing import Any

from vadist.designs.design import Design
from vadist.designs.library_types import library_types
from vadist.designs.settings import apply_settings
from vadist.designs.values import typed_value
from vadist.drawing import designators
from vadist.errors import DesignError
from vadist.quantities import neighbours
from vadist.stages.stage import FieldInfo, Pot

STEP_SERIES = ("E6", "E12", "E24", "E48", "E96", "E192")
"""Series whose numbers a part can be stepped through."""

ROTATION_STEP, TEMPERATURE_STEP = 0.05, 1.0
"""A step of a knob, and of the temperature in degrees Celsius."""

MOST_STEPS = 48

Settings = Mapping[str, str]
"""Texts by path, as behind ``--set``."""


def with_settings(design: Design, settings: Settings) -> Design:
    """A design with values changed; one line for each that cannot be.

    Raises
    ------
    DesignError
    """
    return apply_settings(design, [f"{path}={text}" for path, text in settings.items()])


def fields_of(design: Design) -> list[dict[str, Any]]:
    """Every value of a design as plain data for the page, knobs first.

    Each is a mapping: ``path``, ``group`` (a block; ``knobs`` for a control), ``name``, ``marks``
    (its designators), ``purpose``, ``text``, ``unit``, ``choices`` (of a device or a word; a text
    that is none of them may be typed where ``typed``), ``steps`` (whether arrow keys step it).
    """
    marks = _marks(design)
    return [_field(design, path, marks.get(path, [])) for path in design.paths]


def blocks_of(design: Design) -> list[dict[str, Any]]:
    """Blocks that can be left out: ``name``, ``type``, ``job``, ``text``."""
    return [
        {
            "name": name, "type": stage.type_name, "job": stage.told_job,
            "text": design.value(name),
        }
        for name, stage in design.stages.items()
    ]  # fmt: skip


def _marks(design: Design) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for place, mark in designators(design).items():
        found.setdefault(".".join(place.split(".")[:2]), []).append(mark)
    return found


def _field(design: Design, path: str, marks: list[str]) -> dict[str, Any]:
    info, value = design.field_info(path), design.value(path)
    owner, _, name = path.partition(".")
    choices = _choices(design, path, info, value)
    return {
        "path": path,
        "group": owner if name else "knobs",
        "name": (name or owner).replace("_", " "),
        "marks": marks,
        "purpose": info.purpose,
        "text": f"{value:.6g}" if info.kind == "temperature" else typed_value(info, value),
        "unit": info.unit,
        "choices": choices,
        "typed": not choices or info.kind != "choice",
        "steps": info.kind in ("part", "pot", "number", "position", "temperature"),
    }


def _choices(design: Design, path: str, info: FieldInfo, value: Any) -> list[str]:
    """Texts to choose from; none where a value is typed."""
    if info.kind == "choice":
        return list(info.choices)
    try:
        types = library_types(design, path)
    except DesignError:
        return []
    texts = [typed_value(info, held) for held in types.values()]
    return texts if typed_value(info, value) in texts else [typed_value(info, value), *texts]


def stepped(design: Design, path: str, by: int, series: str) -> str:
    """Text of a value so many steps up or down.

    Parameters
    ----------
    design : Design
    path : str
    by : int
        Steps up, within plus and minus :data:`MOST_STEPS`.
    series : str
        Preferred numbers for a part's value, of :data:`STEP_SERIES`.

    Raises
    ------
    DesignError
        If the value has no steps.

    Examples
    --------
    >>> from vadist import load_design
    >>> design = load_design("boosted_hard_clipper")
    >>> stepped(design, "clipper.shunt_capacitor", 1, "E12"), stepped(design, "drive", -1, "E12")
    ('18n', '0.45')
    """
    info, value = design.field_info(path), design.value(path)
    if not -MOST_STEPS <= by <= MOST_STEPS:
        raise DesignError(f"{path}: steps must be within -{MOST_STEPS}..{MOST_STEPS} (got {by})")
    if info.kind == "position":
        return f"{min(max(round(value / ROTATION_STEP + by) * ROTATION_STEP, 0.0), 1.0):.2g}"
    if info.kind == "temperature":
        return f"{value + by * TEMPERATURE_STEP:g}"
    if info.kind == "choice":
        return info.choices[(info.choices.index(value) + by) % len(info.choices)]
    number = value.resistance if isinstance(value, Pot) else value
    if info.kind not in ("part", "pot", "number") or not number:
        reason = "is left out" if number is None else "is no number that is stepped"
        raise DesignError(f"{path} {reason}; type a value")
    ladder = neighbours(number, series, abs(by) + 1)
    above = [n for n in ladder if n > number * (1.0 + 1e-9)]
    below = [n for n in ladder if n < number * (1.0 - 1e-9)][::-1]
    found = number if by == 0 else (above if by > 0 else below)[abs(by) - 1]
    held = dataclasses.replace(value, resistance=found) if isinstance(value, Pot) else found
    return typed_value(info, held)
