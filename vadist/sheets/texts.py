"""Rows of a build sheet as texts: for its page and for its CSV files."""

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence

from vadist.sheets.bill import Item
from vadist.sheets.diagnosis import SINES_HZ, Unseen
from vadist.sheets.sheet import BuildSheet

PARTS_HEADINGS = (
    "count", "kind", "value", "tolerance", "rating at least", "bears", "parts", "note",
)  # fmt: skip
BENCH_HEADINGS = ("red lead on", "meter reads", "from", "to", "without meter", "node", "also there")
FAULT_HEADINGS = ("reads", "suspects")

_GONE_DB = -100.0
_NOTHING_V = 0.0005


def volts(value: float) -> str:
    """Volts with the digits a meter shows.

    >>> volts(4.4433), volts(0.0932), volts(-1e-9)
    ('4.44 V', '93 mV', '0 V')
    """
    if abs(value) < _NOTHING_V:
        return "0 V"
    return f"{1e3 * value:.0f} mV" if abs(value) < 0.9995 else f"{value:.2f} V"


def between(low: float, high: float) -> str:
    """A band of volts.

    >>> between(4.39, 4.49), between(0.0, 0.0)
    ('4.39 V to 4.49 V', '0 V')
    """
    one, other = volts(low), volts(high)
    return one if one == other else f"{one} to {other}"


def decibels(change: float) -> str:
    """Change of a level; what falls by more than 100 dB is gone.

    >>> decibels(-9.64), decibels(-420.0), decibels(0.01)
    ('-9.6 dB', 'gone', '0.0 dB')
    """
    if change < _GONE_DB:
        return "gone"
    return f"{change + 0.0:+.1f} dB" if abs(change) >= 0.05 else "0.0 dB"


def hertz(frequency: float) -> str:
    """A frequency of the fault table.

    >>> hertz(100.0), hertz(5000.0)
    ('100 Hz', '5 kHz')
    """
    return f"{frequency / 1e3:g} kHz" if frequency >= 1e3 else f"{frequency:g} Hz"


def item_row(sheet: BuildSheet, item: Item) -> tuple[str, ...]:
    """A line of the bill."""
    return (
        str(item.count),
        item.kind,
        item.value,
        f"{100.0 * item.tolerance:g} %" if item.tolerance else "",
        item.rating,
        item.bears,
        ", ".join(sheet.names.part(path) for path in item.paths),
        item.note,
    )


def pointer_groups(sheet: BuildSheet) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Node by node: where the red lead goes, what it should read, what it may and why."""
    found: dict[str, tuple[str, str, list[tuple[str, str]]]] = {}
    for pointer in sheet.diagnosis.pointers:
        r = pointer.reading
        good = between(r.low_v, r.high_v)
        group = found.setdefault(r.node, (sheet.names.probe(r), good, []))
        suspects = ", ".join(sheet.names.fault(f) for f in pointer.faults)
        group[2].append((between(pointer.low_v, pointer.high_v), suspects))
    return list(found.values())


def unseen_row(sheet: BuildSheet, unseen: Unseen) -> tuple[str, ...]:
    """A fault that a sine shows: block, change at each frequency, suspect."""
    changes = (decibels(change) for change in unseen.changes_db)
    return (unseen.stage, *changes, sheet.names.fault(unseen.fault))


def unseen_headings() -> tuple[str, ...]:
    """Of the table of faults that a sine shows."""
    return ("behind block", *(hertz(f) for f in SINES_HZ), "suspect")


def csv_texts(sheet: BuildSheet) -> dict[str, str]:
    """What is written beside the page: name -> text of a CSV file (RFC 4180, but for its ends).

    ``bill`` and ``bench`` hold numbers in SI units, ``faults`` one line a fault.
    """
    return {
        "bill": _csv(PARTS_HEADINGS, (item_row(sheet, item) for item in sheet.bill)),
        "bench": _csv(
            ("node", "places", "meter_v", "low_v", "high_v", "rest_v"), _bench_numbers(sheet)
        ),
        "faults": _csv(("fault", "part", "node", "reads_v", "low_v", "high_v"), _faults(sheet)),
    }


def _bench_numbers(sheet: BuildSheet) -> Iterator[Sequence[object]]:
    for r in sheet.readings:
        places = "; ".join(sheet.names.place(p) for p in r.places)
        numbers = (r.meter_v, r.low_v, r.high_v, r.rest_v)
        yield (r.node, places, *(_number(v) for v in numbers))


def _faults(sheet: BuildSheet) -> Iterator[Sequence[object]]:
    for s in sheet.diagnosis.symptoms:
        numbers = (_number(v) for v in (s.reads_v, s.reading.low_v, s.reading.high_v))
        yield (sheet.names.fault(s.fault), s.fault.part.path, s.reading.node, *numbers)
    for u in sheet.diagnosis.unseen:
        yield (sheet.names.fault(u.fault), u.fault.part.path, "", "", "", "")


def _number(value: float) -> str:
    return f"{value:.6g}" if math.isfinite(value) and abs(value) > 1e-9 else "0"


def _csv(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(headings)
    writer.writerows(rows)
    return text.getvalue()
