"""Ratings that parts are sold with, and which of them a board asks for.

Standard ratings and margins are common practice, no published source.
"""

from vadist.sheets.stress import Stress

CAPACITOR_V = (6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 100.0, 160.0, 250.0, 400.0)
RESISTOR_W = (0.125, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0)
_WATTS = {0.125: "1/8 W", 0.25: "1/4 W", 0.5: "1/2 W"}

CAPACITOR_MARGIN = 1.5
RESISTOR_MARGIN = 2.0
SUPPLY_MARGIN = 1.2
"""Over the supply, which any capacitor may meet while it is switched on or a neighbour fails: a
fresh 9 V battery has 9.6 V, and adapters without load more."""


def capacitor_rating_v(stress: Stress | None, supply_v: float) -> float:
    """Volts to be printed on a capacitor, at least; infinite beyond all that are sold.

    Examples
    --------
    >>> capacitor_rating_v(Stress(-0.5, 8.0), 9.0), capacitor_rating_v(None, 18.0)
    (16.0, 25.0)
    """
    seen = 0.0 if stress is None else stress.largest_v
    return _next(CAPACITOR_V, max(CAPACITOR_MARGIN * seen, SUPPLY_MARGIN * supply_v))


def resistor_rating_w(stress: Stress | None) -> float:
    """Watts of a resistor, at least; infinite beyond all that are sold.

    Examples
    --------
    >>> resistor_rating_w(Stress(0.0, 9.0, 0.1)), resistor_rating_w(None)
    (0.25, 0.125)
    """
    return _next(RESISTOR_W, RESISTOR_MARGIN * (0.0 if stress is None else stress.watts))


def watts_text(watts: float) -> str:
    """Watts as the trade writes them.

    >>> watts_text(0.25), watts_text(2.0)
    ('1/4 W', '2 W')
    """
    return _WATTS.get(watts, f"{watts:g} W")


def _next(standard: tuple[float, ...], least: float) -> float:
    return next((rating for rating in standard if rating >= least), float("inf"))
