"""How much each part of a board may be off, and which of its numbers that moves.

Where a design states nothing, parts have the tolerances they are commonly sold with, and devices
the spread that their data sheets allow; what no sheet states is common practice, marked so.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.designs.models import model_value
from vadist.designs.tolerances import tolerance_paths, write_tolerance
from vadist.parts import (
    DiodeModel,
    JfetModel,
    MosfetModel,
    OpAmpModel,
    TransistorModel,
    ZenerModel,
)
from vadist.parts.records import PartRecord, part_records
from vadist.stages.stage import DiodePair, Pot

COMMON = {
    "resistors": 0.01,
    "capacitors": 0.10,
    "electrolytics": 0.20,
    "inductors": 0.10,
    "pots": 0.20,
}
"""Metal film, film or ceramic, aluminium, wound, and a pot's track (common practice, no published
source)."""

ELECTROLYTIC_F = 1e-6
"""From this on a capacitor is held to be an electrolytic one (common practice, no published
source)."""

_PRACTICE = "common practice"

_SATURATION = {"silicon": 1.5, "schottky": 1.5, "germanium": 2.0, "led": 2.0}
# Saturation current of a diode by a factor either way: 20 mV of a 1N4148 (common practice, no
# published source).
_BASE_EMITTER = 1.5
# The same of a transistor: 10 mV of its base-emitter voltage (common practice, no published
# source).
_GAIN, _CHANNEL, _THRESHOLD, _BREAKDOWN, _OPAMP = 2.0, 2.0, 1.5, 1.05, 1.3
# Factors either way where a type's sheet states no limits (common practice, no published source).


@dataclass(frozen=True)
class Variation:
    """Something that differs from board to board, by a factor on some numbers of the design.

    Attributes
    ----------
    part : str
        ``stage.part``, or a supply or temperature that varies.
    what : str
        Of a device: ``gain``, ``saturation current``, ...; of parts empty.
    least, most : float
        Factor, nominal 1 between them.
    targets : tuple of (path, power)
        Numbers of the design, each multiplied by the factor to that power.
    shown : str
        ``5%``, or the factors of a device.
    source : str
        Who says so: ``design``, ``asked for``, ``common practice`` or a data sheet.
    tolerance : float
        Of a part that is sold by tolerance; 0 for others, which cannot be bought tighter.
    span : tuple of two floats, optional
        Of a supply or a temperature: its least and largest number, in place of factors; every
        number between is as likely, whatever the parts do.
    """

    part: str
    what: str
    least: float
    most: float
    targets: tuple[tuple[str, float], ...]
    shown: str
    source: str
    tolerance: float = 0.0
    span: tuple[float, float] | None = None

    @property
    def name(self) -> str:
        """Part and what of it varies."""
        return f"{self.part} {self.what}".strip()

    def factor(self, x: FloatArray) -> FloatArray:
        """Factors at -1 (least) to 1 (most); straight for parts, by ratios for devices."""
        if self.tolerance:
            return np.asarray(1.0 + self.tolerance * x)
        return np.asarray(np.where(x >= 0.0, self.most, self.least) ** np.abs(x))


def variations(design: Design, asked: Mapping[str, float] | None = None) -> list[Variation]:
    """What of a design varies from board to board.

    Parameters
    ----------
    design : Design
    asked : mapping of sort of parts, or ``stage.part`` -> ratio, optional
        Goes before the design's own tolerances.

    Returns
    -------
    list of Variation
        Parts first, as the design lists them, then devices. Stages that are bypassed vary in
        nothing that could be measured and are left out.

    Examples
    --------
    >>> from vadist import load_design
    >>> found = variations(load_design("treble_boost"), {"boost.collector_resistor": 0.05})
    >>> [v.shown for v in found if v.part == "boost.collector_resistor"]
    ['5%']
    """
    stated = {**{k: (t, _PRACTICE) for k, t in COMMON.items()},
              **{k: (t, "design") for k, t in design.tolerances.items()},
              **{k: (t, "asked for") for k, t in (asked or {}).items()}}  # fmt: skip
    found = []
    for path in tolerance_paths(design):
        value = design.value(path)
        if path.partition(".")[0] in design.bypassed or not value:
            continue
        key = path if path in stated else _sort(design.field_info(path).unit, value)
        ratio, source = stated[key]
        if ratio > 0.0:
            found.append(
                Variation(path, "", 1.0 - ratio, 1.0 + ratio, ((path, 1.0),),
                          write_tolerance(ratio), source, ratio)
            )  # fmt: skip
    return found + _device_variations(design)


def _sort(unit: str, value: object) -> str:
    if isinstance(value, Pot):
        return "pots"
    if unit == "F":
        return "electrolytics" if float(value) >= ELECTROLYTIC_F else "capacitors"  # type: ignore[arg-type]
    return {"ohm": "resistors", "H": "inductors"}[unit]


def _device_variations(design: Design) -> list[Variation]:
    found: list[Variation] = []
    for path in design.paths:
        owner, _, name = path.partition(".")
        if owner not in (*design.stages, "supply") or not name or owner in design.bypassed:
            continue
        value = design.value(path)
        if isinstance(value, DiodePair):
            for side in ("forward", "reverse"):
                string = getattr(value, side)
                if string is not None:
                    found += _of_model(f"{path}.{side}", string.model, path, side)
        else:
            found += _of_model(path, value, path, "")
    return [v for v in found if _moves(design, v)]


def _moves(design: Design, variation: Variation) -> bool:
    """Whether a number is there to be moved: a leakage of zero stays zero at any factor."""
    return any(model_value(design, path)[0] for path, _ in variation.targets)


def _of_model(where: str, model: object, part: str, side: str) -> list[Variation]:
    """Variations of one device; ``where`` is the path of its model's numbers."""

    def by(what: str, limits: tuple[float, float], source: str, **powers: float) -> Variation:
        low, high = limits
        targets = tuple((f"{where}.{key}", power) for key, power in powers.items())
        shown = f"x{low:.2f}..{high:.2f}"
        return Variation(part, f"{side} {what}".strip(), low, high, targets, shown, source)

    record = part_records().get(str(getattr(model, "name", "")))
    if record is not None and record.model != model:
        record = None  # a type of that name with numbers of its own

    if isinstance(model, TransistorModel):
        gain, source = _promised(record, "hfe", _GAIN)
        return [
            by("gain", gain, source, forward_beta=1.0, emitter_leakage=-1.0),
            by("Is", _either(_BASE_EMITTER), _PRACTICE, saturation_current=1.0),
        ]
    if isinstance(model, DiodeModel):
        return [by("Is", _either(_SATURATION[model.family]), _PRACTICE, saturation_current=1.0)]
    if isinstance(model, JfetModel):
        limits, source = _promised(record, "idss", _CHANNEL)
        return [by("Idss", limits, source, idss=1.0, pinch_off=0.5)]
    if isinstance(model, MosfetModel):
        limits, source = _promised(record, "vth", _THRESHOLD)
        return [by("threshold", limits, source, threshold=1.0)]
    if isinstance(model, ZenerModel):
        limits, source = _promised(record, "vz", _BREAKDOWN)
        return [by("breakdown", limits, source, breakdown=1.0)]
    if isinstance(model, OpAmpModel):
        speed, source = _promised(record, "gain_bandwidth", _OPAMP)
        current, told = _promised(record, "supply_current", _OPAMP)
        return [
            by("GBW", speed, source, gain_bandwidth=1.0, slew_rate=1.0),
            by("current", current, told, supply_current=1.0),
        ]
    return []


def _either(factor: float) -> tuple[float, float]:
    return 1.0 / factor, factor


def _promised(
    record: PartRecord | None, quantity: str, otherwise: float
) -> tuple[tuple[float, float], str]:
    """Factors that keep a type within every limit its sheet promises for a quantity.

    A sheet that promises one side alone is taken to hold the other as far away by ratio.
    """
    lows, highs = [], []
    for point in record.spread if record is not None else ():
        if point.quantity == quantity and point.fitted:
            if point.least:
                lows.append(point.least / point.fitted)
            if point.most:
                highs.append(point.most / point.fitted)
    low, high = min(max(lows, default=0.0), 1.0), max(min(highs, default=math.inf), 1.0)
    if not lows and not highs:
        return _either(otherwise), _PRACTICE
    low = low if lows else 1.0 / high
    high = high if highs else 1.0 / low
    return (low, high), f"sheet of the {record.name}" if record is not None else _PRACTICE
