"""What a fit may vary: parts, pots, knobs and the values of device models, each within bounds.

A path names it: ``clipper.shunt_capacitor``, ``drive`` (a knob), ``gain.drive_pot`` (its track),
``boost.transistor.forward_beta``, ``clipper.diodes.saturation_current`` (both directions alike) or
``clipper.diodes.forward.saturation_current``. After a colon stands how far it may go:
``clipper.shunt_capacitor:20%`` or ``:4x``.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from vadist.designs.design import Design
from vadist.designs.models import is_model_path, model_value
from vadist.designs.values import model_keys
from vadist.errors import UsageError, VadistError
from vadist.quantities import format_quantity, nearest_preferred
from vadist.stages.stage import DiodePair, Pot

WITHIN = 4.0
"""Factor by which a value may leave its start, up or down: a wrong decade is out of reach, a wrong
value in the right one is not."""

_WITHIN_DEVICE = {"saturation_current": 1000.0, "emission_coefficient": 2.0}
# Saturation currents of one type differ by decades (their volts by tens of millivolts).

_WITHIN_SUPPLY = 1.5
# Of rails: beyond it op-amps find no supply, or the bias no middle.

_SCATTERED = (
    "saturation_current", "emission_coefficient", "forward_beta", "gain_bandwidth", "slew_rate",
    "headroom_high", "headroom_low",
)  # fmt: skip
# Of device models: what a specimen has of its own. Early voltage and the like move little.

_SERIES = {"ohm": "E24", "F": "E12", "H": "E12"}


@dataclass(frozen=True)
class FreeValue:
    """A number of a design that a fit varies.

    Attributes
    ----------
    path : str
    unit : str
    start, low, high : float
    logarithmic : bool
        Whether it is varied by ratio; knob positions are varied by themselves.
    put : function of (design, value) -> design
    series : str
        Preferred numbers it is sold in; empty if it is not.
    """

    path: str
    unit: str
    start: float
    low: float
    high: float
    logarithmic: bool
    put: Callable[[Design, float], Design]
    series: str = ""

    def to_scale(self, value: float) -> float:
        """Place on the scale of the fit."""
        return math.log(value / self.start) if self.logarithmic else value - self.start

    def from_scale(self, place: float) -> float:
        """Value at a place."""
        return self.start * math.exp(place) if self.logarithmic else self.start + place

    def write(self, value: float) -> str:
        """Value as the trade writes it, four figures."""
        rounded = float(f"{value:.4g}")
        if self.unit in ("ohm", "F", "H", "V", "A", "Hz", "V/s"):
            return format_quantity(rounded, self.unit)
        return f"{rounded:g}"

    def preferred(self, value: float) -> str:
        """Nearest value it is sold in; empty for what is not sold by value."""
        if not self.series:
            return ""
        return format_quantity(nearest_preferred(value, self.series), self.unit)


def free_values(design: Design, texts: Sequence[str]) -> list[FreeValue]:
    """Read what a fit may vary.

    Raises
    ------
    UsageError, DesignError
        Naming the path.

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> made = free_values(load_design("soft_clipper"), ["gain.leg_capacitor:20%", "drive"])
    >>> [(v.path, v.unit, v.logarithmic) for v in made]
    [('gain.leg_capacitor', 'F', True), ('drive', '', False)]
    """
    found: list[FreeValue] = []
    for text in texts:
        path, colon, within = text.strip().partition(":")
        value = _free(design, path.strip(), _factor(path, within) if colon else None)
        if any(value.path == other.path for other in found):
            raise UsageError(f"{path} is free twice")
        found.append(value)
    if not found:
        raise UsageError("a fit needs at least one free value")
    return found


def every_value(design: Design) -> list[FreeValue]:
    """Everything of a design that a board could hold off its value.

    Parts, tracks of pots, knobs, supply and bias, what loads it, and of each device model the
    number that specimens differ in most.

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> found = [v.path for v in every_value(load_design("soft_clipper"))]
    >>> {"drive", "supply.volts", "gain.opamp.gain_bandwidth"} <= set(found)
    True
    """
    found = []
    for path in design.paths:
        info, held = design.field_info(path), design.value(path)
        if info.kind in ("part", "number", "pot", "position"):
            paths = [path]
        else:
            paths = [f"{path}.{key}" for key in _SCATTERED]
            if isinstance(held, DiodePair):
                paths += [f"{path}.{side}.{_SCATTERED[0]}" for side in ("forward", "reverse")]
        for tried in paths:
            try:
                value = _free(design, tried, None)
            except VadistError:
                continue  # left out, zero, or no such number
            if value.high > value.low and held is not None:
                found.append(value)
    return found


def _factor(path: str, text: str) -> float:
    text = text.strip().lower()
    try:
        factor = 1.0 + float(text[:-1]) / 100.0 if text.endswith("%") else float(text.rstrip("x"))
    except ValueError:
        factor = math.nan
    if not 1.0 < factor <= 1e6:
        raise UsageError(f"{path}: how far it may go is written 20% or 4x (got {text!r})")
    return factor


def _free(design: Design, path: str, within: float | None) -> FreeValue:
    if is_model_path(path):
        return _free_device(design, path, within)
    info = design.field_info(path)
    if info.kind == "position":
        position = float(design.value(path))
        reach = math.inf if within is None else within - 1.0
        low, high = max(0.0, position - reach), min(1.0, position + reach)
        return FreeValue(
            path, "", position, low, high, False,
            lambda d, v: d.with_value(path, min(max(v, 0.0), 1.0)),
        )  # fmt: skip
    held = design.value(path)
    if held is None:
        raise UsageError(f"{path} is left out of this design; give it a value first")
    if info.kind == "pot":
        return _ratio(
            path, info.unit, held.resistance, within or WITHIN,
            lambda d, v: d.with_value(path, Pot(v, d.value(path).wiper)),
        )  # fmt: skip
    if info.kind in ("part", "number"):
        series = _SERIES.get(info.unit, "") if info.kind == "part" else ""
        most = _WITHIN_SUPPLY if path in ("supply.volts", "supply.bias") else WITHIN
        return _ratio(
            path, info.unit, held, within or most, lambda d, v: d.with_value(path, v), series
        )
    string = held.forward or held.reverse if isinstance(held, DiodePair) else None
    names = model_keys(held if string is None else string.model)
    raise UsageError(
        f"{path} is no number; free one of {', '.join(f'{path}.{name}' for name in names)}"
        if names
        else f"{path} is no number and cannot be fitted"
    )


def _ratio(
    path: str,
    unit: str,
    start: float,
    within: float,
    put: Callable[[Design, float], Design],
    series: str = "",
) -> FreeValue:
    if not start > 0.0:
        raise UsageError(
            f"{path} is {start:g} and cannot be varied by ratio; give it a value first"
        )
    return FreeValue(path, unit, start, start / within, start * within, True, put, series)


def _free_device(design: Design, path: str, within: float | None) -> FreeValue:
    start, unit = model_value(design, path)
    if start is None or not 0.0 < start < math.inf:
        raise UsageError(f"{path} is left out or without limit; give it a value first")
    factor = within or _WITHIN_DEVICE.get(path.rpartition(".")[2], WITHIN)
    return _ratio(path, unit, start, factor, lambda d, v: d.with_value(path, v))
