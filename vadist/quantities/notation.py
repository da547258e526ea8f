"""Reading and writing component values: ``4k7``, ``R47``, ``2n2``, ``4.7 kohm``, ``1e-8``.

References
----------
IEC 60062, marking codes for resistors and capacitors: the letter stands in place of the decimal
point. The trade also writes a small k for kilo, as here.
"""

import math
import re
from decimal import Decimal

from vadist.errors import DesignError
from vadist.quantities.units import PREFIXES, UNITS, Unit

# A capital E needs a signed exponent, because 4E7 is also met as a marking of 4.7 ohms.
_PLAIN = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:(?:e|E(?=[+-]))([+-]?[0-9]{1,4}))?(.*)")
_CLOCK = re.compile(r"(?:([0-9]{1,2}):(?=[0-9]{2}:))?([0-9]{1,4}):([0-5][0-9](?:\.[0-9]+)?)")
_CODE = re.compile(r"([+-]?)([0-9]*)([^\W\d_])([0-9]*)(.*)")

# More digits than this read better as a plain number than split by a letter.
_CODE_DIGITS = 4


def parse_quantity(text: str | int | float, unit: str) -> float:
    """Read a value, in the unit it is expected in.

    Parameters
    ----------
    text : str, int or float
        IEC 60062 code (``4k7``, ``R47``, ``2n2``), number with prefix and unit (``4.7 kohm``,
        ``100nF``), or plain number in the base unit. ``m`` is milli and ``M`` mega; ``k`` and
        ``K`` are both kilo. A time may be read off a clock: ``1:02``, ``1:02:03.5``.
    unit : str
        A key of :data:`vadist.quantities.units.UNITS`: ``ohm``, ``F``, ``H``, ``V``, ``A``,
        ``Hz``, ``s``, ``V/s``, ``V/rtHz``, ``A/rtHz`` or the empty string for a bare number.

    Returns
    -------
    float
        The value in the base unit, rounded once (``4k7`` equals ``4700.0``). Its sign is left to
        the caller to judge.

    Raises
    ------
    DesignError
        If the text is no finite value of that unit; callers put the place before the message.

    Examples
    --------
    >>> parse_quantity("4k7", "ohm"), parse_quantity("100nF", "F"), parse_quantity("R47", "ohm")
    (4700.0, 1e-07, 0.47)
    >>> parse_quantity("100nF", "ohm")
    Traceback (most recent call last):
    vadist.errors.DesignError: must be a resistance in ohms (got '100nF'; write it like 4k7 or 470R)
    """
    kind = UNITS[unit]
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise _refusal(kind, text)
    if isinstance(text, str):
        value = _read(text.strip(), kind)
        if value is None:
            raise _refusal(kind, text)
    else:
        try:
            value = float(text)
        except OverflowError:  # an int beyond the range of floats
            value = math.inf
    if not math.isfinite(value):
        raise DesignError(f"must be {kind.meaning}, finite (got {text})")
    return value


def _read(text: str, kind: Unit) -> float | None:
    """Value of a stripped text, or None if it follows no notation of that unit."""
    clock = _CLOCK.fullmatch(text) if kind is UNITS["s"] else None
    if clock:
        hours, minutes, seconds = clock.groups()
        return float(3600 * int(hours or 0) + 60 * int(minutes) + Decimal(seconds))
    code = _CODE.fullmatch(text)
    if code:
        sign, whole, letter, fraction, rest = code.groups()
        unit_power = {"": 0, **kind.spellings}.get(rest.strip())
        if fraction and letter in kind.points and unit_power is not None:
            power = kind.points[letter] + unit_power
            return float(f"{sign}{whole or '0'}.{fraction}e{power}")
    plain = _PLAIN.fullmatch(text)
    if plain:
        mantissa, exponent, rest = plain.groups()
        suffix_power = kind.suffixes.get("".join(rest.split()))
        if suffix_power is not None:
            return float(f"{mantissa}e{int(exponent or 0) + suffix_power}")
    return None


def _refusal(kind: Unit, given: object) -> DesignError:
    reason = ""
    if isinstance(given, str):
        bare = re.sub(r"[0-9.+\s-]", "", given).removesuffix(kind.symbol)
        if kind.symbol and bare in PREFIXES and bare not in kind.prefixes:
            reason = f"{bare}{kind.symbol} is no usual unit; "
    shown = repr(given) if isinstance(given, str) else str(given)
    return DesignError(
        f"must be {kind.meaning} (got {shown}; {reason}write it like {kind.example})"
    )


def format_quantity(value: float, unit: str, digits: int = 3) -> str:
    """Write a value for people, rounded.

    Parameters
    ----------
    value : float
        In the base unit.
    unit : str
        As for :func:`parse_quantity`. Ohms and farads take the trade's code, others a number
        with prefix and symbol.
    digits : int
        Significant digits.

    Returns
    -------
    str
        Text :func:`parse_quantity` reads, unless the value is not finite.

    Examples
    --------
    >>> [format_quantity(v, "ohm") for v in (0.47, 470, 4700, 1e6)]
    ['R47', '470R', '4k7', '1M']
    >>> format_quantity(2.2e-9, "F"), format_quantity(1591.5, "Hz"), format_quantity(9, "V")
    ('2n2', '1.59 kHz', '9.00 V')
    >>> format_quantity(4.274e-25, "A")
    '4.27e-25 A'
    """
    kind = UNITS[unit]
    if not math.isfinite(value):
        return f"{value} {kind.symbol}".rstrip()
    rounded = Decimal(f"{value:.{digits - 1}e}")
    if not kind.symbol:
        return f"{value:.{digits}g}"
    code = _code(rounded, kind)
    if code is not None:
        return code
    if rounded == 0:
        return f"0 {kind.symbol}"
    power = _prefix_power(rounded, (0, *kind.powers))
    if rounded.adjusted() < power - 3:  # a saturation current far below the least prefix
        return f"{value:.{digits - 1}e} {kind.symbol}"
    decimals = max(0, digits - 1 - (rounded.adjusted() - power))
    return f"{rounded.scaleb(-power):.{decimals}f} {_prefix(power)}{kind.symbol}"


def write_quantity(value: float, unit: str) -> str:
    """Write a value so that no bit is lost: ``parse_quantity`` returns exactly the same float.

    Parameters
    ----------
    value : float
        Finite, in the base unit.
    unit : str
        As for :func:`parse_quantity`.

    Returns
    -------
    str
        The trade's code or a number with prefix where that is short, else every digit.

    Raises
    ------
    DesignError
        If the value is not finite.

    Examples
    --------
    >>> write_quantity(4700.0, "ohm"), write_quantity(4712.345678, "ohm")
    ('4k7', '4712.345678 ohm')
    """
    kind = UNITS[unit]
    if not math.isfinite(value):
        raise DesignError(f"must be {kind.meaning}, finite (got {value})")
    # repr is the shortest decimal that reads back as the same float, so moving its decimal point
    # loses nothing as long as the reader rounds once.
    shortest = repr(float(value))
    exact = Decimal(shortest).normalize()
    if not kind.symbol:
        return shortest.removesuffix(".0")
    short = len(exact.as_tuple().digits) <= _CODE_DIGITS
    if short:
        code = _code(exact, kind)
        if code is not None:
            return code
    power = _prefix_power(exact, (0, *kind.powers)) if exact else 0
    if short and 0 <= exact.adjusted() - power < 3:
        return f"{exact.scaleb(-power):f} {_prefix(power)}{kind.symbol}"
    return f"{shortest.removesuffix('.0')} {kind.symbol}"


def _code(value: Decimal, kind: Unit) -> str | None:
    """IEC 60062 code of a decimal, or None where the code does not reach."""
    if not kind.code:
        return None
    lowest = min(kind.code)
    if value == 0:
        return f"0{kind.code[lowest]}"
    size = value.adjusted()
    # Three places below the lowest letter (R047, 0p05) are met on parts; further is not readable.
    if not lowest - 3 <= size < max(kind.code) + 3:
        return None
    power = _prefix_power(value, tuple(kind.code))
    whole, _, fraction = f"{abs(value).scaleb(-power):f}".partition(".")
    letter = kind.code[power]
    if letter == "R" and whole == "0":
        whole = ""
    return f"{'-' if value < 0 else ''}{whole}{letter}{fraction.rstrip('0')}"


def _prefix_power(value: Decimal, powers: tuple[int, ...]) -> int:
    """Power of ten among those offered that leaves 1 to 999 before the point, if one does."""
    below = [power for power in powers if power <= value.adjusted()]
    return max(below, default=min(powers))


def _prefix(power: int) -> str:
    return {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}[power]
