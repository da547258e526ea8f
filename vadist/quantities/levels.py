"""Signal levels: volts peak, dBu, dBV.

Decibels name the rms value of a sine; everything inside counts its peak.
"""

import math
import re

from vadist.errors import DesignError
from vadist.quantities.notation import parse_quantity

# 0 dBu is the voltage of 1 mW in 600 ohm: sqrt(0.6) = 0.774597 V rms. 0 dBV is 1 V rms.
_DBU_PEAK_V = math.sqrt(2.0 * 0.6)
_DBV_PEAK_V = math.sqrt(2.0)

_DECIBELS = re.compile(r"(.*)dB([uV])\s*", re.IGNORECASE)

# EBU R 128 writes LUFS, ITU-R BS.1770 LKFS.
_LOUDNESS = re.compile(r"([+-]?[0-9]{1,3}(?:\.[0-9]*)?)\s*L[UK]FS", re.IGNORECASE)


def dbu_to_peak_volts(level_dbu: float) -> float:
    """Peak volts of a sine of so many dBu.

    Examples
    --------
    >>> round(dbu_to_peak_volts(12.0), 4)
    4.361
    """
    return _DBU_PEAK_V * math.pow(10.0, level_dbu / 20.0)


def peak_volts_to_dbu(peak_v: float) -> float:
    """Level in dBu of a sine of so many peak volts, which must be > 0."""
    return 20.0 * math.log10(_above_zero(peak_v) / _DBU_PEAK_V)


def dbv_to_peak_volts(level_dbv: float) -> float:
    """Peak volts of a sine of so many dBV.

    Examples
    --------
    >>> round(dbv_to_peak_volts(0.0), 6)
    1.414214
    """
    return _DBV_PEAK_V * math.pow(10.0, level_dbv / 20.0)


def peak_volts_to_dbv(peak_v: float) -> float:
    """Level in dBV of a sine of so many peak volts, which must be > 0."""
    return 20.0 * math.log10(_above_zero(peak_v) / _DBV_PEAK_V)


SMALLEST_LEVEL_V, LARGEST_LEVEL_V = 1e-9, 1e6
"""Beyond these a unit was mistaken."""


def parse_level(text: str | int | float) -> float:
    """Read a level as peak volts.

    Parameters
    ----------
    text : str, int or float
        Peak volts (``1.0V``, ``500mV``, ``1.0``) or the level of a sine (``12dBu``, ``-3dBV``).

    Returns
    -------
    float
        Peak volts, > 0.

    Raises
    ------
    DesignError
        If the text is no level, or the level is not above 0 V.

    Examples
    --------
    >>> parse_level("500mV"), round(parse_level("0dBu"), 6)
    (0.5, 1.095445)
    """
    refusal = DesignError(
        f"must be a level above 0 V (got {text!r}; write it like 1.0V, 500mV, 12dBu or -3dBV)"
    )
    decibels = _DECIBELS.fullmatch(text) if isinstance(text, str) else None
    try:
        if decibels:
            number = parse_quantity(decibels[1], "")
            convert = dbu_to_peak_volts if decibels[2] in "uU" else dbv_to_peak_volts
            volts = convert(number)
        else:
            volts = parse_quantity(text, "V")
    except (DesignError, OverflowError):
        raise refusal from None
    if not volts > 0.0:
        raise refusal
    if not SMALLEST_LEVEL_V <= volts <= LARGEST_LEVEL_V:
        raise DesignError(
            f"must be within {SMALLEST_LEVEL_V:g}..{LARGEST_LEVEL_V:g} V peak (got {text!r})"
        )
    return volts


def parse_loudness(text: str) -> float:
    """Read a loudness, ``-18LUFS`` or ``-18LKFS``: two names of one unit.

    Returns
    -------
    float
        LUFS, finite.

    Raises
    ------
    DesignError

    Examples
    --------
    >>> parse_loudness("-14LKFS"), parse_loudness("-18 LUFS")
    (-14.0, -18.0)
    """
    number = _LOUDNESS.fullmatch(text.strip())
    if number is None:
        raise DesignError(f"must be a loudness (got {text!r}; write it like -18LUFS)")
    return float(number[1])


def _above_zero(peak_v: float) -> float:
    if not 0.0 < peak_v < math.inf:
        raise DesignError(f"level must be > 0 V and finite (got {peak_v:g})")
    return peak_v
