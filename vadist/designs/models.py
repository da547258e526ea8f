"""Values inside a part's model, such as ``boost.transistor.forward_beta``.

Without ``forward`` or ``reverse`` a value of diodes means both directions:
``clipper.diodes.saturation_current``.
"""

import dataclasses
from typing import TYPE_CHECKING, Any

from vadist.designs.values import model_keys, number
from vadist.errors import DesignError
from vadist.names import nearest
from vadist.stages.stage import DiodePair

if TYPE_CHECKING:
    from vadist.designs.design import Design

_SIDES = ("forward", "reverse")


def is_model_path(path: str) -> bool:
    """Whether a path leads into a part: ``stage.part.value``."""
    return path.count(".") >= 2


def model_value(design: "Design", path: str) -> tuple[float | None, str]:
    """A value of a part's model, and its unit.

    Raises
    ------
    DesignError
        Naming the path; also where the two directions of diodes hold different values.

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> model_value(load_design("soft_clipper"), "gain.diodes.saturation_current")[1]
    'A'
    """
    place, models, key = _models(design, path)
    attribute, unit = _entry(models[0][1], key, path)
    values = {getattr(model, attribute) for _, model in models}
    if len(values) > 1:
        raise DesignError(f"{path}: the directions differ; name {place}.forward or .reverse")
    return values.pop(), unit


def with_model_value(design: "Design", path: str, value: object) -> Any:
    """The part of a design with one value of its model changed.

    Parameters
    ----------
    design : Design
    path : str
        ``stage.part.value``, the value named as in a design file's inline model.
    value : str or float
        As a person types it, or in the SI unit.

    Returns
    -------
    object
        What is to stand at ``stage.part``.

    Raises
    ------
    DesignError
        Naming the path.

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> changed = with_model_value(
    ...     load_design("soft_clipper"), "gain.diodes.saturation_current", "5n")
    >>> changed.forward.model.saturation_current_a
    5e-09
    """
    place, models, key = _models(design, path)
    held = design.value(place)
    changed = {side: _changed(model, key, path, value) for side, model in models}
    if not isinstance(held, DiodePair):
        return changed[""]
    strings = {
        side: dataclasses.replace(getattr(held, side), model=model)
        for side, model in changed.items()
    }
    return dataclasses.replace(held, **strings)


def _models(design: "Design", path: str) -> tuple[str, list[tuple[str, Any]], str]:
    """Part a path leads into, the models there by side (none for a single one), and the value."""
    stage, part, *rest = path.split(".")
    place = f"{stage}.{part}"
    held = design.value(place)
    if not isinstance(held, DiodePair):
        return place, [("", held)], ".".join(rest)
    sides = [side for side in _SIDES if getattr(held, side) is not None]
    if rest[0] in _SIDES and len(rest) > 1:
        if rest[0] not in sides:
            raise DesignError(f"{path}: there is no diode in that direction")
        sides = [rest.pop(0)]
    return place, [(side, getattr(held, side).model) for side in sides], ".".join(rest)


def _entry(model: Any, key: str, path: str) -> tuple[str, str]:
    """Attribute and unit of a model's value."""
    known = model_keys(model)
    if key not in known:
        hint = nearest(key, known) or (f"; there are {', '.join(known)}" if known else "")
        raise DesignError(f"unknown value {path!r}{hint}")
    return known[key]


def _changed(model: Any, key: str, path: str, value: object) -> Any:
    attribute, unit = _entry(model, key, path)
    try:
        return dataclasses.replace(model, **{attribute: number(value, unit)})
    except DesignError as error:
        raise DesignError(f"{path} {error}") from None
