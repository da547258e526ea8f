"""What is told of a measured part: values, intervals, its readings, and the model to paste."""

import math
from dataclasses import dataclass
from typing import Any

from vadist.parts.least_squares import Fitted, Found
from vadist.parts.readings import Reading
from vadist.quantities import format_quantity, write_quantity

_UNITS = {
    "saturation_current": "A", "emission_coefficient": "", "series_resistance": "ohm",
    "forward_beta": "", "reverse_beta": "", "emitter_leakage": "A", "knee_current": "A",
    "breakdown": "V", "test_current": "A", "knee": "V", "idss": "A", "pinch_off": "V",
    "threshold": "V", "transconductance": "A/V2", "collector_leakage": "A",
}  # fmt: skip
_DIGITS = 4


@dataclass(frozen=True, slots=True)
class MeasuredPart:
    """What readings tell of a part.

    Attributes
    ----------
    kind : str
    family, polarity : str
        Empty where a model has none.
    found : dict of str to Found
        Values by the keys of an inline model.
    held : dict of str to (float, str)
        What the readings do not tell: the value taken, and why.
    readings : tuple of Reading
    fitted : Fitted
    """

    kind: str
    family: str
    polarity: str
    found: dict[str, Found]
    held: dict[str, tuple[float, str]]
    readings: tuple[Reading, ...]
    fitted: Fitted

    @property
    def inline(self) -> str:
        """The inline model, as a design file takes it."""
        told = [f'name = "measured {self.kind}"']
        told += [f'{key} = "{v}"' for key, v in (("family", self.family),
                                                 ("polarity", self.polarity)) if v]  # fmt: skip
        values = {k: f.value for k, f in self.found.items()}
        values |= {k: value for k, (value, _) in self.held.items()}
        for key, value in values.items():
            if value or key not in _MAY_BE_LEFT_OUT:
                told.append(f"{key} = {_pasted(value, _UNITS[key])}")
        return "{ " + ", ".join(told) + " }"

    def lines(self, accuracy: float) -> list[str]:
        """What is told of it, line by line."""
        rows = [("value", "fitted", "0.95 interval")]
        for key, f in self.found.items():
            value, low, high = (_shown(v, _UNITS[key]) for v in (f.value, f.low, f.high))
            rows.append((key, value, f"{low} to {high}" if f.value else "none seen"))
        for key, (taken, why) in self.held.items():
            rows.append((key, _shown(taken, _UNITS[key]), f"held: {why}"))
        wide = [max(len(row[k]) for row in rows) for k in (0, 1)]
        text = [f"{self.kind}, {len(self.readings)} readings, meter within {100.0 * accuracy:g} %"]
        text += ["", *(f"{a:<{wide[0]}}  {b:<{wide[1]}}  {c}" for a, b, c in rows), ""]
        points = zip(self.readings, self.fitted.predicted, self.fitted.known_to, strict=True)
        for reading, *numbers in points:
            fitted, reach = (_shown(float(v), reading.unit) for v in numbers)
            text.append(f"{reading.text}: fitted {fitted} (+-{reach})")
        if self.fitted.unexplained > 1.0:
            text.append(
                f"The readings scatter {self.fitted.unexplained:.2g} times as far as the meter "
                "explains; the intervals are wider for it."
            )
        text += ["Values move together: what is known best is the curve at the readings."]
        if self.kind not in ("njfet", "pjfet", "nmosfet", "pmosfet"):
            text += ["Junctions are taken at 27 degrees Celsius; a degree warmer reads 2 mV less."]
        return [*text, "", "To paste into a design:", self.inline]

    def as_json(self, accuracy: float) -> dict[str, Any]:
        """The same as plain data."""
        readings = zip(self.readings, self.fitted.predicted, self.fitted.known_to, strict=True)
        return {
            "kind": self.kind,
            "meter": accuracy,
            "values": {
                key: {
                    "unit": _UNITS[key],
                    "value": f.value,
                    "low": f.low if f.value else None,
                    "high": f.high if f.value and math.isfinite(f.high) else None,
                }
                for key, f in self.found.items()
            },
            "held": {key: {"value": v, "why": why} for key, (v, why) in self.held.items()},
            "readings": [
                {"at": r.at, "shown": r.shown, "unit": r.unit, "fitted": float(v),
                 "known_to": float(k)}
                for r, v, k in readings
            ],
            "unexplained": self.fitted.unexplained,
            "inline": self.inline,
        }  # fmt: skip


_MAY_BE_LEFT_OUT = ("series_resistance", "emitter_leakage")


def _shown(value: float, unit: str) -> str:
    """A value for people: the trade's notation, three digits."""
    if not math.isfinite(value):
        return "no end"
    return f"{value:.3g}" if not unit or value == 0.0 else format_quantity(value, unit)


def _pasted(value: float, unit: str) -> str:
    rounded = float(f"{value:.{_DIGITS}g}")
    return f'"{write_quantity(rounded, unit)}"' if unit else f"{rounded:g}"
