"""Numbers as the trade writes them: component values, preferred numbers, levels, constants."""

from vadist.quantities.constants import (
    BOLTZMANN_J_PER_K,
    ELEMENTARY_CHARGE_C,
    NOMINAL_K,
    ZERO_CELSIUS_K,
    thermal_voltage,
)
from vadist.quantities.levels import (
    dbu_to_peak_volts,
    dbv_to_peak_volts,
    parse_level,
    parse_loudness,
    peak_volts_to_dbu,
    peak_volts_to_dbv,
)
from vadist.quantities.notation import format_quantity, parse_quantity, write_quantity
from vadist.quantities.preferred import SERIES, nearest_preferred, neighbours, preferred_values
from vadist.quantities.rates import HIGHEST_RATE_HZ, LOWEST_RATE_HZ

__all__ = [
    "BOLTZMANN_J_PER_K",
    "ELEMENTARY_CHARGE_C",
    "HIGHEST_RATE_HZ",
    "LOWEST_RATE_HZ",
    "NOMINAL_K",
    "SERIES",
    "ZERO_CELSIUS_K",
    "dbu_to_peak_volts",
    "dbv_to_peak_volts",
    "format_quantity",
    "nearest_preferred",
    "neighbours",
    "parse_level",
    "parse_loudness",
    "parse_quantity",
    "peak_volts_to_dbu",
    "peak_volts_to_dbv",
    "preferred_values",
    "thermal_voltage",
    "write_quantity",
]
