"""The junction diode."""

import dataclasses
import math
from dataclasses import dataclass

from vadist.errors import DesignError
from vadist.parts.limits import (
    capacitances,
    require_name,
    require_not_negative,
    require_positive,
)
from vadist.parts.temperature import GAPS, saturation_ratio
from vadist.quantities import NOMINAL_K, format_quantity, thermal_voltage

DIODE_FAMILIES = ("silicon", "germanium", "schottky", "led")

_LED_AMPERES, _LED_V_PER_K, _LED_EXPONENT = 10e-3, -2e-3, 3.0
# An LED's volts at 10 mA fall by 2 mV a kelvin, whatever its colour (common practice, no published
# source); its gap is what that takes, as n is not that of one junction.


@dataclass(frozen=True, slots=True)
class DiodeModel:
    """Shockley diode with a series resistance.

    Attributes
    ----------
    name : str
        Type, as it is ordered.
    family : str
        ``silicon``, ``germanium``, ``schottky`` or ``led``.
    saturation_current_a : float
        Is, amperes, > 0, at 300 K.
    emission_coefficient : float
        n, > 0.
    series_resistance_ohm : float
        Ohmic part of the forward voltage, >= 0.
    source : str
        Where the numbers come from.
    junction_capacitance_f : float
        At no voltage, >= 0; zero leaves it out.

    Notes
    -----
    I = Is (exp(Vj / (n kT/q)) - 1) and V = Vj + I Rs. Breakdown (see
    :class:`vadist.parts.ZenerModel`) and charge storage are left out. Picofarads lie in parallel
    with the nanofarads around them, so the library's diodes have no capacitance.

    References
    ----------
    W. Shockley, Bell System Technical Journal 28(3), 1949 (from memory, not located).
    """

    name: str
    family: str
    saturation_current_a: float
    emission_coefficient: float
    series_resistance_ohm: float = 0.0
    source: str = "given by the user"
    junction_capacitance_f: float = 0.0

    @property
    def gap_and_exponent(self) -> tuple[float, float]:
        """Volts of the gap, and XTI, by which the saturation current moves."""
        if self.family != "led":
            return GAPS[self.family]
        slope_v = self.emission_coefficient * thermal_voltage(NOMINAL_K)
        forward_v = slope_v * math.log(_LED_AMPERES / self.saturation_current_a)
        exponent_v = _LED_EXPONENT * thermal_voltage(NOMINAL_K)
        return forward_v - NOMINAL_K * _LED_V_PER_K - exponent_v, _LED_EXPONENT

    def at(self, temperature_k: float) -> "DiodeModel":
        """Return the diode as it is at a temperature."""
        ratio = saturation_ratio(temperature_k, *self.gap_and_exponent, self.emission_coefficient)
        return dataclasses.replace(self, saturation_current_a=self.saturation_current_a * ratio)

    @property
    def figures(self) -> str:
        """Its numbers, with their units."""
        return (
            f"{self.family}, Is {format_quantity(self.saturation_current_a, 'A')}, "
            f"n {self.emission_coefficient:g}, "
            f"Rs {format_quantity(self.series_resistance_ohm, 'ohm')}"
            f"{capacitances(Cj=self.junction_capacitance_f)}"
        )

    def __post_init__(self) -> None:
        require_name(self.name)
        if self.family not in DIODE_FAMILIES:
            raise DesignError(
                f"family must be one of {', '.join(DIODE_FAMILIES)} (got {self.family!r})"
            )
        require_positive("saturation_current", self.saturation_current_a, "A")
        require_positive("emission_coefficient", self.emission_coefficient, "")
        require_not_negative("series_resistance", self.series_resistance_ohm, "ohm")
        require_not_negative("junction_capacitance", self.junction_capacitance_f, "F")
