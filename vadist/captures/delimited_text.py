"""Text captures: which column is time, which are volts, and at what rate.

Names and units come from the header, from the preamble or from the person; a unit nobody states
is asked for, never assumed.
"""

import re
from dataclasses import dataclass

import numpy as np

from vadist.captures.capture import Capture, Reading
from vadist.captures.text_table import Table, read_table
from vadist.captures.time_axis import even_samples
from vadist.captures.units import named_unit, quantity, unit_of
from vadist.errors import CaptureError

_TIME_NAMES = re.compile(r"(time|t|x|x[- ]?axis|seconds?|timebase)\b", re.IGNORECASE)
_INTERVAL = re.compile(
    r"(sampl\w*[ _-]?(interval|period|time)|(x|time|t)[ _-]?(increment|incr|step|interval)"
    r"|increment|interval|dt|delta[ _-]?t)\b", re.IGNORECASE,
)  # fmt: skip
_RATE = re.compile(r"(sampl\w*[ _-]?(rate|frequency)|fs|rate)\b", re.IGNORECASE)
_LENGTH = re.compile(
    r"(record[ _-]?length|memory[ _-]?length|points|samples|rows|(number|no\.?)[ _-]of[ _-]"
    r"(points|samples|rows))\b", re.IGNORECASE,
)  # fmt: skip
_VERTICAL = re.compile(r"(vertical|y)[ _-]?units?\b", re.IGNORECASE)
_HORIZONTAL = re.compile(r"(horizontal|x|time)[ _-]?units?\b", re.IGNORECASE)

_ALIKE = 0.01
# Share by which the time column and the preamble may disagree about the interval.

MOST_CHANNELS = 4
_SPELT = {1.0: "V", 1e-3: "mV", 1e-6: "uV", 1e3: "kV"}


@dataclass(frozen=True)
class _Column:
    """A column's name and what its unit says."""

    name: str
    kind: str
    factor: float


def parse_text(content: bytes, place: str, reading: Reading) -> Capture:
    """Read a text capture.

    Raises
    ------
    CaptureError
        In one line: what is wrong and where, or which option settles what is ambiguous.
    """
    table = read_table(content, place, reading.delimiter, reading.decimal)
    del content  # as large as what was read from it
    facts = _facts(table.preamble)
    columns = _described(table, facts, reading, place)
    times = [k for k, column in enumerate(columns) if column.kind == "time"]
    volts = [k for k, column in enumerate(columns) if column.kind == "volts"]
    if len(times) > 1:
        raise CaptureError(f"{place}: has {len(times)} time columns; one is enough")
    if not volts:
        raise CaptureError(f"{place}: has a time column and no volts")
    if len(volts) > MOST_CHANNELS:
        raise CaptureError(f"{place}: has {len(volts)} channels; at most {MOST_CHANNELS} are read")
    values = np.stack([table.cells[:, k] * columns[k].factor for k in volts], axis=1)
    stated = _stated_rate(facts, place)
    notes = list(table.notes)
    start_s = 0.0
    if reading.sample_rate_hz is not None:
        rate_hz = reading.sample_rate_hz
        if times:
            notes.append("the time column was set aside for the rate stated")
    elif times:
        time_s = table.cells[:, times[0]] * columns[times[0]].factor
        rate_hz, start_s, values, mended = even_samples(time_s, values, table.lines, place)
        notes += mended
        if stated is not None and abs(stated / rate_hz - 1.0) > _ALIKE:
            raise CaptureError(
                f"{place}: the preamble states {stated:.6g} Hz and the time column "
                f"{rate_hz:.6g} Hz; settle it with --rate"
            )
    elif stated is not None:
        rate_hz = stated
    else:
        raise CaptureError(
            f"{place}: no time column and no sample interval; state the rate with --rate 250kHz"
        )
    _check_length(facts, len(values), place)
    names = _distinct([columns[k].name for k in volts])
    units = ", ".join(
        f"{n} in {_SPELT.get(columns[k].factor, f'{columns[k].factor:g} V')}"
        for n, k in zip(names, volts, strict=True)
    )
    summary = f"text ({table.encoding}), {table.dialect}; {units}"
    return Capture(place, rate_hz, names, values, start_s, (summary, *notes))


def _facts(preamble: list[list[str]]) -> list[tuple[str, str]]:
    """Keys and values of the preamble, however they are separated."""
    facts = []
    for cells in preamble:
        filled = [cell for cell in cells if cell]
        if not filled:
            continue
        text = " ".join(filled)
        split = re.match(r"\s*([^:=]+?)\s*[:=]\s*(.+)$", text)
        if split:
            facts.append((split[1], split[2]))
        elif len(filled) > 1:
            # A unit may have a cell of its own; further cells repeat the value a channel.
            value = " ".join(filled[1:3]) if unit_of(filled[-1]) else filled[1]
            facts.append((filled[0], value))
    return facts


def _fact(facts: list[tuple[str, str]], pattern: re.Pattern[str]) -> list[tuple[str, str]]:
    return [(key, value) for key, value in facts if pattern.match(key.strip())]


def _stated_rate(facts: list[tuple[str, str]], place: str) -> float | None:
    rates = []
    for pattern, kind in ((_INTERVAL, "time"), (_RATE, "rate")):
        for key, value in _fact(facts, pattern):
            bare = named_unit(key)[1]
            found = quantity(value)
            if found is None or found[0] <= 0.0 or found[1] not in ("", kind):
                continue
            # A number alone is in the unit its key names, or in seconds and hertz.
            number = found[0] * (bare[1] if bare and bare[0] == kind and not found[1] else 1.0)
            rates.append(1.0 / number if kind == "time" else number)
    if rates and max(rates) > (1.0 + _ALIKE) * min(rates):
        raise CaptureError(
            f"{place}: the preamble states rates of {min(rates):g} and {max(rates):g} Hz; settle "
            "it with --rate"
        )
    return rates[0] if rates else None


def _check_length(facts: list[tuple[str, str]], rows: int, place: str) -> None:
    for key, value in _fact(facts, _LENGTH):
        promised = quantity(value)
        # One row more or less is a matter of counting; two channels may be counted together.
        if promised and not promised[1] and promised[0] > 4 * rows + 1:
            raise CaptureError(
                f"{place}: cut short: {key!r} promises {promised[0]:.0f} rows, found {rows}"
            )


def _described(
    table: Table, facts: list[tuple[str, str]], reading: Reading, place: str
) -> list[_Column]:
    """Name and unit of every column of numbers."""
    count = len(table.columns)
    names, units = _header(table)
    if reading.units:
        if len(reading.units) != count:
            raise CaptureError(
                f"{place}: has {count} columns of numbers, --units names {len(reading.units)}"
            )
        units = [_wanted_unit(text, place) for text in reading.units]
    described: list[_Column] = []
    vertical = [unit_of(value) for _, value in _fact(facts, _VERTICAL)]
    horizontal = [unit_of(value) for _, value in _fact(facts, _HORIZONTAL)]
    for k in range(count):
        unit, name = units[k], names[k]
        is_time = unit[0] == "time" if unit else _TIME_NAMES.match(name) is not None
        if unit is None:
            known = horizontal if is_time else vertical
            unit = known[0] if known else None
        if unit is None or unit[0] not in ("time", "volts"):
            what = f"column {k + 1}" + (f" ({name!r})" if name else "")
            raise CaptureError(
                f"{place}: nothing states the unit of {what}; state all with --units, such as "
                f"{','.join(['s', 'V', 'mV', 'V', 'V'][: max(count, 1)])}"
            )
        described.append(_Column(name or ("time" if is_time else f"CH{k + 1}"), *unit))
    return described


def _wanted_unit(text: str, place: str) -> tuple[str, float]:
    unit = unit_of(text)
    if unit is None or unit[0] == "rate":
        raise CaptureError(
            f"{place}: --units must be of s, ms, us, V, mV and the like (got {text!r})"
        )
    return unit


def _header(table: Table) -> tuple[list[str], list[tuple[str, float] | None]]:
    """Names and units from the last lines of the preamble that fit the columns."""
    count = len(table.columns)
    rows = []
    for cells in table.preamble[-8:]:
        fitting = [cells[k] for k in table.columns if k < len(cells)]
        filled = [c for c in cells if c]
        if len(fitting) < count or not all(fitting):
            fitting = filled
        if len(fitting) == count and not any(quantity(c) for c in fitting[1:]):
            rows.append(fitting)
    if not rows:
        return [""] * count, [None] * count
    last = [unit_of(_stripped(cell)) for cell in rows[-1]]
    if all(last) and len(rows) > 1 and not all(unit_of(_stripped(c)) for c in rows[-2]):
        return [named_unit(cell)[0] for cell in rows[-2]], last
    described = [named_unit(cell) for cell in rows[-1]]
    return [name for name, _ in described], [unit for _, unit in described]


def _stripped(cell: str) -> str:
    return cell.strip().strip("()[]{}").strip()


def _distinct(names: list[str]) -> tuple[str, ...]:
    """Names with numbers where they repeat."""
    return tuple(
        name if names.count(name) == 1 else f"{name} {names[: k + 1].count(name)}"
        for k, name in enumerate(names)
    )
