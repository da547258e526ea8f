"""Types of the library that may stand where a design holds a device."""

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from vadist.circuits.network import DiodeString
from vadist.errors import DesignError
from vadist.parts import (
    DIODES,
    JFETS,
    MOSFETS,
    OPAMPS,
    TRANSISTORS,
    ZENERS,
    DiodeModel,
    PartModel,
)
from vadist.stages.stage import DiodePair

if TYPE_CHECKING:
    from vadist.designs.design import Design

_TABLES: Mapping[str, Mapping[str, PartModel]] = {
    "diode": DIODES,
    "diodes": DIODES,
    "zener": ZENERS,
    "transistor": TRANSISTORS,
    "jfet": JFETS,
    "mosfet": MOSFETS,
    "opamp": OPAMPS,
}
"""Tables by the kind of value that holds one of their parts."""


def library_types(design: "Design", path: str) -> dict[str, Any]:
    """Every type of the library that can stand at a place, with the value as the design holds it.

    A transistor or a FET keeps its polarity, diodes keep their number in a row and side by side
    and stay left out in a direction that has none.

    Parameters
    ----------
    design : Design
    path : str

    Returns
    -------
    mapping of type -> value
        In the library's order; the type that is there now is among them.

    Raises
    ------
    DesignError
        If no device stands there.

    Examples
    --------
    >>> from vadist import load_design
    >>> types = library_types(load_design("asymmetric_clipper"), "clipper.diodes")
    >>> types["red LED"].forward.count, types["red LED"].reverse.count
    (2, 1)
    """
    info, held = design.field_info(path), design.value(path)
    table = _TABLES.get(info.kind)
    if table is None:
        raise DesignError(f"{path} is no device, so the library has no other types for it")
    if held is None:
        raise DesignError(f"{path} is left out, so there is no kind to choose types of")
    return {
        name: replaced(held, model) for name, model in table.items() if _polarity_fits(held, model)
    }


def replaced(held: Any, model: PartModel) -> Any:
    """Put another model where a device is; diodes keep their numbers."""
    if not isinstance(held, DiodePair):
        return model
    strings = (held.forward, held.reverse)
    return DiodePair(*(None if s is None else _restrung(s, model) for s in strings))


def _restrung(string: DiodeString, model: PartModel) -> DiodeString:
    assert isinstance(model, DiodeModel)
    return dataclasses.replace(string, model=model)


def _polarity_fits(held: Any, model: PartModel) -> bool:
    return getattr(model, "polarity", None) == getattr(held, "polarity", None)
