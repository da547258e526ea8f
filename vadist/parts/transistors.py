"""The bipolar transistor."""

import dataclasses
import math
from dataclasses import dataclass

from vadist.errors import DesignError
from vadist.parts.limits import (
    capacitances,
    require_name,
    require_not_negative,
    require_one_of,
    require_positive,
)
from vadist.parts.temperature import BETA_EXPONENT, GAPS, power_of_temperature, saturation_ratio
from vadist.quantities import format_quantity

TRANSISTOR_POLARITIES = ("npn", "pnp")
TRANSISTOR_FAMILIES = ("silicon", "germanium")


@dataclass(frozen=True, slots=True)
class TransistorModel:
    """Bipolar transistor after Gummel and Poon; of a PNP all volts and currents are reversed.

    Attributes
    ----------
    name : str
        Type, as it is ordered.
    saturation_current_a : float
        Is, amperes, > 0, at 300 K.
    forward_beta, reverse_beta : float
        Bf and Br, > 0: the gains that leakage and fall-off leave off.
    early_voltage_v : float
        VAF, volts, > 0; infinite for none.
    emitter_leakage_a, collector_leakage_a : float
        Ise and Isc, >= 0: saturation currents of the non-ideal base currents, which have an
        emission coefficient of 2. They take the gain away at low current.
    knee_current_a : float
        IKF, > 4 Is: collector current about which the gain falls off; infinite for never.
    base_resistance_ohm : float
        Rb, between the terminal and the inner base, >= 0.
    source : str
        Where the numbers come from.
    polarity : str
        ``npn`` or ``pnp``.
    family : str
        ``silicon`` or ``germanium``; it tells how the currents move with temperature.
    base_emitter_capacitance_f, base_collector_capacitance_f : float
        Of the junctions at no voltage, >= 0; zero leaves them out.
    transit_time_s : float
        TF, >= 0: the charge that a collector current keeps in the base, in seconds of it.

    Notes
    -----
    With If = Is (exp(Vbe/Vt) - 1) and Ir = Is (exp(Vbc/Vt) - 1)::

        Ib = If/Bf + Ise (exp(Vbe/2Vt) - 1) + Ir/Br + Isc (exp(Vbc/2Vt) - 1)
        Ic = (If - Ir)/qb - Ir/Br - Isc (exp(Vbc/2Vt) - 1)
        qb = (1 + sqrt(1 + 4 If/IKF)) / 2 / (1 - Vbc/VAF)

    In the paper the charge of high injection is If/IKF itself, not times the square of the Early
    factor: here that factor scales the collector current and nothing else. The emission
    coefficient of the leakage, measured between 1 and 2, is held at 2, that of
    recombination in the junction (C.-T. Sah, R. N. Noyce, W. Shockley, Proceedings of the IRE
    45(9), 1957). Left out: charge storage in saturation, fall-off of the reverse gain, resistances
    of collector and emitter, breakdown.

    References
    ----------
    H. K. Gummel, H. C. Poon, Bell System Technical Journal 49(5), 1970 (both from memory, not
    located).
    """

    name: str
    saturation_current_a: float
    forward_beta: float
    reverse_beta: float
    early_voltage_v: float = math.inf
    emitter_leakage_a: float = 0.0
    collector_leakage_a: float = 0.0
    knee_current_a: float = math.inf
    base_resistance_ohm: float = 0.0
    source: str = "given by the user"
    polarity: str = "npn"
    family: str = "silicon"
    base_emitter_capacitance_f: float = 0.0
    base_collector_capacitance_f: float = 0.0
    transit_time_s: float = 0.0

    def at(self, temperature_k: float) -> "TransistorModel":
        """Return the transistor as it is at a temperature."""
        gap, gain = GAPS[self.family], power_of_temperature(temperature_k, BETA_EXPONENT)
        ideal = saturation_ratio(temperature_k, *gap)
        leakage = saturation_ratio(temperature_k, *gap, 2.0) / gain
        return dataclasses.replace(
            self,
            saturation_current_a=self.saturation_current_a * ideal,
            forward_beta=self.forward_beta * gain,
            reverse_beta=self.reverse_beta * gain,
            emitter_leakage_a=self.emitter_leakage_a * leakage,
            collector_leakage_a=self.collector_leakage_a * leakage,
        )

    @property
    def figures(self) -> str:
        """Its numbers, with their units."""
        return (
            f"{self.polarity.upper()}, Is {format_quantity(self.saturation_current_a, 'A')}, "
            f"beta {self.forward_beta:g}, reverse beta {self.reverse_beta:g}, "
            f"{self._limit('Early', self.early_voltage_v, 'V')}"
            f"leakage {format_quantity(self.emitter_leakage_a, 'A')} and "
            f"{format_quantity(self.collector_leakage_a, 'A')}, "
            f"{self._limit('knee', self.knee_current_a * 1e3, 'mA')}"
            f"Rb {format_quantity(self.base_resistance_ohm, 'ohm')}"
            + capacitances(
                Cbe=self.base_emitter_capacitance_f, Cbc=self.base_collector_capacitance_f
            )
        )

    @staticmethod
    def _limit(name: str, value: float, unit: str) -> str:
        return f"{name} {value:g} {unit}, " if math.isfinite(value) else ""

    def __post_init__(self) -> None:
        require_name(self.name)
        require_positive("saturation_current", self.saturation_current_a, "A")
        require_positive("forward_beta", self.forward_beta, "")
        require_positive("reverse_beta", self.reverse_beta, "")
        if not self.early_voltage_v > 0.0:
            raise DesignError(f"early_voltage must be > 0 V (got {self.early_voltage_v:g})")
        require_not_negative("emitter_leakage", self.emitter_leakage_a, "A")
        require_not_negative("collector_leakage", self.collector_leakage_a, "A")
        least = 4.0 * self.saturation_current_a
        if not self.knee_current_a > least:
            raise DesignError(
                f"knee_current must be > 4 saturation currents, {least:g} A "
                f"(got {self.knee_current_a:g})"
            )
        require_not_negative("base_resistance", self.base_resistance_ohm, "ohm")
        require_one_of("polarity", self.polarity, TRANSISTOR_POLARITIES)
        require_one_of("family", self.family, TRANSISTOR_FAMILIES)
        require_not_negative("base_emitter_capacitance", self.base_emitter_capacitance_f, "F")
        require_not_negative("base_collector_capacitance", self.base_collector_capacitance_f, "F")
        require_not_negative("transit_time", self.transit_time_s, "s")
