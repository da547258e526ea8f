"""What the parts of a design may be off by: the ``[tolerances]`` table of a design file.

::

    [tolerances]
    resistors = "1%"
    clipper.shunt_capacitor = "5%"
"""

import math
import re
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

from vadist.designs.faults import Faults
from vadist.designs.words import shown, unknown
from vadist.errors import DesignError

if TYPE_CHECKING:
    from vadist.designs.design import Design

SORTS = ("resistors", "capacitors", "electrolytics", "inductors", "pots")
"""Sorts of parts that a tolerance may be given for; a part's own goes before that of its sort."""

LARGEST = 0.9
"""Beyond 90 % a part may be next to nothing, and a tolerance says little."""

_PER_CENT = re.compile(r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s*%")


def read_tolerance(raw: object) -> float:
    """Read a tolerance as a ratio.

    Raises
    ------
    DesignError

    Examples
    --------
    >>> read_tolerance("5%"), read_tolerance("0.1 %")
    (0.05, 0.001)
    """
    found = _PER_CENT.fullmatch(raw.strip()) if isinstance(raw, str) else None
    ratio = float(found[1]) / 100.0 if found else math.nan
    if not 0.0 <= ratio <= LARGEST:
        raise DesignError(
            f'must be within 0%..{100.0 * LARGEST:g}% (got {shown(raw)}; write it like "5%")'
        )
    return ratio


def write_tolerance(ratio: float) -> str:
    """Write a ratio in per cent.

    >>> write_tolerance(0.05), write_tolerance(0.001)
    ('5%', '0.1%')
    """
    return f"{100.0 * ratio:.10g}%"


def tolerance_paths(design: "Design") -> list[str]:
    """Parts of the board that a tolerance may be given for: resistors, capacitors, coils, pots."""
    inside = [p for p in design.paths if p.partition(".")[0] in (*design.stages, "supply")]
    return [
        path
        for path in inside
        if "." in path
        and (info := design.field_info(path)).kind in ("part", "pot")
        and info.unit in ("ohm", "F", "H")
    ]


def tolerance_entry(design: "Design", key: str, raw: object) -> float:
    """Read the tolerance of a sort of parts or of a part.

    Raises
    ------
    DesignError
        For a key that is neither, with the nearest that is, or a value that is none.
    """
    known = (*SORTS, *tolerance_paths(design))
    if key not in known:
        raise DesignError(unknown(key, known, "part or sort of parts"))
    try:
        return read_tolerance(raw)
    except DesignError as error:
        raise DesignError(f"{key} {error}") from None


def read_tolerances(raw: Any, design: "Design", faults: Faults) -> dict[str, float]:
    """Read the table: a ratio by sort or by ``stage.part``."""
    inside = faults.within("tolerances")
    if not isinstance(raw, Mapping):
        inside.add(f"must be a table (got {shown(raw)})")
        return {}
    flat: dict[str, object] = {}
    for key, value in raw.items():
        if isinstance(value, Mapping):
            flat |= {f"{key}.{name}": each for name, each in value.items()}
        else:
            flat[key] = value
    read = {
        key: inside.attempt(partial(tolerance_entry, design, key, value))
        for key, value in flat.items()
    }
    return {key: ratio for key, ratio in read.items() if ratio is not None}
