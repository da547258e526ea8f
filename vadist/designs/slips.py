"""Slips in values: what is allowed but no shop sells, codes as printed on parts, wrong kinds.

References
----------
Three-digit codes of capacitors: two figures and the number of zeros, in picofarads (IEC 60062).
"""

import re

from vadist.quantities import format_quantity, write_quantity
from vadist.quantities.units import UNITS
from vadist.stages.stage import SENSIBLE, FieldInfo

# What shops stock with wires on it (common practice, no published source); beyond, a letter is
# rather mistaken: 2m2 for 2M2, 22m for 22n.
_SOLD = {"ohm": (0.1, 22e6), "F": (1e-12, 10e-3), "H": (1e-6, 100.0)}

_PRINTED = re.compile(r"([1-9][0-9])([0-6])\s*[BCDFGJKMZ]?")

# Types that people reach for, and what they are (from memory, not located).
_OTHER_TRANSISTORS = {
    "a PNP": "2N2905 2N2907 2N3702 2N3905 2N3906 2N4125 2N4126 2N4403 2N5086 2N5087 2N5401 2N404 "
    "BC177 BC178 BC179 BC212 BC307 BC308 BC309 BC327 BC328 BC556 BC557 BC558 BC559 BC560 BD140 "
    "MPSA56 MPSA92 2SA1015 AC125 AC126 AC128 AC188 OC44 OC45 OC71 OC75",
    "a JFET": "2N3819 2N4391 2N5457 2N5458 2N5459 2N5460 2N5484 2N5485 BF244 BF245 J111 J112 J113 "
    "J201 MPF102 2SK30 2SK117 2SK170",
    "a MOSFET": "2N7000 2N7002 BS107 BS170 BS250 IRF510 IRF520",
}  # fmt: skip
_KIND = {name: kind for kind, names in _OTHER_TRANSISTORS.items() for name in names.split()}


def unusual(info: FieldInfo, raw: object, value: float) -> str:
    """What is odd about a part's value that carries no unit; empty if nothing is.

    >>> unusual(FieldInfo("part", "ohm", ""), "2m2", 2.2e-3)
    "'2m2' is 0.0022 ohm: no shop sells that; if it is meant, write the unit"
    """
    low, high = _SOLD.get(info.unit, (0.0, float("inf")))
    least, most = SENSIBLE.get(info.unit, (0.0, 0.0))
    refused = value <= 0.0 or not least <= value <= most
    if refused or low <= value <= high or _has_unit(info.unit, raw):
        return ""
    plain = f"{float(f'{value:.3g}'):g} {info.unit}"
    return f"{raw!r} is {plain}: no shop sells that; if it is meant, write the unit"


def _has_unit(unit: str, raw: object) -> bool:
    """Whether a text names its unit; the R of a code such as 2R2 stands for the point alone."""
    if not isinstance(raw, str):
        return False
    letters = re.sub(r"[0-9.+\s-]", "", raw)
    return any(
        letters.endswith(s) for s in UNITS[unit].spellings if len(s) > 1 or s in "FH\u03a9\u2126"
    )


def printed_code(unit: str, raw: object) -> str:
    """Hint for three digits given as farads, or nothing.

    >>> printed_code("F", "224")
    "printed on a capacitor, 224 means 220n; write '220n'"
    """
    text = str(raw).strip()
    code = _PRINTED.fullmatch(text) if unit == "F" and not isinstance(raw, bool) else None
    if code is None:
        return ""
    farads = float(f"{code[1]}e{int(code[2]) - 12}")
    value = write_quantity(farads, "F")
    hint = f"printed on a capacitor, {text} means {value}; write {value!r}"
    if code[2] == "0":
        whole = format_quantity(float(f"{text[:3]}e-12"), "F")
        hint += f", or {whole!r} or {whole.replace('p', 'n')!r} if {text[:3]} is meant"
    return hint


def other_transistor(name: str) -> str:
    """What a transistor type is, if it is no NPN that is known; or nothing.

    >>> other_transistor("2n3906")
    'a PNP'
    """
    plain = re.sub(r"(?<=[0-9])[A-C]$", "", "".join(name.upper().split()))
    return _KIND.get(plain, "")
