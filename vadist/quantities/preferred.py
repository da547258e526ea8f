"""Preferred numbers: the values parts are sold in.

References
----------
IEC 60063, preferred number series for resistors and capacitors.
"""

import math

from vadist.errors import DesignError

# E24 is a table in the standard, not a rounding rule: 2.7 to 4.7 and 8.2 depart from 10^(i/24).
_E24 = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
# E192 is 10^(i/192) to three figures, save for 9.20, which the rule would make 9.19.
_E192 = tuple(9.2 if i == 185 else round(10.0 ** (i / 192.0), 2) for i in range(192))

SERIES = {
    "E3": _E24[::8],
    "E6": _E24[::4],
    "E12": _E24[::2],
    "E24": _E24,
    "E48": _E192[::4],
    "E96": _E192[::2],
    "E192": _E192,
}


def preferred_values(series: str) -> tuple[float, ...]:
    """Values of a series within one decade.

    Parameters
    ----------
    series : str
        ``E3``, ``E6``, ``E12``, ``E24``, ``E48``, ``E96`` or ``E192``.

    Returns
    -------
    tuple of float
        Ascending, from 1 up to below 10.

    Raises
    ------
    DesignError
        If there is no such series.

    Examples
    --------
    >>> preferred_values("E6")
    (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    """
    values = SERIES.get(series.strip().upper())
    if values is None:
        raise DesignError(f"series must be one of {', '.join(SERIES)} (got {series!r})")
    return values


def nearest_preferred(value: float, series: str) -> float:
    """Preferred value nearest in ratio, as tolerances are ratios.

    Parameters
    ----------
    value : float
        Any finite value > 0, in any unit.
    series : str
        As for :func:`preferred_values`.

    Raises
    ------
    DesignError
        If the value is not finite and > 0, or there is no such series.

    Examples
    --------
    >>> nearest_preferred(4900.0, "E12")
    4700.0
    """
    return neighbours(value, series, 0)[0]


def neighbours(value: float, series: str, count: int) -> tuple[float, ...]:
    """Preferred value nearest to a value, with ``count`` more on either side.

    Parameters
    ----------
    value : float
        Any finite value > 0, in any unit.
    series : str
        As for :func:`preferred_values`.
    count : int
        How many to give below and above, >= 0.

    Returns
    -------
    tuple of float
        ``2 * count + 1`` values, ascending.

    Raises
    ------
    DesignError
        If the value is not finite and > 0, the count is negative, or there is no such series.

    Examples
    --------
    >>> neighbours(10e-9, "E6", 1)
    (6.8e-09, 1e-08, 1.5e-08)
    """
    values = preferred_values(series)
    if not 0.0 < value < math.inf:
        raise DesignError(f"value must be > 0 and finite (got {value:g})")
    if count < 0:
        raise DesignError(f"count must be >= 0 (got {count})")
    # The place on an endless ladder: len(values) rungs a decade.
    start = math.floor(math.log10(value)) * len(values)
    rungs = range(start - 1, start + len(values) + 2)
    nearest = min(rungs, key=lambda rung: abs(math.log10(value) - _log_of_rung(rung, values)))
    return tuple(_rung(i, values) for i in range(nearest - count, nearest + count + 1))


def _log_of_rung(rung: int, values: tuple[float, ...]) -> float:
    decade, place = divmod(rung, len(values))
    return decade + math.log10(values[place])


def _rung(rung: int, values: tuple[float, ...]) -> float:
    decade, place = divmod(rung, len(values))
    # Through text, so that the value is the float a person would type: 2.2e-09 and not its
    # neighbour, which a product of two floats may give.
    return float(f"{values[place]}e{decade}")
