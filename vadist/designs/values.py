"""Text and TOML values to part values, and back without losing one.

What a value may look like depends on its :class:`~vadist.stages.stage.FieldInfo`:

=================  ==============================================================
part, number       ``"4k7"``, ``"100n"``, ``"9V"``, or a number in the SI unit
pot                ``"500k"``, or ``{resistance = "500k", wiper = 0.3}``
choice, position   a word; a number 0..1
device             a library name, or a table with the model's own values
diodes             one spec for both directions, or ``{forward = ..., reverse = ...}``
                   where ``"none"`` leaves a direction open
ripple             ``"20mV 120Hz"``
=================  ==============================================================

A diode spec is ``"1N4148"``, ``{type = "1N4148", count = 2, parallel = 1}``, or a table with the
model's own values and the same counts.
"""

import dataclasses
import math
import warnings
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from vadist.circuits.network import DiodeString
from vadist.designs.slips import other_transistor, printed_code, unusual
from vadist.designs.supply import Ripple
from vadist.designs.words import reject_unknown, shown, toml_string
from vadist.errors import DesignError, DesignWarning
from vadist.names import is_one_of, nearest
from vadist.parts import (
    DIODE_FAMILIES,
    TRANSISTORS,
    DiodeModel,
    JfetModel,
    MosfetModel,
    OpAmpModel,
    PartModel,
    TransistorModel,
    ZenerModel,
    find_diode,
    find_jfet,
    find_mosfet,
    find_opamp,
    find_transistor,
    find_zener,
)
from vadist.quantities import parse_quantity, write_quantity
from vadist.quantities.units import UNITS
from vadist.stages.stage import DiodePair, FieldInfo, Pot

Model = TypeVar("Model", bound=PartModel)

_DEVICES: dict[str, tuple[type[PartModel], Callable[[str], PartModel]]] = {
    "transistor": (TransistorModel, find_transistor),
    "jfet": (JfetModel, find_jfet),
    "mosfet": (MosfetModel, find_mosfet),
    "zener": (ZenerModel, find_zener),
    "opamp": (OpAmpModel, find_opamp),
}
"""Kinds of device that one model tells: its class, and where the library is asked for a type."""

NOTHING = "none"
"""What stands for a part that is left out."""

# The end of a model's attribute name tells its unit; the key in a file leaves it off.
_UNITS = {
    "_v_per_s": "V/s",
    "_v_rthz": "V/rtHz",
    "_a_rthz": "A/rtHz",
    "_ohm": "ohm",
    "_hz": "Hz",
    "_a_v2": "A/V2",
    "_a": "A",
    "_per_v": "",
    "_v": "V",
    "_f": "F",
    "_s": "s",
}
_TEXTS = ("name", "family", "polarity", "source")
_MOST_DIODES = 100
# More in a row is a slip of the keyboard.


def number(raw: object, unit: str) -> float:
    """Read a number or a quantity in a unit ("" for none) from a file or the command line.

    >>> number("4k7", "ohm"), number("70%", "")
    (4700.0, 0.7)
    """
    if not unit and isinstance(raw, str) and raw.rstrip().endswith("%"):
        return parse_quantity(raw.rstrip()[:-1], "") / 100.0
    bearable = isinstance(raw, str | int | float) and not isinstance(raw, bool)
    if bearable and (isinstance(raw, float) or shown(raw) == repr(raw)):
        return parse_quantity(raw, unit)  # type: ignore[arg-type]
    kind = UNITS[unit]
    raise DesignError(f"must be {kind.meaning} (got {shown(raw)}; write it like {kind.example})")


def read_value(info: FieldInfo, raw: object, held: Any = None) -> Any:
    """Read one value of a design.

    Parameters
    ----------
    info : FieldInfo
    raw : what stood in the file, or a word from the command line
    held : object
        The value so far; a pot given by its resistance alone keeps its wiper.

    Raises
    ------
    DesignError
        Without its place, which the caller knows.
    """
    return _READERS[info.kind](info, raw, held)


def holds(info: FieldInfo, value: object) -> bool:
    """Whether a value is what a design holds there, a number apart."""
    return isinstance(value, _HELD.get(info.kind, ()))


def warn_of(info: FieldInfo, raw: object, value: Any, place: str) -> None:
    """Warn of a part's value that was read but looks like a slip; see :func:`unusual`."""
    if isinstance(value, Pot):
        value, raw = value.resistance, raw["resistance"] if isinstance(raw, Mapping) else raw
    part = info.kind in ("part", "pot") and isinstance(value, int | float)
    if part and (told := unusual(info, raw, value)):
        warnings.warn(f"{place} {told}", DesignWarning, stacklevel=2)


def write_value(info: FieldInfo, value: Any) -> str:
    """Write a value as TOML that :func:`read_value` reads as the same value.

    >>> write_value(FieldInfo("part", "F", ""), 4.7e-9)
    '"4n7"'
    """
    return _WRITERS[info.kind](info, value)


def write_held(info: FieldInfo, value: Any) -> str:
    """Write what a design holds; none for a part that is left out."""
    return f'"{NOTHING}"' if value is None else write_value(info, value)


def typed_value(info: FieldInfo, value: Any) -> str:
    """Write a value as a person types it behind ``--set``.

    >>> typed_value(FieldInfo("part", "ohm", ""), 180.0)
    '180R'
    """
    if value is None:
        return NOTHING
    text = write_value(info, value)
    plain = text[1:-1]
    return plain if text == f'"{plain}"' and '"' not in plain else text


def _read_quantity(info: FieldInfo, raw: object, _: Any) -> float:
    if hint := printed_code(info.unit, raw):
        raise DesignError(f"must be {UNITS[info.unit].meaning} (got {shown(raw)}; {hint})")
    return number(raw, info.unit)


def _read_pot(info: FieldInfo, raw: object, held: Any) -> Pot:
    wiper = held.wiper if isinstance(held, Pot) else 0.5
    if not isinstance(raw, Mapping):
        return Pot(number(raw, info.unit), wiper)
    reject_unknown(raw, ("resistance", "wiper"))
    if "resistance" not in raw:
        raise DesignError('needs resistance, such as {resistance = "500k", wiper = 0.5}')
    if "wiper" in raw:
        wiper = _named("wiper", lambda: number(raw["wiper"], ""))
    return Pot(_named("resistance", lambda: number(raw["resistance"], info.unit)), wiper)


def _named(name: str, read: Callable[[], float]) -> float:
    try:
        return read()
    except DesignError as error:
        raise DesignError(f"{name} {error}") from None


def _read_choice(info: FieldInfo, raw: object, _: Any) -> str:
    if not isinstance(raw, str) or raw not in info.choices:
        allowed = " or ".join(shown(c) for c in info.choices)
        hint = nearest(raw[:80], info.choices) if isinstance(raw, str) else ""
        raise DesignError(f"must be {allowed} (got {shown(raw)}){hint}")
    return raw


def _read_device(info: FieldInfo, raw: object, _: Any) -> PartModel:
    model, find = _DEVICES[info.kind]
    if isinstance(raw, str):
        known = [t.name for t in TRANSISTORS.values() if t.polarity in info.choices]
        if info.choices and (kind := other_transistor(raw)) and not is_one_of(raw, known):
            raise DesignError(
                f"must be an NPN transistor (got {shown(raw)}; it is {kind}, which this block "
                f"does not take; there are {', '.join(known)})"
            )
        return find(raw)
    if isinstance(raw, Mapping):
        return _model(raw, model)
    raise DesignError(
        f"must be a type from the library or a table with the model's values (got {shown(raw)})"
    )


def _model(raw: Mapping[str, object], model: type[Model]) -> Model:
    """Read an inline model; its keys are the attributes without their unit."""
    known = {_key(f.name)[0]: f for f in dataclasses.fields(model)}
    reject_unknown(raw, known, "model value")
    values: dict[str, Any] = {}
    for key, attribute in known.items():
        if key in raw:
            values[attribute.name] = _model_value(key, _key(attribute.name)[1], raw[key])
        elif key == "family":
            values[attribute.name] = DIODE_FAMILIES[0]
        elif attribute.default is dataclasses.MISSING:
            raise DesignError(f"lacks the model value {key!r}")
    return model(**values)


def _model_value(key: str, unit: str, raw: object) -> str | float:
    if key not in _TEXTS:
        return _named(key, lambda: number(raw, unit))
    if not isinstance(raw, str):
        raise DesignError(f"{key} must be a text (got {shown(raw)})")
    return raw


def _key(attribute: str) -> tuple[str, str]:
    """Key and unit of a model's attribute.

    >>> _key("gain_bandwidth_hz")
    ('gain_bandwidth', 'Hz')
    """
    for ending, unit in _UNITS.items():
        if attribute.endswith(ending):
            return attribute.removesuffix(ending) if unit else attribute, unit
    return attribute, ""


def model_keys(model: object) -> dict[str, tuple[str, str]]:
    """Key -> attribute and unit of a model's numbers; none for what is no model."""
    if not isinstance(model, PartModel):
        return {}
    names = [f.name for f in dataclasses.fields(model) if f.name not in _TEXTS]
    return {_key(name)[0]: (name, _key(name)[1]) for name in names}


def _read_diodes(_: FieldInfo, raw: object, __: Any) -> DiodePair:
    if isinstance(raw, Mapping) and ("forward" in raw or "reverse" in raw):
        reject_unknown(raw, ("forward", "reverse"))
        for name in ("forward", "reverse"):
            if name not in raw:
                raise DesignError(f'lacks {name} ("{NOTHING}" for no diode in that direction)')
        forward, reverse = (_read_string(raw[name]) for name in ("forward", "reverse"))
    else:
        forward = reverse = _read_string(raw)
    if forward is None and reverse is None:
        raise DesignError("needs a diode in at least one direction")
    return DiodePair(forward, reverse)


def _read_diode(_: FieldInfo, raw: object, __: Any) -> DiodePair:
    string = _read_string(raw)
    if string is None:
        raise DesignError("must be a diode")
    return DiodePair(string, None)


def _read_string(raw: object) -> DiodeString | None:
    if raw == NOTHING:
        return None
    if isinstance(raw, str):
        return DiodeString(find_diode(raw))
    if not isinstance(raw, Mapping):
        raise DesignError(
            f"must be a type of diode or a table with type or model (got {shown(raw)})"
        )
    counts = {key: _count(key, raw[key]) for key in ("count", "parallel") if key in raw}
    rest = {key: value for key, value in raw.items() if key not in counts}
    if "type" not in rest:
        return DiodeString(_model(rest, DiodeModel), **counts)
    reject_unknown(rest, ("type", "count", "parallel"))
    kind = rest["type"]
    if not isinstance(kind, str):
        raise DesignError(f"type must be a type of diode (got {shown(kind)})")
    return DiodeString(find_diode(kind), **counts)


def _count(key: str, raw: object) -> int:
    if isinstance(raw, bool) or not isinstance(raw, int) or not 1 <= raw <= _MOST_DIODES:
        raise DesignError(f"{key} must be a whole number 1..{_MOST_DIODES} (got {shown(raw)})")
    return raw


def _write_number(unit: str, value: float) -> str:
    return toml_string(write_quantity(value, unit)) if unit else repr(float(value))


def _write_pot(info: FieldInfo, value: Pot) -> str:
    resistance = _write_number(info.unit, value.resistance)
    if value.wiper == 0.5:
        return resistance
    return f"{{resistance = {resistance}, wiper = {float(value.wiper)!r}}}"


def _write_device(value: Any, find: Callable[[str], Any]) -> str:
    if _in_library(value, find):
        return toml_string(value.name)
    return "{" + ", ".join(_model_pairs(value)) + "}"


def _in_library(value: Any, find: Callable[[str], Any]) -> bool:
    try:
        return bool(find(value.name) == value)
    except DesignError:
        return False


def _model_pairs(value: Any) -> list[str]:
    pairs = []
    for attribute in dataclasses.fields(value):
        (key, unit), held = _key(attribute.name), getattr(value, attribute.name)
        if isinstance(held, str):
            pairs.append(f"{key} = {toml_string(held)}")
        elif math.isfinite(held):
            pairs.append(f"{key} = {_write_number(unit, held)}")
    return pairs


def _write_diodes(_: FieldInfo, value: DiodePair) -> str:
    forward, reverse = _write_string(value.forward), _write_string(value.reverse)
    if forward == reverse:
        return forward
    return f"{{forward = {forward}, reverse = {reverse}}}"


def _write_string(value: DiodeString | None) -> str:
    if value is None:
        return toml_string(NOTHING)
    counts = [f"{key} = {n}" for key, n in _counts(value).items() if n != 1]
    if not _in_library(value.model, find_diode):
        return "{" + ", ".join([*_model_pairs(value.model), *counts]) + "}"
    name = toml_string(value.model.name)
    return "{" + ", ".join([f"type = {name}", *counts]) + "}" if counts else name


def _counts(value: DiodeString) -> dict[str, int]:
    return {"count": value.count, "parallel": value.parallel}


_READERS: dict[str, Callable[[FieldInfo, object, Any], Any]] = {
    "part": _read_quantity,
    "number": _read_quantity,
    "position": _read_quantity,
    "pot": _read_pot,
    "choice": _read_choice,
    "diode": _read_diode,
    "temperature": _read_quantity,
    "diodes": _read_diodes,
    **dict.fromkeys(_DEVICES, _read_device),
    "ripple": lambda _, raw, __: Ripple.read(raw),
}

_HELD: dict[str, type] = {
    "pot": Pot,
    "diode": DiodePair,
    "diodes": DiodePair,
    **{kind: model for kind, (model, _) in _DEVICES.items()},
    "ripple": Ripple,
}

_WRITERS: dict[str, Callable[[FieldInfo, Any], str]] = {
    "part": lambda info, value: _write_number(info.unit, value),
    "number": lambda info, value: _write_number(info.unit, value),
    "position": lambda info, value: _write_number(info.unit, value),
    "pot": _write_pot,
    "choice": lambda _, value: toml_string(value),
    "diode": lambda _, value: _write_string(value.forward),
    "temperature": lambda info, value: _write_number(info.unit, value),
    "diodes": _write_diodes,
    "ripple": lambda _, value: toml_string(str(value)),
    **dict.fromkeys(_DEVICES, lambda info, value: _write_device(value, _DEVICES[info.kind][1])),
}
