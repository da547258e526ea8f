"""The junction diode."""

from dataclasses import dataclass

from vadist.errors import DesignError
from vadist.parts.limits import require_name, require_not_negative, require_positive
from vadist.quantities import format_quantity

DIODE_FAMILIES = ("silicon", "germanium", "schottky", "led")


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

    Notes
    -----
    I = Is (exp(Vj / (n kT/q)) - 1) and V = Vj + I Rs. Breakdown, charge storage and junction
    capacitance are left out: a clipper works forward, and picofarads lie in parallel with the
    nanofarads around them.

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

    @property
    def figures(self) -> str:
        """Its numbers, with their units."""
        return (
            f"{self.family}, Is {format_quantity(self.saturation_current_a, 'A')}, "
            f"n {self.emission_coefficient:g}, "
            f"Rs {format_quantity(self.series_resistance_ohm, 'ohm')}"
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
