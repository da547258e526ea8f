"""Substitutes for a part as one table."""

import math
import shlex
from collections.abc import Iterator

from vadist.audition.layout import lay_out, wrap_notes
from vadist.audition.names import value_text
from vadist.population.figure_names import Figure
from vadist.questions.substitute import Substitute, Substitution
from vadist.questions.usual_figures import GAIN_HZ, LEVEL_V

BREAKS = "breaks"
"""Stands for the change of what is no substitute."""

IDLE = 0.005
"""Slacks of change below which all types are alike: two in 10 000."""

GONE = "old"
"""Marks a type that is no longer made."""


def substitutes_text(found: Substitution, width: int) -> str:
    """Write substitutes in lines of so many letters."""
    held = found.held
    gone = ", no longer made" if held.out_of_production else ""
    lines = [f"{found.path} of {found.design.name}: {held.name}{gone}", ""]
    lines += lay_out(_table(found), width)
    lines += ["", *wrap_notes(list(_notes(found)), width)]
    return "\n".join(lines)


def _table(found: Substitution) -> list[list[str]]:
    shown = _shown(found)
    heads = ["type", "change", "rest V", "room V", *shown]
    heads += ["null dB"] if found.held.heard else []
    heads += ["retuned"] if found.ranked[0].retuned else []
    rows = [[*heads, "made"]]
    rest = found.figures.index(Figure(found.path.partition(".")[0], "rest"))
    for each in (found.held, *found.ranked):
        cells = [_short(each.figures[rest]), "" if each.room is None else each.room.short]
        cells += [_short(each.figures[k] * scale) for k, scale in shown.values()]
        if each.heard:
            cells.append("" if each is found.held else _short(each.heard[0]))
        if found.ranked[0].retuned:
            values = dict(each.retuned)
            paths = [path for path, _ in found.ranked[0].retuned]
            cells.append(", ".join(values.get(p) or value_text(found.design, p) for p in paths))
        gone = GONE if each.out_of_production else ""
        rows.append([each.name, _change(found, each), *cells, gone])
    return rows


def _shown(found: Substitution) -> dict[str, tuple[int, float]]:
    """Headings of figures: their column, and what a value is multiplied by."""
    wanted = {
        "gain dB": (Figure("", "gain", GAIN_HZ), 1.0),
        "THD %": (Figure("", "THD", LEVEL_V), 1.0),
        "noise uV": (Figure("", "noise"), 1e6),
        "draws mA": (Figure("", "supply current"), 1e3),
    }
    return {head: (found.figures.index(f), scale) for head, (f, scale) in wanted.items()}


def _short(value: float) -> str:
    """Three digits and no unit, which the heading has.

    >>> _short(31.449), _short(-128.2), _short(0.01523)
    ('31.4', '-128', '0.0152')
    """
    if math.isnan(value):
        return ""
    return f"{value:.2f}" if 1.0 <= abs(value) < 10.0 else f"{value:.3g}"


def _change(found: Substitution, each: Substitute) -> str:
    if each is found.held:
        return ""
    return BREAKS if each.faults else f"{each.change:.1f}"


def _notes(found: Substitution) -> Iterator[str]:
    for each in found.ranked:
        if each.faults:
            yield f"{each.name}: {'; '.join(each.faults)}."
    best = found.nearest
    if all(each.change < IDLE and not each.faults for each in found.ranked):
        yield "No type changes anything: as switches and knobs stand, nothing goes through it."
    if best is None:
        yield "No part that was tried can stand there as it is; --retune may help."
    else:
        settings = ((found.path, best.text), *best.retuned)
        words = " ".join(f"--set {shlex.quote(f'{path}={text}')}" for path, text in settings)
        made = "" if best.out_of_production else " of those still made"
        yield f"Nearest{made}: {best.name}. To take it: {words}"
    yield (
        "Change: root mean square of how far rest, room, gain, corners, level, distortion, noise "
        "and supply current moved, in slacks of 5 % or 0.5 dB. Room: volts from rest to where the "
        "block limits. Gain, THD, noise and current are of the whole, at 1 kHz, and for a sine of "
        f"220 Hz, {LEVEL_V * 1e3:g} mV."
    )
    if found.ranked[0].retuned:
        parts = ", ".join(path for path, _ in found.ranked[0].retuned)
        yield f"Retuned, in this order: {parts}; rest and gain of the block as near as they come."
    if any(each.out_of_production for each in found.ranked):
        yield f"{GONE}: no longer made."
    if found.held.heard:
        yield (
            "Null: what is left of the take when levels are matched; ranked by it, the lower the "
            "more alike."
        )
    yield (
        "Ratings in volts, amperes and watts, and the order of the leads, are not in the library: "
        "read the sheet of what you take."
    )
