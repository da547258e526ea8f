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
    stage, part, *rest = path.split(".")
    place = f"{stage}.{part}"
    held = design.value(place)
    if isinstance(held, DiodePair):
        sides = [side for side in _SIDES if getattr(held, side) is not None]
        if rest[0] in _SIDES and len(rest) > 1:
            if rest[0] not in sides:
                raise DesignError(f"{path}: there is no diode in that direction")
            sides = [rest.pop(0)]
        strings = {side: getattr(held, side) for side in sides}
        return dataclasses.replace(
            held,
            **{
                side: dataclasses.replace(string, model=_changed(string.model, rest, path, value))
                for side, string in strings.items()
            },
        )
    return _changed(held, rest, path, value)


def _changed(model: Any, rest: list[str], path: str, value: object) -> Any:
    known = model_keys(model)
    key = ".".join(rest)
    if key not in known:
        hint = nearest(key, known) or (f"; there are {', '.join(known)}" if known else "")
        raise DesignError(f"unknown value {path!r}{hint}")
    attribute, unit = known[key]
    try:
        return dataclasses.replace(model, **{attribute: number(value, unit)})
    except DesignError as error:
        raise DesignError(f"{path} {error}") from None
