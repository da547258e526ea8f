"""The units of component values: how they are spelt, and which prefixes the trade uses."""

from dataclasses import dataclass
from functools import cached_property

PREFIXES = {
    "f": -15,
    "p": -12,
    "n": -9,
    "u": -6,
    "µ": -6,  # U+00B5, micro sign
    "μ": -6,  # U+03BC, Greek mu: the two look alike and keyboards give either
    "m": -3,
    "k": 3,
    "K": 3,
    "M": 6,
    "Meg": 6,
    "meg": 6,
    "MEG": 6,
    "G": 9,
}


@dataclass(frozen=True)
class Unit:
    """A unit a value may be asked for in.

    Attributes
    ----------
    symbol : str
        What is printed after a number.
    meaning : str
        For messages: ``a resistance in ohms``.
    example : str
        For messages: ``4k7 or 470R``.
    spellings : dict of str to int
        Accepted spellings and the power of ten each stands for.
    powers : tuple of int
        Powers of ten whose prefixes are accepted. A prefix no part is sold in is a slip of the
        pen (``100n`` ohms, ``4k7`` farads), so it is refused.
    point : dict of str to int
        Letters that stand in place of the decimal point besides the prefixes (R for ohms).
    code : dict of int to str
        Letters of the IEC 60062 code by power of ten; empty where values are printed as number,
        prefix and symbol.
    """

    symbol: str
    meaning: str
    example: str
    spellings: dict[str, int]
    powers: tuple[int, ...]
    point: dict[str, int]
    code: dict[int, str]

    @cached_property
    def prefixes(self) -> dict[str, int]:
        """Accepted prefixes and their powers of ten."""
        return {prefix: power for prefix, power in PREFIXES.items() if power in self.powers}

    @cached_property
    def suffixes(self) -> dict[str, int]:
        """Everything that may follow a number, without blanks, and its power of ten."""
        prefixes = {"": 0, **self.prefixes}
        spellings = {"": 0, **self.spellings}
        return {p + s: prefixes[p] + spellings[s] for p in prefixes for s in spellings}

    @cached_property
    def points(self) -> dict[str, int]:
        """Letters that may stand in place of the decimal point, and their powers of ten."""
        return {**self.prefixes, **self.point}


def _unit(
    symbol: str,
    meaning: str,
    example: str,
    spellings: str | dict[str, int],
    powers: tuple[int, ...],
    *,
    point: dict[str, int] | None = None,
    code: dict[int, str] | None = None,
) -> Unit:
    if isinstance(spellings, str):
        spellings = dict.fromkeys(spellings.split(), 0)
    return Unit(symbol, meaning, example, spellings, powers, point or {}, code or {})


UNITS = {
    "ohm": _unit(
        "ohm",
        "a resistance in ohms",
        "4k7 or 470R",
        "ohm ohms Ohm Ohms OHM OHMS \u03a9 \u2126 R r",  # Greek omega and the ohm sign
        (-3, 3, 6, 9),
        point={"R": 0, "r": 0},
        code={0: "R", 3: "k", 6: "M", 9: "G"},
    ),
    # No lower-case f: older drawings mean microfarads by mf.
    "F": _unit(
        "F",
        "a capacitance in farads",
        "100n or 2n2",
        "F farad farads",
        (-12, -9, -6, -3),
        code={-12: "p", -9: "n", -6: "u", -3: "m"},
    ),
    "H": _unit("H", "an inductance in henries", "4.7mH", "H henry henries", (-9, -6, -3)),
    "V": _unit("V", "a voltage in volts", "9V or 500mV", "V v volt volts", (-9, -6, -3, 3)),
    "A": _unit(
        "A",
        "a current in amperes",
        "2.5mA or 2.52nA",
        "A a amp amps ampere amperes",
        (-15, -12, -9, -6, -3),
    ),
    "S": _unit("S", "a conductance in siemens", "20mS", "S siemens", (-9, -6, -3)),
    "Hz": _unit("Hz", "a frequency in hertz", "720Hz or 1.5kHz", "Hz hz HZ hertz", (-3, 3, 6, 9)),
    "degC": _unit("degC", "a temperature in degrees Celsius", "25degC", "degC °C ℃ C celsius", ()),
    "A/V2": _unit(
        "A/V2", "a transconductance factor in A/V2", "50 mA/V2", "A/V2 A/V^2 A/V²", (-6, -3)
    ),
    "s": _unit(
        "s", "a time in seconds", "2s, 20ms or 1:02", "s sec second seconds", (-12, -9, -6, -3)
    ),
    "V/s": _unit(
        "V/s",
        "a slew rate in volts per second",
        "13 V/us",
        {"V/s": 0, "V/us": 6, "V/µs": 6, "V/μs": 6},
        (-3, 3, 6),
    ),
    "V/rtHz": _unit(
        "V/rtHz",
        "a noise density in V/rtHz",
        "18 nV/rtHz",
        "V/rtHz V/sqrtHz V/√Hz",
        (-15, -12, -9, -6, -3),
    ),
    "A/rtHz": _unit(
        "A/rtHz",
        "a noise density in A/rtHz",
        "0.7 pA/rtHz",
        "A/rtHz A/sqrtHz A/√Hz",
        (-15, -12, -9, -6, -3),
    ),
    "": _unit("", "a number", "0.5 or 200k", "", (-3, 3, 6, 9)),
}
