"""How a model's numbers move with temperature, from where they hold, at 300 K.

Saturation currents follow the density of the carriers that cross the gap::

    Is(T) = Is (T/T0)^(XTI/n) exp(Eg/(n Vt) (T/T0 - 1)),   Vt = k T/q

gains follow a power of the temperature, the square law's factor the mobility of the carriers.

References
----------
L. W. Nagel, SPICE2, memorandum UCB/ERL M520, 1975, and A. Vladimirescu, The SPICE Book, 1994, for
the equations and for gap and exponent of each kind of junction (from memory, not located).
"""

import math

from vadist.quantities import NOMINAL_K, thermal_voltage

# Gap in volts and exponent XTI of each junction.
GAPS = {"silicon": (1.11, 3.0), "germanium": (0.67, 3.0), "schottky": (0.69, 2.0)}

BETA_EXPONENT = 1.5
"""XTB of a transistor: its gain is some 60 % more at 125 than at 25 degC (from memory: so do the
gain curves of small silicon types run)."""

MOBILITY_EXPONENT = -1.5

THRESHOLD_V_PER_K = -2e-3
"""A channel opens at 2 mV less gate voltage for every kelvin more (from memory, not located: S. M.
Sze, Physics of Semiconductor Devices, the temperature dependence of threshold voltage)."""


def saturation_ratio(
    temperature_k: float, gap_v: float, exponent: float, emission_coefficient: float = 1.0
) -> float:
    """Return a saturation current over the one at 300 K.

    Examples
    --------
    >>> silicon = [saturation_ratio(k, *GAPS["silicon"]) for k in (300.0, 305.0)]
    >>> silicon[0], round(silicon[1], 2)  # doubled by 5 kelvins
    (1.0, 2.12)
    """
    warmer = temperature_k / NOMINAL_K
    slope_v = emission_coefficient * thermal_voltage(temperature_k)
    power: float = warmer ** (exponent / emission_coefficient)
    return power * math.exp(gap_v / slope_v * (warmer - 1.0))


def power_of_temperature(temperature_k: float, exponent: float) -> float:
    """Return (T/T0)**exponent."""
    ratio: float = (temperature_k / NOMINAL_K) ** exponent
    return ratio
