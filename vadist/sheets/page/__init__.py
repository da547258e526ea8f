"""The build sheet as one HTML page to print: everything in one file, and no network."""

from vadist.pages import look, templates, text_of
from vadist.quantities import format_quantity
from vadist.sheets.bench import Reading
from vadist.sheets.rest import METER_OHM
from vadist.sheets.sheet import BuildSheet
from vadist.sheets.stress import CHORD_HZ
from vadist.sheets.texts import (
    BENCH_HEADINGS,
    FAULT_HEADINGS,
    PARTS_HEADINGS,
    between,
    item_row,
    pointer_groups,
    unseen_headings,
    unseen_row,
    volts,
)

_NOTICEABLE_V = 0.01
# What a meter takes away is told from here on: a last digit on its 20 V range.


def build_page(sheet: BuildSheet) -> str:
    """Build the page.

    Parameters
    ----------
    sheet : BuildSheet

    Returns
    -------
    str
        HTML.
    """
    design, diagnosis = sheet.design, sheet.diagnosis
    order = {stage: k for k, stage in enumerate(design.stages)}
    shown = sorted((u for u in diagnosis.unseen if u.stage), key=lambda u: order[u.stage])
    return (
        templates("vadist.sheets", "page")
        .get_template("sheet.html")
        .render(
            style="\n".join((look(), text_of("vadist.sheets.page", "sheet.css"))),
            design=design,
            drawing=sheet.drawing,
            undrawn=sheet.undrawn,
            knobs=[f"{name} at {c.position:.0%}" for name, c in design.controls.items()],
            supply=f"{design.supply.volts:g} V",
            held_bias="" if design.supply.divided else f"{design.supply.bias_v:g} V",
            hot=format_quantity(sheet.hot_v, "V"),
            chord=", ".join(format_quantity(f, "Hz") for f in CHORD_HZ),
            pieces=sum(item.count for item in sheet.bill),
            bill_headings=PARTS_HEADINGS,
            bill=[item_row(sheet, item) for item in sheet.bill],
            blocks=_blocks(sheet),
            devices=sheet.devices,
            meter=f"{METER_OHM / 1e6:g} megohm",
            current=format_quantity(sheet.current.total_a, "A"),
            currents=[
                (sheet.names.part(part), format_quantity(a, "A"))
                for part, a in sheet.current.parts
                if a >= 0.01 * sheet.current.total_a
            ],
            bench_headings=BENCH_HEADINGS,
            bench=[_bench_row(sheet, reading) for reading in sheet.readings],
            fault_headings=FAULT_HEADINGS,
            pointers=pointer_groups(sheet),
            unseen_headings=unseen_headings(),
            unseen=[unseen_row(sheet, u) for u in shown],
            silent=[sheet.names.fault(u.fault) for u in diagnosis.unseen if not u.stage],
            refused=[
                (sheet.names.fault(f), why.partition(";")[0])
                for f, why in diagnosis.refused.items()
            ],
        )
    )


def _bench_row(sheet: BuildSheet, reading: Reading) -> tuple[str, ...]:
    loaded = abs(reading.loading_v) >= _NOTICEABLE_V
    band = between(reading.low_v, reading.high_v)
    low, _, high = band.partition(" to ")
    return (
        sheet.names.probe(reading),
        volts(reading.meter_v),
        low,
        high or low,
        volts(reading.rest_v) if loaded else "",
        reading.node,
        sheet.names.others(reading),
    )


def _blocks(sheet: BuildSheet) -> list[tuple[str, list[tuple[str, ...]]]]:
    """Parts block by block: designator, value, the design's name for it, purpose, polarity."""
    found: dict[str, list[tuple[str, ...]]] = {}
    readings = {reading.node: reading for reading in sheet.readings}
    for each in sheet.parts:
        block, _, name = each.part.path.partition(".")
        plus, turn = readings.get(each.polarity), ""
        if each.polarity and not each.reverses:
            met = sheet.names.neighbours(plus, each.part.path) if plus else each.polarity
            turn = f"plus to {met}"
        found.setdefault(block, []).append(
            (sheet.names.part(each.part.path), each.part.text, name, each.part.purpose, turn)
        )
    return list(found.items())
