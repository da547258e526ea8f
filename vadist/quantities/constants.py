"""Physical constants and the thermal voltage."""

import math

from vadist.errors import DesignError

# Exact by definition of the SI since 2019 (SI Brochure, 9th edition, section 2.2).
BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19

# Exact by definition of the degree Celsius (SI Brochure, 9th edition, section 2.3.1).
ZERO_CELSIUS_K = 273.15

NOMINAL_K = 300.0
"""Temperature that the numbers of every part hold at."""


def thermal_voltage(temperature_k: float = NOMINAL_K) -> float:
    """Thermal voltage kT/q of a junction.

    Parameters
    ----------
    temperature_k : float
        Junction temperature in kelvins, > 0. The default, 300 K, is 26.85 degrees Celsius.

    Returns
    -------
    float
        Volts.

    Raises
    ------
    DesignError
        If the temperature is not finite and above absolute zero.

    Examples
    --------
    >>> round(thermal_voltage(298.15) * 1e3, 6)
    25.692579
    """
    if not 0.0 < temperature_k < math.inf:
        raise DesignError(f"temperature must be > 0 K and finite (got {temperature_k:g})")
    return BOLTZMANN_J_PER_K * temperature_k / ELEMENTARY_CHARGE_C
