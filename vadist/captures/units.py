"""Units as oscilloscopes write them, in headers and beside numbers."""

import re

_PREFIX = {"n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9}
_TIME_WORDS = {"s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0}
_VOLT_WORDS = {"v": 1.0, "volt": 1.0, "volts": 1.0}
_RATE_WORDS = {"hz": 1.0, "s/s": 1.0, "sa/s": 1.0, "sps": 1.0}
_LONG_PREFIX = {"milli": 1e-3, "micro": 1e-6, "nano": 1e-9, "kilo": 1e3}
_BRACKETED = re.compile(r"[(\[{]\s*([^)\]}]+?)\s*[)\]}]")
_SUFFIX = re.compile(r"^(?P<name>.*?)(?:[\s_/:]|\bin\b)+(?P<unit>[^\s_/:]+)$")


def unit_of(text: str) -> tuple[str, float] | None:
    """Kind (``time``, ``volts`` or ``rate``) and factor of a unit, or None if it is none.

    >>> unit_of("mV"), unit_of("us"), unit_of("Second"), unit_of("kS/s"), unit_of("CH1")
    (('volts', 0.001), ('time', 1e-06), ('time', 1.0), ('rate', 1000.0), None)
    """
    word = text.strip().strip("\"'")
    for kind, words in (("time", _TIME_WORDS), ("volts", _VOLT_WORDS), ("rate", _RATE_WORDS)):
        if word.lower() in words:
            return kind, 1.0
        for prefix, factor in _LONG_PREFIX.items():
            if word.lower().startswith(prefix) and word.lower()[len(prefix) :] in words:
                return kind, factor
        # A prefix counts with its own case (M is not m); so does a lone V or s after it.
        if len(word) >= 2 and word[0] in _PREFIX and word[1:].lower() in words:
            return kind, _PREFIX[word[0]]
    return None


def named_unit(header: str) -> tuple[str, tuple[str, float] | None]:
    """Split a column's header into its name and its unit.

    >>> named_unit("CH1 (mV)"), named_unit("time_s"), named_unit("Volt")
    (('CH1', ('volts', 0.001)), ('time', ('time', 1.0)), ('Volt', ('volts', 1.0)))
    """
    text = header.strip().strip("\"'").strip()
    for match in _BRACKETED.finditer(text):
        unit = unit_of(match[1])
        if unit:
            name = (text[: match.start()] + text[match.end() :]).strip()
            return name or text, unit
    suffix = _SUFFIX.match(text)
    if suffix and (unit := unit_of(suffix["unit"])):
        return suffix["name"].strip(), unit
    return text, unit_of(text)


def quantity(text: str, unit: str = "") -> tuple[float, str] | None:
    """Read a number with a unit beside it, in the base unit; the kind is "" without one.

    >>> quantity("4 us"), quantity("250kS/s"), quantity("4E-6"), quantity("none")
    ((4e-06, 'time'), (250000.0, 'rate'), (4e-06, ''), None)
    """
    match = re.fullmatch(r"\s*([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(\S*)\s*", text)
    if not match:
        return None
    try:
        number = float(match[1])
    except ValueError:
        return None
    word = match[2] or unit
    found = unit_of(word) if word else None
    if word and not found:
        return None
    # Through text, so that 4 us is 4e-06 and not its neighbour.
    return (float(f"{number * found[1]:.15g}"), found[0]) if found else (number, "")
