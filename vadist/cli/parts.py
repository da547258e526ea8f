"""List the part library, each part with its figures, its source and the points it is fitted to.

Words choose parts by type, kind, family or polarity: 2N39, germanium, npn, "out of production".
With --measure a part is fitted to your own meter's readings instead, and its model is told ready to
paste into a design.
"""

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vadist.parts.records import PartRecord, SheetPoint


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist parts``."""
    parser.add_argument(
        "words", nargs="*", metavar="WORD",
        help="tell parts that all these words are found in, with the points of their sheets",
    )  # fmt: skip
    parser.add_argument(
        "--measure",
        metavar="READINGS",
        help="fit a part to readings: 'diode 0.1mA=0.465V 1mA=0.582V 10mA=0.714V', 'npn 1mA=266 "
        "1mA=0.634V', 'njfet 0V=3.10mA -1V=0.775mA', or 'diode FILE.csv'; kinds: diode, germanium, "
        "schottky, led, zener, npn, pnp, germanium-npn, germanium-pnp, njfet, pjfet, nmosfet, "
        "pmosfet",
    )
    parser.add_argument(
        "--meter", metavar="PERCENT", help="accuracy of the meter behind --measure (default 1%%)"
    )
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(options: argparse.Namespace) -> int:
    """Print the library, or what words find of it."""
    import json

    from vadist.errors import UsageError
    from vadist.parts import TAPERS
    from vadist.parts.records import SOURCES, find_records, part_records

    if options.measure is not None:
        if options.words:
            raise UsageError("give --measure or words to search for, not both")
        return _measure(options)
    if options.meter is not None:
        raise UsageError("--meter goes with --measure")
    records = find_records(options.words) if options.words else list(part_records().values())
    if options.json:
        data: dict[str, Any] = {
            kind: [_plain(record) for record in records if record.kind == kind] for kind in SOURCES
        }
        data["tapers"] = dict(TAPERS)
        print(json.dumps(data, indent=2, allow_nan=False))
        return 0
    _print(records, with_points=bool(options.words))
    if not options.words:
        _print_tapers(TAPERS)
    return 0


def _measure(options: argparse.Namespace) -> int:
    import json

    from vadist.parts.measured import DEFAULT_ACCURACY, measure, parse_meter
    from vadist.parts.readings import parse_readings

    accuracy = DEFAULT_ACCURACY if options.meter is None else parse_meter(options.meter)
    part = measure(parse_readings(options.measure), accuracy)
    if options.json:
        print(json.dumps(part.as_json(accuracy), indent=2, allow_nan=False))
    else:
        print("\n".join(part.lines(accuracy)))
    return 0


def _plain(record: "PartRecord") -> dict[str, Any]:
    import dataclasses
    import math

    values = dataclasses.asdict(record.model)
    values = {k: None if isinstance(v, float) and math.isinf(v) else v for k, v in values.items()}
    return {
        **values,
        "source": record.source,
        "worst": record.worst,
        "out_of_production": record.out_of_production or None,
        "points": [_point(point) for point in record.points],
        "spread": [_point(point) for point in record.spread],
    }


def _point(point: "SheetPoint") -> dict[str, Any]:
    import dataclasses

    from vadist.parts.records import QUANTITIES

    quantity = QUANTITIES[point.quantity]
    return {**dataclasses.asdict(point), "unit": quantity.unit, "words": quantity.words}


def _print(records: list["PartRecord"], *, with_points: bool) -> None:
    from rich.console import Console
    from rich.text import Text

    out = Console(highlight=False)
    kind = ""
    for record in records:
        if record.kind != kind:
            kind = record.kind
            out.print(Text(kind, style="bold"))
        gone = ", out of production" if record.out_of_production else ""
        _wrapped(out, f"{record.name}{gone}  {record.model.figures}", 2)
        _wrapped(out, record.source, 6, "dim")
        if with_points:
            if record.out_of_production:
                _wrapped(out, f"out of production: {record.out_of_production}", 6, "dim")
            for point in record.points:
                _wrapped(out, _told(point), 6)
    if not with_points:
        out.print(Text("'vadist parts WORD' tells the points of the sheets, too.", style="dim"))


def _wrapped(out: Any, text: str, indent: int, style: str = "") -> None:
    from rich.text import Text

    for line in Text(text, style=style).wrap(out, out.width - indent):
        out.print(Text(" " * indent).append_text(line))


def _told(point: "SheetPoint") -> str:
    """A point in a line: what, at what, what is promised, what was aimed at, what is fitted."""
    from vadist.parts.records import QUANTITIES, short

    quantity = QUANTITIES[point.quantity]
    at = f" at {point.conditions}" if point.condition else ""
    promised = ", ".join(
        f"{word} {short(value, quantity.unit)}"
        for word, value in (("min", point.least), ("typ", point.typical), ("max", point.most))
        if value is not None
    )
    text = f"{quantity.words}{at}: {promised or 'not stated'}"
    if point.aim is not None and point.typical != point.aim:
        rule = f" ({point.rule})" if point.rule else " (the curve of the maxima, lowered)"
        text += f"; taken {short(point.aim, quantity.unit)}{rule}"
    if point.fitted is not None:
        text += f"; fitted {short(point.fitted, quantity.unit)}"
    if point.off is not None and QUANTITIES[point.quantity].by_volts:
        text += f", {1e3 * point.off:+.1f} mV"
    elif point.off is not None:
        text += f", {100.0 * point.off:+.1f} %"
    whose = f" of the {point.borrowed}" if point.borrowed else ""
    return f"{text}; {point.sheet}{whose}"


def _print_tapers(tapers: dict[str, float]) -> None:
    from rich.console import Console
    from rich.text import Text

    out = Console(highlight=False)
    out.print(Text("pot tapers", style="bold"))
    for name, half in tapers.items():
        out.print(Text(f"  {name}  {half:.0%} of the track below the wiper at half rotation"))
