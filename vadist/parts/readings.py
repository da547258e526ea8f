"""A person's meter readings of one part, as text or from a file of two columns.

``diode 0.1mA=0.465V 1mA=0.582V 10mA=0.714V`` names what was measured, and then pairs of what was
set and what the meter showed. Units tell which is which, so ``0.465V=0.1mA`` says the same. The
last digit written is how finely a meter resolved.
"""

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from vadist.errors import DesignError, UsageError
from vadist.names import nearest, printable
from vadist.quantities import parse_quantity

MOST_READINGS = 1000
_LARGEST_FILE_BYTES = 1_000_000
_LARGEST = {"A": 10.0, "V": 1000.0, "": 1e6}
_SMALLEST = {"A": 1e-12, "V": 1e-6, "": 1e-3}
# What a bench meter can show of a small part (common practice, no published source).

_FINEST = 1e-9
# Of what is read: no meter resolves finer, however many digits are typed.

FORWARD, LEAKAGE = "forward", "leakage"


@dataclass(frozen=True, slots=True)
class ReadingKind:
    """What can be measured of a kind of part.

    Attributes
    ----------
    name : str
    sets, shows : str
        Units of what is set, and of what is read; ``V or gain`` of a transistor.
    example : str
    """

    name: str
    sets: str
    shows: tuple[str, ...]
    example: str


# What parts of the library show: 1N4148, 1N34A, BAT54, red LED, BZX55C5V1, BC547B, 2N1308
# and 2N1307; and FETs of 3.1 mA and 2 V, and of 60 mA/V^2 and 1.8 V, by the square law.
_EXAMPLES = {
    "diode": "0.1mA=0.465V 1mA=0.582V 10mA=0.714V",
    "germanium": "0.1mA=0.17V 1mA=0.30V 5mA=0.55V",
    "schottky": "0.1mA=0.22V 1mA=0.29V 10mA=0.35V",
    "led": "1mA=1.65V 10mA=1.90V 20mA=2.00V",
}
READING_KINDS = {
    kind.name: kind
    for kind in (
        *(ReadingKind(name, "A", ("V",), example) for name, example in _EXAMPLES.items()),
        ReadingKind("zener", "A", ("V",), "1mA=4.82V 5mA=5.10V 20mA=5.34V forward 10mA=0.77V"),
        ReadingKind("npn", "A", ("V", ""), "0.1mA=221 1mA=266 1mA=0.634V"),
        ReadingKind("pnp", "A", ("V", ""), "0.1mA=221 1mA=266 1mA=0.634V"),
        ReadingKind("germanium-npn", "A", ("V", ""), "1mA=220 1mA=0.189V leakage 9V=2.1uA"),
        ReadingKind("germanium-pnp", "A", ("V", ""), "1mA=180 1mA=0.189V leakage 9V=2.1uA"),
        ReadingKind("njfet", "V", ("A",), "0V=3.10mA -0.5V=1.74mA -1V=0.775mA"),
        ReadingKind("pjfet", "V", ("A",), "0V=3.10mA 0.5V=1.74mA 1V=0.775mA"),
        ReadingKind("nmosfet", "V", ("A",), "2V=1.20mA 2.2V=4.80mA 2.4V=10.8mA"),
        ReadingKind("pmosfet", "V", ("A",), "-2V=1.20mA -2.2V=4.80mA -2.4V=10.8mA"),
    )
}
"""Every kind that ``--measure`` takes."""

_LEAKAGE = ReadingKind("leakage", "V", ("A",), "9V=2.1uA")
_MODES = {
    "zener": {FORWARD: READING_KINDS["diode"]},
    **{key: {LEAKAGE: _LEAKAGE} for key in ("npn", "pnp", "germanium-npn", "germanium-pnp")},
}
# Words that change what the pairs after them are, by the kind that knows them.


@dataclass(frozen=True, slots=True)
class Reading:
    """One pair.

    Attributes
    ----------
    at, shown : float
        What was set and what the meter showed, in amperes and volts; a gain is a bare number.
    unit : str
        Of what was shown.
    step : float
        The last digit of what was shown: the meter resolved no finer.
    mode : str
        ``forward`` of a Zener diode that conducted so, ``leakage`` of a transistor's collector to
        base with its emitter open; else empty.
    text : str
    """

    at: float
    shown: float
    unit: str
    step: float
    mode: str
    text: str


@dataclass(frozen=True, slots=True)
class Readings:
    """All of one part."""

    kind: ReadingKind
    pairs: tuple[Reading, ...]


def parse_readings(text: str) -> Readings:
    """Read what a person typed after ``--measure``.

    Parameters
    ----------
    text : str
        A kind, and then pairs, or the name of a file of two columns.

    Raises
    ------
    UsageError
        Naming the word, or file and line, the rule, and what would do.

    Examples
    --------
    >>> parse_readings("led 2mA=1.85V 20mA=2.05V").pairs[1].shown
    2.05
    """
    words = _joined(text).split()
    name = words[0].casefold() if words else ""
    kind = READING_KINDS.get(name)
    if kind is None:
        hint = nearest(name[:80], READING_KINDS) or f"; there are {', '.join(READING_KINDS)}"
        raise UsageError(
            f"--measure must begin with a kind of part (got {printable(name[:80])!r}{hint})"
        )
    if len(words) < 2:
        raise UsageError(f"--measure has no readings; write --measure '{name} {kind.example}'")
    rest = text.split(maxsplit=1)[1].strip()
    if "=" not in rest:
        return Readings(kind, tuple(_from_file(Path(rest), kind)))
    pairs = []
    mode, meant = "", kind
    for word in words[1:]:
        if word.casefold() in _MODES.get(kind.name, ()):
            mode = word.casefold()
            meant = _MODES[kind.name][mode]
        elif word.count("=") != 1:
            raise UsageError(f"--measure: {printable(word[:80])!r} is no pair like {_one(meant)}")
        else:
            place = f"--measure: {printable(word[:80])}"
            left, _, right = word.partition("=")
            pairs.append(_pair(left, right, meant, place, mode))
    return Readings(kind, tuple(_checked(pairs, "--measure")))


def _joined(text: str) -> str:
    """Pairs without the blanks that a person may have put into them.

    >>> _joined("diode 0.1 mA = 0.52 V")
    'diode 0.1mA=0.52V'
    """
    return re.sub(r"(?<=[0-9.])\s+(?=[a-zµμ]?[AV]\b)", "", re.sub(r"\s*=\s*", "=", text))


def _one(kind: ReadingKind) -> str:
    return kind.example.split()[0]


def _pair(left: str, right: str, kind: ReadingKind, place: str, mode: str = "") -> Reading:
    """Whichever side has the unit of what is set was set."""
    units = "amperes" if kind.sets == "A" else "volts"
    for at, shown in ((left, right), (right, left)):
        if _unit(at) != kind.sets:
            continue
        unit = _unit(shown)
        if unit in kind.shows and unit != kind.sets:
            value, reading = _number(at, kind.sets, place), _number(shown, unit, place)
            return _kept(Reading(value, reading, unit, _step(shown, reading), mode,
                                 f"{at}={shown}"), kind, place)  # fmt: skip
    what = {"A": "amperes", "V": "volts", "": "a bare gain"}
    needs = " or ".join(what[unit] for unit in kind.shows)
    raise UsageError(f"{place}: needs {units} and {needs}, with units (like {_one(kind)})")


def _unit(text: str) -> str:
    """Unit that a value is written with: A, V, or none."""
    last = text.strip()[-1:]
    return {"A": "A", "a": "A", "V": "V", "v": "V"}.get(last, "" if last.isdigit() else "?")


def _number(text: str, unit: str, place: str) -> float:
    try:
        return parse_quantity(text, unit)
    except DesignError as error:
        raise UsageError(f"{place}: {error}") from None


def _step(text: str, value: float) -> float:
    """The last digit written: 0.520V resolves 1 mV, 520mV too.

    >>> _step("520mV", 0.52), _step("0.60V", 0.6)
    (0.001, 0.01)
    """
    digits = re.search(r"[0-9]*\.?[0-9]+", text.replace(",", "."))
    if digits is None or not value:
        return abs(value)
    written = digits[0]
    decimals = len(written.partition(".")[2])
    scale = abs(value) / float(written) if float(written) else 1.0
    return max(float(f"{10.0**-decimals * scale:.6g}"), _FINEST * abs(value))


def _kept(reading: Reading, kind: ReadingKind, place: str) -> Reading:
    """A pair within what a meter can show, with the signs that a part of its kind has."""
    for value, unit in ((reading.at, kind.sets), (reading.shown, reading.unit)):
        gate = unit == "V" and kind.sets == "V"
        size = abs(value) if gate else value
        if not (_SMALLEST[unit] <= size <= _LARGEST[unit] or (gate and size == 0.0)):
            raise UsageError(
                f"{place}: must lie within {_SMALLEST[unit]:g} to {_LARGEST[unit]:g} "
                f"{unit or 'of gain'} (got {value:g})"
            )
    against = {"njfet": 1.0, "pmosfet": 1.0, "pjfet": -1.0, "nmosfet": -1.0}.get(kind.name, 0.0)
    if reading.at * against > 0.0:
        rule = "<= 0" if against > 0.0 else ">= 0"
        raise UsageError(
            f"{place}: the gate of this kind is measured at {rule} V (got {reading.at:g})"
        )
    return reading


def _from_file(path: Path, kind: ReadingKind) -> list[Reading]:
    """Two columns, what was set and what was read, in A and V or as a header in brackets says."""
    shown = printable(path)
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise UsageError(f"{shown}: is longer than a file of readings can be (1 MB)")
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UsageError(
            f"--measure: {shown!r} is neither a pair like {_one(kind)} nor a file"
        ) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
        raise UsageError(f"{shown}: cannot be read ({reason})") from None
    delimiter = next((d for d in ";\t" if d in text), ",")
    units = [kind.sets, kind.shows[-1]]
    pairs: list[Reading] = []
    for line, row in enumerate(csv.reader(io.StringIO(text), delimiter=delimiter), start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        place = f"{shown}: line {line}"
        if len(cells) != 2:
            raise UsageError(f"{place}: must hold two columns (got {len(cells)})")
        if not pairs and not any(re.match(r"[-+.]?[0-9]", cell) for cell in cells):
            units = [_header(cell, unit, place) for cell, unit in zip(cells, units, strict=True)]
            continue
        if delimiter != ",":
            cells = [cell.replace(",", ".") for cell in cells]
        cells = [c + u if _unit(c) == "" else c for c, u in zip(cells, units, strict=True)]
        pairs.append(_pair(cells[0], cells[1], kind, place))
    return _checked(pairs, shown)


def _header(cell: str, usual: str, place: str) -> str:
    """Unit in the brackets of a column's name; gain has none."""
    found = re.search(r"[(\[]\s*(.*?)\s*[)\]]\s*$", cell)
    unit = found[1] if found else usual
    if "gain" in cell.casefold() or "hfe" in cell.casefold():
        return ""
    if re.fullmatch(r"[npuµμmk]?[AV]", unit) is None:
        raise UsageError(f"{place}: a column must be in A or V, like 'current (mA)' (got {cell!r})")
    return unit


def _checked(pairs: Sequence[Reading], place: str) -> list[Reading]:
    if not pairs:
        raise UsageError(f"{place}: holds no readings")
    if len(pairs) > MOST_READINGS:
        raise UsageError(f"{place}: at most {MOST_READINGS} readings (got {len(pairs)})")
    return list(pairs)
