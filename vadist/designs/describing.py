"""A design in words: its stages, values as the trade writes them, and its knobs."""

import html
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from vadist.circuits.network import DiodeString
from vadist.designs.supply import Ripple
from vadist.designs.values import NOTHING
from vadist.quantities import write_quantity
from vadist.stages.stage import DiodePair, FieldInfo, Pot

if TYPE_CHECKING:
    from vadist.designs.design import Design


def value_words(info: FieldInfo, value: Any) -> str:
    """Say a value of a design.

    >>> value_words(FieldInfo("part", "F", ""), 4.7e-9)
    '4n7'
    >>> value_words(FieldInfo("pot", "ohm", ""), Pot(5e5, 0.2))
    '500k, wiper at 0.2'
    """
    if value is None:
        return NOTHING
    if isinstance(value, Pot):
        track = write_quantity(value.resistance, "ohm")
        return track if value.wiper == 0.5 else f"{track}, wiper at {value.wiper:g}"
    if isinstance(value, DiodePair):
        if info.kind == "diode":
            return string_words(value.forward)
        forward, reverse = string_words(value.forward), string_words(value.reverse)
        return forward if forward == reverse else f"{forward} forward, {reverse} reverse"
    if isinstance(value, str | Ripple):
        return str(value)
    if isinstance(value, int | float):
        return write_quantity(value, info.unit) if info.unit else f"{value:g}"
    return str(value.name)


def string_words(held: DiodeString | None) -> str:
    """Say a string of diodes.

    >>> from vadist.parts import find_diode
    >>> string_words(DiodeString(find_diode("1N4148"), 2, 3))
    '2× 1N4148 (×3)'
    """
    if held is None:
        return NOTHING
    text = held.model.name
    if held.count > 1:
        text = f"{held.count}× {text}"
    return f"{text} (×{held.parallel})" if held.parallel > 1 else text


def _blocks(design: "Design") -> Iterator[tuple[str, str, list[tuple[str, str, str]]]]:
    """Name, kind and (key, value, purpose) of everything in signal order; what is left out is."""
    owners = {"supply": "", "source": ""}
    for name, stage in design.stages.items():
        away = ", bypassed" if name in design.bypassed else ""
        owners[name] = f"{stage.type_name}{away}"
    for owner, kind in {**owners, "load": "", "ambient": ""}.items():
        paths = [path for path in design.paths if path.startswith(f"{owner}.")]
        rows = [
            (path.partition(".")[2], value_words(info, value), info.purpose)
            for path in paths
            for info, value in [(design.field_info(path), design.value(path))]
            if value is not None
        ]
        if rows:
            yield owner, kind, rows
    if design.controls:
        yield (
            "controls",
            "",
            [
                (name, f"{knob.position:g}", f"moves {', '.join(knob.moves)}; {knob.taper}")
                for name, knob in design.controls.items()
            ],
        )


def text(design: "Design") -> str:
    """Describe a design in lines of text."""
    lines = [design.name, *([design.description] if design.description else [])]
    for owner, kind, rows in _blocks(design):
        lines += ["", f"{owner}  ({kind})" if kind else owner]
        wide, wider = (max(len(row[k]) for row in rows) for k in (0, 1))
        lines += [f"    {key:{wide}}  {value:{wider}}  {told}" for key, value, told in rows]
    return "\n".join(lines)


def page(design: "Design") -> str:
    """Describe a design as a table of HTML, for notebooks."""
    parts = [f"<p><b>{html.escape(design.name)}</b>"]
    if design.description:
        parts.append(f"<br>{html.escape(design.description)}")
    parts.append("</p><table>")
    for owner, kind, rows in _blocks(design):
        told = f" <i>{html.escape(kind)}</i>" if kind else ""
        head = f"{html.escape(owner)}{told}"
        parts.append(f'<tr><th colspan="3" style="text-align:left">{head}</th></tr>')
        for row in rows:
            cells = "".join(f'<td style="text-align:left">{html.escape(cell)}</td>' for cell in row)
            parts.append(f"<tr>{cells}</tr>")
    return "".join([*parts, "</table>"])
