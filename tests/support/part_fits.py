"""The part library, fitted to points of makers' data sheets.

The points stand in ``vadist/parts/sources/`` with their documents;
``python tests/studies/fit_parts.py --write`` fits every part to them, prints what each fit leaves
and writes ``vadist/parts/fitted.json``, and ``tests/standards/test_part_library.py`` holds the
library to the fits. The device laws are those of ``part_laws``, not the package's.
"""

import math
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from part_laws import (
    diode_value,
    jfet_value,
    mosfet_value,
    opamp_value,
    transistor_value,
    zener_value,
)
from scipy.optimize import least_squares

import vadist

FOLDER = Path(vadist.__file__).parent / "parts"
SOURCES = FOLDER / "sources"
FITTED = FOLDER / "fitted.json"
GAIN_UNIT, VOLT_UNIT = 0.05, 0.01
"""What counts alike in a fit: 5 % of a gain, a resistance or a gate voltage; 10 mV."""

LIMIT_WEIGHT = 30.0
"""A step beyond a limit counts for so many towards an aim."""

DIGITS = 4
VOLTS = ("vbe_on", "vbe_sat", "vce_sat", "vf", "vz", "vsd")
"""What is told in volts; all else as a ratio."""

REACH, SATURATION_REACH = math.log(3e5), math.log(1e18)
"""Ratio within which a number stays of where the fit starts; saturation currents of LEDs go far."""

ABSENT = {
    **dict.fromkeys(("series_resistance_ohm", "base_resistance_ohm", "channel_length_per_v"), 0.0),
    **dict.fromkeys(("emitter_leakage_a", "collector_leakage_a"), 0.0),
    **dict.fromkeys(("early_voltage_v", "knee_current_a"), math.inf),
    "breakdown_per_k": 0.0,
}
"""Numbers that a part is without if the library does not give them."""

_NOTHING = ("series_resistance_ohm", "base_resistance_ohm", "emitter_leakage_a")
_WITHOUT_END = ("early_voltage_v", "knee_current_a")
# What a fit drives to its bound is not there: zero, or infinite.


@dataclass(frozen=True)
class Kind:
    """How a kind of part is fitted.

    Attributes
    ----------
    value : function of a model and a point
    start : every number of the model, where the fit starts; any sensible start leads to one end
    free : the numbers that are fitted, and the quantities of which one is needed to free it
    told : entries of a part that its model holds besides its name
    """

    value: Callable
    start: dict[str, float]
    free: dict[str, tuple[str, ...]]
    told: tuple[str, ...] = ()


_DIODE = {
    "saturation_current_a": 1e-9,
    "emission_coefficient": 1.5,
    "series_resistance_ohm": 1.0,
}
KINDS = {
    "diodes": Kind(diode_value, _DIODE, dict.fromkeys(_DIODE, ()), ("family",)),
    "Zener diodes": Kind(
        zener_value,
        {
            **_DIODE,
            "breakdown_v": 5.0,
            "test_current_a": 5e-3,
            "knee_v": 0.1,
            "breakdown_per_k": 0.0,
        },
        dict.fromkeys((*_DIODE, "breakdown_v", "knee_v"), ()),
    ),
    "transistors": Kind(
        transistor_value,
        {
            "saturation_current_a": 1e-14,
            "forward_beta": 300.0,
            "reverse_beta": 1.0,
            "early_voltage_v": 70.0,
            "emitter_leakage_a": 3e-14,
            "collector_leakage_a": 0.0,
            "knee_current_a": 0.1,
            "base_resistance_ohm": 30.0,
        },
        {
            **dict.fromkeys(("saturation_current_a", "forward_beta", "reverse_beta"), ()),
            **dict.fromkeys(("early_voltage_v", "emitter_leakage_a", "knee_current_a"), ()),
            "base_resistance_ohm": (),
        },
        ("polarity", "family"),
    ),
    "JFETs": Kind(
        jfet_value,
        {"idss_a": 5e-3, "pinch_off_v": 2.0, "channel_length_per_v": 3e-3},
        {"idss_a": (), "pinch_off_v": (), "channel_length_per_v": ("gos",)},
        ("polarity",),
    ),
    "MOSFETs": Kind(
        mosfet_value,
        {
            "threshold_v": 1.5,
            "transconductance_a_v2": 0.05,
            "channel_length_per_v": 0.01,
            "body_saturation_current_a": 1e-15,
        },
        {
            "threshold_v": (),
            "transconductance_a_v2": (),
            "channel_length_per_v": ("gos",),
            "body_saturation_current_a": ("vsd",),
        },
        ("polarity",),
    ),
    "op-amps": Kind(
        opamp_value,
        {
            "gain_bandwidth_hz": 3e6,
            "slew_rate_v_per_s": 1e6,
            "open_loop_gain": 1e5,
            "headroom_high_v": 1.5,
            "headroom_low_v": 1.5,
            "voltage_noise_v_rthz": 1e-8,
            "current_noise_a_rthz": 1e-13,
            "supply_current_a": 1e-3,
        },
        {},
    ),
}
FILES = {
    "diodes": ("diodes", "leds"),
    "Zener diodes": ("zeners",),
    "transistors": ("npn", "pnp", "germanium"),
    "JFETs": ("jfets",),
    "MOSFETs": ("mosfets",),
    "op-amps": ("opamps",),
}
GERMANIUM = {
    "saturation_current_a": 1e-6,
    "forward_beta": 100.0,
    "reverse_beta": 10.0,
    "early_voltage_v": math.inf,
    "emitter_leakage_a": 0.0,
    "collector_leakage_a": 1e-6,
    "knee_current_a": math.inf,
    "base_resistance_ohm": 0.0,
}
"""Where the fit of a germanium transistor starts, and what stays of it."""


@dataclass(frozen=True)
class Residual:
    """A point, what was aimed at, and what the fitted model gives."""

    point: dict
    aim: float
    found: float

    @property
    def is_volts(self) -> bool:
        """Whether the difference is told in volts; else it is a ratio."""
        return self.point["of"] in VOLTS

    @property
    def off(self) -> float:
        """Volts above the aim, or the ratio to it less one."""
        return self.found - self.aim if self.is_volts else self.found / self.aim - 1.0


def sheet_parts() -> dict[str, dict[str, dict]]:
    """Every part of the sources, by kind and name; points hold their documents' whole names."""
    parts: dict[str, dict[str, dict]] = {}
    for kind, files in FILES.items():
        parts[kind] = {}
        for file in files:
            text = tomllib.loads((SOURCES / f"{file}.toml").read_text(encoding="utf-8"))
            for part in text["part"]:
                for point in part["points"]:
                    point["sheet"] = text["sheets"][point["sheet"]]
                parts[kind][part["name"]] = part
    return parts


def aim(point: dict) -> float:
    """What the fit aims at: the typical value, or the one that a rule makes of the limits."""
    return point["aim"] if "aim" in point else point["typ"]


def fit(kind_name: str, part: dict) -> tuple[dict, list[Residual]]:
    """Fit a part to its points.

    Returns
    -------
    numbers : dict, rounded as the library holds them
    residuals : list, one for each point that is no limit
    """
    kind = KINDS[kind_name]
    points = [p for p in part["points"] if not p.get("limit")]
    if not kind.free:
        return _stated(points)
    start = {**(GERMANIUM if part.get("family") == "germanium" and kind_name == "transistors"
                else kind.start), **part.get("held", {})}  # fmt: skip
    free = freed(kind_name, part)
    left_out = {n for n, needs in kind.free.items() if needs and n not in free}
    start.update({n: 0.0 for n in left_out if n == "channel_length_per_v"})
    start.update({n: kind.start[n] for n in free if math.isinf(start[n])})
    shaped = np.array([p.get("shape", False) for p in points])
    wanted = np.array([p["max"] if s else aim(p) for p, s in zip(points, shaped, strict=True)])

    def differences(numbers: dict) -> tuple[np.ndarray, np.ndarray]:
        model = SimpleNamespace(**numbers)
        found = np.array([kind.value(model, p) for p in points])
        # The constant that serves maxima of one curve best is their mean distance.
        shift = (found - wanted)[shaped].mean() if shaped.any() else 0.0
        return found, wanted + shift * shaped

    def residuals(logs) -> list[float]:
        numbers = {**start, **_powers(free, logs)}
        found, aims = differences(numbers)
        missed = [_apart(f, a, p["of"]) for f, a, p in zip(found, aims, points, strict=True)]
        return missed + _beyond(kind, SimpleNamespace(**numbers), part["points"])

    logs = np.array([math.log(start[name]) for name in free])
    reach = np.array([SATURATION_REACH if n.startswith("saturation") else REACH for n in free])
    bounds = logs - reach, logs + reach
    solved = least_squares(residuals, logs, bounds=bounds, xtol=1e-12, ftol=1e-12, gtol=1e-12)
    numbers = {**start, **_within(free, solved.x, bounds)}
    numbers = {k: _rounded(v) for k, v in numbers.items() if k not in left_out or v == 0.0}
    found, aims = differences({**start, **numbers})
    told = [Residual(*e) for e in zip(points, aims.tolist(), found.tolist(), strict=True)]
    return numbers, told


def _apart(value: float, wanted: float, of: str) -> float:
    """How far two values lie apart, in what counts alike."""
    return (value - wanted) / VOLT_UNIT if of in VOLTS else math.log(value / wanted) / GAIN_UNIT


def _beyond(kind: Kind, model: SimpleNamespace, points: list[dict]) -> list[float]:
    """How far a model lies beyond what its own sheet promises, weighed to keep it there."""
    over = []
    for point in points:
        if "borrowed" in point or point["of"] == "drift":  # which no fit moves
            continue
        for word, sign in (("min", -1.0), ("max", 1.0)):
            if word in point:
                value = kind.value(model, point) or 1e-30  # what a model leaves out is small
                apart = _apart(value, point[word], point["of"])
                over.append(LIMIT_WEIGHT * max(0.0, sign * apart))
    return over


def freed(kind_name: str, part: dict) -> list[str]:
    """The numbers of a part that its fit looks for."""
    stated = {p["of"] for p in part["points"] if not p.get("limit")}
    return part.get("free") or [
        name
        for name, needs in KINDS[kind_name].free.items()
        if name not in part.get("held", {}) and (not needs or stated & set(needs))
    ]


def _stated(points: list[dict]) -> tuple[dict, list[Residual]]:
    """An op-amp's numbers are its sheet's figures."""
    numbers = {}
    for name in KINDS["op-amps"].start:
        of = name.replace("headroom", "swing").removesuffix("_v") if "headroom" in name else name
        (point,) = (p for p in points if of.startswith(p["of"]))
        numbers[name] = float(f"{point.get('rail_v', 2.0 * aim(point)) - aim(point):.12g}")
    return numbers, [Residual(p, aim(p), aim(p)) for p in points]


def _powers(names: list[str], logs) -> dict[str, float]:
    return {name: math.exp(log) for name, log in zip(names, logs, strict=True)}


def _within(names: list[str], logs, bounds) -> dict[str, float]:
    numbers = _powers(names, logs)
    for name, log, low, high in zip(names, logs, *bounds, strict=True):
        if name in _NOTHING and log < low + 1.0:
            numbers[name] = 0.0
        if name in _WITHOUT_END and log > high - 1.0:
            numbers[name] = math.inf
    return numbers


def _rounded(value: float) -> float:
    return value if math.isinf(value) else float(f"{value:.{DIGITS - 1}e}")


def entry(kind_name: str, part: dict, numbers: dict, residuals: list[Residual]) -> dict:
    """What the library holds of a part: its numbers, its source, and the fit at every point."""
    kind = KINDS[kind_name]
    model = SimpleNamespace(**{**kind.start, **numbers})
    fits = iter(residuals)
    aims, found = [], []
    for point in part["points"]:
        r = None if point.get("limit") else next(fits)
        value = kind.value(model, point) if r is None else r.found
        aims.append(None if r is None else float(f"{r.aim:.6g}"))
        found.append(None if value is None else float(f"{value:.6g}"))
    told = {key: part[key] for key in kind.told if part.get(key) not in (None, "npn")}
    kept = {k: v for k, v in numbers.items() if v != ABSENT.get(k)}
    return {
        "numbers": {**told, **kept},
        "source": source(kind_name, part, len(freed(kind_name, part)), residuals),
        "aims": aims,
        "fitted": found,
    }


def source(kind_name: str, part: dict, free: int, residuals: list[Residual]) -> str:
    """The documents of a part and what its fit leaves, in words."""
    sheets: dict[str, list[str]] = {}
    for r in residuals:
        sheets.setdefault(r.point["sheet"], []).append(r.point.get("borrowed", ""))
    told = []
    for sheet, borrowed in sheets.items():
        whose = sorted(set(filter(None, borrowed)))
        told.append(f"{sheet} (of the {', '.join(whose)})" if whose and all(borrowed) else sheet)
    if not KINDS[kind_name].free:
        text = f"typical figures: {'; '.join(told)}"
    else:
        text = f"{free} numbers fitted to {len(residuals)} points, {left(residuals)}: "
        text += "; ".join(told)
    within = [r.point["within"] for r in residuals if "within" in r.point]
    if within:
        text += f", within {1e3 * max(within):g} mV"
    if "held" in part:
        held = (f"{_SYMBOLS[k]} {v:g}" for k, v in part["held"].items() if k in _SYMBOLS)
        text += f". Held: {', '.join(held)}: {part['held_because']}"
    return text + (f". {part['note']}" if "note" in part else "")


_SYMBOLS = {
    "emission_coefficient": "n",
    "series_resistance_ohm": "Rs",
    "reverse_beta": "reverse gain",
    "breakdown_per_k": "drift per kelvin",
}


def left(residuals: list[Residual]) -> str:
    """What a fit leaves at most, in words."""
    volts = max((abs(r.off) for r in residuals if r.is_volts), default=0.0)
    ratio = max((abs(r.off) for r in residuals if not r.is_volts), default=0.0)
    told = [f"{1e3 * volts:.2g} mV"] if volts >= 0.5e-3 else []
    told += [f"{100.0 * ratio:.2g} %"] if ratio >= 0.5e-2 else []
    return f"off by {' and '.join(told)} at most" if told else "all met"
