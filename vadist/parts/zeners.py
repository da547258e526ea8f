"""The Zener diode."""

import dataclasses
from dataclasses import dataclass

from vadist.errors import DesignError
from vadist.parts.limits import (
    capacitances,
    require_finite,
    require_name,
    require_not_negative,
    require_positive,
)
from vadist.parts.temperature import GAPS, saturation_ratio
from vadist.quantities import NOMINAL_K, format_quantity

_LARGEST_DRIFT_PER_K = 0.002
# Of the breakdown; sheets state up to 0.1 % a kelvin (from memory).


@dataclass(frozen=True, slots=True)
class ZenerModel:
    """Silicon diode that breaks down at a stated voltage.

    Attributes
    ----------
    name : str
        Type, as it is ordered.
    saturation_current_a, emission_coefficient : float
        Is and n of the forward law, > 0, at 300 K.
    breakdown_v : float
        Junction volts at the test current, > 0; the series resistance adds to it at the terminals.
    test_current_a : float
        > 0.
    knee_v : float
        Volts for one e-fold of current in breakdown, > 0, under ``breakdown_v``: the dynamic
        resistance is ``knee_v`` over the current, and the series resistance. Below some 6 V a
        knee is soft (common practice, no published source).
    series_resistance_ohm : float
        >= 0.
    breakdown_per_k : float
        Relative rise of the breakdown voltage for a kelvin, either sign.
    junction_capacitance_f : float
        At no voltage, >= 0; zero leaves it out.
    source : str
        Where the numbers come from.

    Notes
    -----
    ::

        I = Is (exp(V/(n Vt)) - 1) - It (exp(-(V + Vz)/knee) - exp(-Vz/knee))

    the second term zero at no voltage. Avalanche noise beyond shot noise is left out.

    References
    ----------
    A. Vladimirescu, The SPICE Book, 1994: the exponential of the breakdown (from memory, not
    located).
    """

    name: str
    saturation_current_a: float
    emission_coefficient: float
    breakdown_v: float
    test_current_a: float
    knee_v: float = 0.026
    series_resistance_ohm: float = 0.0
    breakdown_per_k: float = 0.0
    junction_capacitance_f: float = 0.0
    source: str = "given by the user"

    def at(self, temperature_k: float) -> "ZenerModel":
        """Return the diode as it is at a temperature."""
        gap = GAPS["silicon"]
        ratio = saturation_ratio(temperature_k, *gap, self.emission_coefficient)
        warmer = 1.0 + self.breakdown_per_k * (temperature_k - NOMINAL_K)
        return dataclasses.replace(
            self,
            saturation_current_a=self.saturation_current_a * ratio,
            breakdown_v=self.breakdown_v * warmer,
        )

    @property
    def figures(self) -> str:
        """Its numbers, with their units."""
        return (
            f"Zener, {format_quantity(self.breakdown_v, 'V')} at "
            f"{format_quantity(self.test_current_a, 'A')}, "
            f"knee {format_quantity(self.knee_v, 'V')}, "
            f"Is {format_quantity(self.saturation_current_a, 'A')}, "
            f"n {self.emission_coefficient:g}, "
            f"Rs {format_quantity(self.series_resistance_ohm, 'ohm')}"
            f"{capacitances(Cj=self.junction_capacitance_f)}"
        )

    def __post_init__(self) -> None:
        require_name(self.name)
        require_positive("saturation_current", self.saturation_current_a, "A")
        require_positive("emission_coefficient", self.emission_coefficient, "")
        require_positive("breakdown", self.breakdown_v, "V")
        require_positive("test_current", self.test_current_a, "A")
        require_positive("knee", self.knee_v, "V")
        if not self.knee_v < self.breakdown_v:
            raise DesignError(
                f"knee must be < breakdown, {self.breakdown_v:g} V (got {self.knee_v:g})"
            )
        require_not_negative("series_resistance", self.series_resistance_ohm, "ohm")
        require_finite("breakdown_per_k", self.breakdown_per_k, "1/K")
        if not abs(self.breakdown_per_k) <= _LARGEST_DRIFT_PER_K:
            raise DesignError(
                f"breakdown_per_k must be within +-{_LARGEST_DRIFT_PER_K:g} 1/K "
                f"(got {self.breakdown_per_k:g})"
            )
        require_not_negative("junction_capacitance", self.junction_capacitance_f, "F")
