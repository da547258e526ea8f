"""Models of the part library, fitted to points of makers' data sheets.

The points stand in ``sheet_points.toml`` with their documents; ``tests/studies/fit_parts.py``
prints the fits with their residuals, and ``tests/standards/test_part_library.py`` holds the library
to them. The device laws are those of ``circuit_oracle``, not the package's.
"""

import math
import tomllib
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
from circuit_oracle import VT, gummel_poon
from scipy.optimize import brentq, least_squares

from vadist.parts import DiodeModel, TransistorModel

POINTS = Path(__file__).with_name("sheet_points.toml")
GAIN_UNIT, VOLT_UNIT = 0.05, 0.01
"""What counts alike in a fit: 5 % of a gain or a conductance, 10 mV."""

DIGITS = 4
_STEP_V = 2.0 * VT
_VOLTS = ("vbe_on", "vbe_sat", "vce_sat", "vf")

_REACH = math.log(3e5)
# Ratio within which a number stays of where the fit starts; any sensible start leads to one end.
_TRANSISTOR_START = TransistorModel("start", 1e-14, 300.0, 1.0, 70.0, 3e-14, 0.0, 0.1, 30.0)
_TRANSISTOR_FREE = (
    *("saturation_current_a", "forward_beta", "reverse_beta", "early_voltage_v"),
    *("emitter_leakage_a", "knee_current_a", "base_resistance_ohm"),
)
_DIODE_START = DiodeModel("start", "silicon", 1e-9, 1.5, 1.0)
_DIODE_FREE = ("saturation_current_a", "emission_coefficient", "series_resistance_ohm")


@dataclass(frozen=True)
class Residual:
    """A point, what was aimed at, and what the fitted model gives."""

    point: dict
    aim: float
    found: float

    @property
    def is_volts(self) -> bool:
        """Whether the difference is told in volts; else it is a ratio."""
        return self.point.get("of", "vf") in _VOLTS

    @property
    def off(self) -> float:
        """Volts above the aim, or the ratio to it less one."""
        return self.found - self.aim if self.is_volts else self.found / self.aim - 1.0


def sheet_points() -> dict:
    """Everything in the points' file, by kind and name of the part."""
    text = tomllib.loads(POINTS.read_text(encoding="utf-8"))
    return {kind: {part["name"]: part for part in parts} for kind, parts in text.items()}


def aim(point: dict) -> float:
    """What the fit aims at: the typical value, or the one that a rule makes of the limits."""
    return point["aim"] if "aim" in point else point["typ"]


def at_collector(model: TransistorModel, collector_a: float, collector_emitter_v: float):
    """Junction volts, base current and collector slopes of a transistor in its active region."""

    def excess(vbe: float) -> float:
        return gummel_poon(vbe, vbe - collector_emitter_v, model)[1][0] - collector_a

    vbe = brentq(excess, 0.0, 1.5, xtol=1e-14)
    (base, *_), (_, _, slope_bc) = gummel_poon(vbe, vbe - collector_emitter_v, model)
    return vbe, base, slope_bc


def saturated(model: TransistorModel, collector_a: float, base_a: float) -> tuple[float, float]:
    """Volts of both junctions for given currents, by Newton's method with limited steps."""
    v = np.array([0.7, 0.6])
    for _ in range(200):
        (ib, *ib_slopes), (ic, *ic_slopes) = gummel_poon(*v, model)
        step = np.linalg.solve([ib_slopes, ic_slopes], [base_a - ib, collector_a - ic])
        v += np.clip(step, -_STEP_V, _STEP_V)
        if np.abs(step).max() < 1e-13:
            return float(v[0]), float(v[1])
    raise RuntimeError(f"no saturation point of {model}")


def transistor_value(model: TransistorModel, point: dict) -> float:
    """What a model gives at a point of a sheet."""
    rb = model.base_resistance_ohm
    if point["of"].endswith("_sat"):
        vbe, vbc = saturated(model, point["collector_a"], point["base_a"])
        return vbe - vbc if point["of"] == "vce_sat" else vbe + rb * point["base_a"]
    vbe, base, slope = at_collector(model, point["collector_a"], point["collector_emitter_v"])
    if point["of"] == "hfe":
        return point["collector_a"] / base
    return -slope if point["of"] == "hoe" else vbe + rb * base


def forward_v(model: DiodeModel, forward_a: float) -> float:
    """Volts across a diode and its series resistance, from Shockley's law."""
    junction = model.emission_coefficient * VT * math.log1p(forward_a / model.saturation_current_a)
    return junction + forward_a * model.series_resistance_ohm


def fit_transistor(part: dict) -> tuple[TransistorModel, list[Residual]]:
    """Fit a transistor to its points, rounded as the library holds it, with the residuals."""

    def made(logs) -> TransistorModel:
        return replace(_TRANSISTOR_START, **_powers(_TRANSISTOR_FREE, logs))

    def residuals(logs) -> list[float]:
        model = made(logs)
        found = []
        for point in part["points"]:
            value, wanted = transistor_value(model, point), aim(point)
            unit = point["of"] in _VOLTS
            found.append(
                (value - wanted) / VOLT_UNIT if unit else math.log(value / wanted) / GAIN_UNIT
            )
        return found

    model = _rounded(made(_solve(residuals, _TRANSISTOR_START, _TRANSISTOR_FREE)))
    told = [Residual(p, aim(p), transistor_value(model, p)) for p in part["points"]]
    return replace(model, name=part["name"]), told


def fit_diode(part: dict) -> tuple[DiodeModel, list[Residual]]:
    """Fit a diode to its points; maxima marked ``shape`` may all lie a constant too high."""
    start = replace(_DIODE_START, family=part["family"])
    free = tuple(f for f in _DIODE_FREE if not (part.get("ideal") and f.startswith("emission")))
    if part.get("ideal"):
        start = replace(start, emission_coefficient=1.0)
    shaped = [p.get("shape", False) for p in part["points"]]

    def made(logs) -> DiodeModel:
        return replace(start, **_powers(free, logs))

    def differences(model: DiodeModel):
        found = np.array([forward_v(model, p["forward_a"]) for p in part["points"]])
        wanted = np.array(
            [p["max"] if s else aim(p) for p, s in zip(part["points"], shaped, strict=True)]
        )
        off = found - wanted
        # The constant that serves the maxima best is their mean distance.
        shift = off[shaped].mean() if any(shaped) else 0.0
        return found, wanted + shift * np.array(shaped)

    def residuals(logs):
        found, wanted = differences(made(logs))
        return (found - wanted) / VOLT_UNIT

    model = _rounded(made(_solve(residuals, start, free)))
    found, wanted = differences(model)
    told = [
        Residual(*each)
        for each in zip(part["points"], wanted.tolist(), found.tolist(), strict=True)
    ]
    return replace(model, name=part["name"]), told


def _powers(names: tuple[str, ...], logs) -> dict[str, float]:
    return {name: math.exp(log) for name, log in zip(names, logs, strict=True)}


def _solve(residuals, start, free: tuple[str, ...]):
    logs = [math.log(getattr(start, name)) for name in free]
    bounds = [x - _REACH for x in logs], [x + _REACH for x in logs]
    return least_squares(residuals, logs, bounds=bounds, xtol=1e-12, ftol=1e-12, gtol=1e-12).x


def _rounded(model):
    """Every number to as many digits as the library holds."""
    held = {f.name: getattr(model, f.name) for f in fields(model)}
    numbers = {k: float(f"{v:.{DIGITS - 1}e}") for k, v in held.items() if isinstance(v, float)}
    return replace(model, **numbers)
