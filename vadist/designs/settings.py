"""Values of a design as a person gives them, as text or from Python, checked alike."""

import tomllib
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from vadist.designs.models import is_model_path, with_model_value
from vadist.designs.values import NOTHING, holds, read_value, warn_of
from vadist.designs.words import shown
from vadist.errors import DesignError

if TYPE_CHECKING:
    from vadist.designs.design import Design


def settled(design: "Design", path: str, value: Any) -> tuple[str, Any]:
    """Where a value goes, and what is to stand there.

    Parameters
    ----------
    design : Design
    path : str
        A control, ``stage.part``, or a value inside a part's model.
    value : object
        Text as a person types it, a number in the SI unit, a table as in a design file, or a part
        as the design holds it; None for a part that may be left out.

    Returns
    -------
    (str, object)
        The path, a model's value taken for the part that holds it, and the value as held.

    Raises
    ------
    DesignError
        With the path in front.
    """
    if isinstance(value, np.integer | np.floating):
        value = value.item()
    if is_model_path(path):
        place = ".".join(path.split(".")[:2])
        return place, with_model_value(design, path, value)
    if isinstance(value, str):
        return path, parse_value(design, path, value)
    info = design.field_info(path)
    if value is None:
        if _may_be_left_out(design, path):
            return path, None
        raise DesignError(f"{path} must not be left out")
    if holds(info, value):
        return path, value
    try:
        return path, read_value(info, value, design.value(path))
    except DesignError as error:
        raise DesignError(f"{path} {error}") from None


def parse_value(design: "Design", path: str, text: str) -> Any:
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
    >>> from vadist import load_design
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


def _may_be_left_out(design: "Design", path: str) -> bool:
    owner, _, name = path.partition(".")
    holder = design.holder(owner)
    return holder is not None and name in holder.infos and holder.may_be_left_out(name)


def apply_settings(design: "Design", settings: Iterable[str]) -> "Design":
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
            design = design.with_value(path.strip(), text.strip())
        except DesignError as error:
            faults.append(str(error))
    if faults:
        raise DesignError("\n".join(faults))
    return design
