"""An inspection as text: the signal path block by block, then the whole."""

import io
import math
import shutil
from collections.abc import Iterable, Iterator

from rich import box
from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from vadist.analysis.corners import Corner, Root, Share
from vadist.analysis.rails import COST_HZ, SPOTS_HZ, Rails
from vadist.inspection.figures import CONTROL_HZ, GAIN_HZ, Block, Inspection, Level
from vadist.large_signal.headroom import HIGHEST_V, Ladder, Rung
from vadist.quantities import format_quantity, peak_volts_to_dbu

_PLAIN_WIDTH = 80
_SHOWN_SHARE = 0.1
# A part that sets less than a tenth of a corner is left to the JSON.
_SHOWN_PARTS = 5
_SHOWN_NOISE = 8
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "one of the last")
_SILENT_DB = -100.0
_NO_DIVIDER = " (bias divider not counted)"
_REPEATS = math.log(1.1)
# A pole within 10 % of a block's -3 dB point is told by that; the JSON has all.


def print_inspection(found: Inspection, console: Console | None = None) -> None:
    """Write an inspection to a terminal, or plainly to a file or pipe."""
    out = console or Console(highlight=False)
    if out.is_terminal:
        _print(found, out)
        return
    # Into a file or pipe: no colours, no filling up of lines.
    width = shutil.get_terminal_size((_PLAIN_WIDTH, 24)).columns  # COLUMNS, where it is set
    plain = Console(file=io.StringIO(), highlight=False, width=width)
    _print(found, plain)
    for line in plain.file.getvalue().splitlines():  # type: ignore[attr-defined]
        out.print(line.rstrip(), markup=False, soft_wrap=True)


def _print(found: Inspection, out: Console) -> None:
    design = found.design
    out.print(Text(design.name, style="bold"))
    if design.description:
        out.print(design.description, markup=False)
    supply = design.supply
    out.print(
        f"Supply {_v(supply.volts)}, bias {_v(supply.bias_v)}, "
        f"draws {_a(found.current.total_a)} at rest{'' if supply.divided else _NO_DIVIDER}."
    )
    knobs = ", ".join(f"{name} {knob.position:g}" for name, knob in design.controls.items())
    if knobs:
        out.print(f"Controls at {knobs}.")
    out.print(
        f"Levels are for a sine of {_hz(found.frequency_hz)}, {_v(found.level_v)} peak at the "
        f"input; gains at {_hz(GAIN_HZ)}. R, C in the trade's notation; (x) behind a part is the "
        "per cent a frequency moves for one per cent more of it."
    )
    for k, block in enumerate(found.blocks):
        out.print()
        out.print(_block(k + 1, block, found.ladder))
    for title, body in _summaries(found):
        out.print()
        out.print(Text(title, style="bold"))
        out.print(body)


def _block(number: int, block: Block, ladder: Ladder) -> Table:
    grid = Table.grid(padding=(0, 2))
    grid.title = Text.assemble((f"{number}  {block.name}", "bold"), f"  {block.job}")
    grid.title_justify = "left"
    grid.add_column(min_width=9, style="dim")
    grid.add_column(overflow="fold")
    for label, text in _block_lines(block, ladder):
        grid.add_row(f"   {label}", Text(text))
    return grid


def _block_lines(block: Block, ladder: Ladder) -> Iterator[tuple[str, str]]:
    rest = block.resting
    nodes = [f"{n.partition('.')[2]} {_v(v)}" for n, v in rest.node_v.items()]
    yield "at rest", ", ".join(nodes[::-1])
    for device in rest.devices:
        told = ", ".join(f"{k} {_unit(v, unit)}" for k, (v, unit) in device.figures.items())
        yield "", f"{device.part.partition('.')[2]} {device.model}: {told}"
    if rest.headroom_v is not None:
        down, up = rest.headroom_v
        yield "headroom", f"{_v(down)} down, {_v(up)} up"
    yield "gain", _db(block.gain_db)
    for corner in block.corners:
        yield corner.kind, _corner(corner, block.name)
    for root in _other_roots(block):
        yield root.kind, _root(root, block.name)
    level = block.level
    yield (
        "level",
        f"{_v(level.high_v, sign=True)} {_v(level.low_v)} peak, asymmetry "
        f"{level.asymmetry * 100:+.1f} %, THD {_percent(level.distortion)}{_own(level)}",
    )
    limit = block.limit
    if math.isfinite(limit.input_v):
        place = [rung.stage for rung in ladder.rungs].index(block.name)
        count = len(ladder.rungs)
        order = "" if count == 1 else f", {_ORDINALS[min(place, len(_ORDINALS) - 1)]} of {count}"
        yield (
            "limits",
            f"{_from(limit.input_v, limit.below)} peak at the input ({limit.cause}){order}",
        )


def _other_roots(block: Block) -> Iterator[Root]:
    """Poles and zeros that do not merely repeat a corner."""
    for root in block.roots:
        ratios = [root.frequency_hz / corner.frequency_hz for corner in block.corners]
        if root.kind == "zero" or all(abs(math.log(r)) > _REPEATS for r in ratios):
            yield root


def _own(level: Level) -> str:
    """Say that a block distorts, or only passes on what reaches it."""
    if level.distortion < 0.001:
        return ""
    return ", passed on" if level.added_distortion < 0.001 else ", of its own too"


def _summaries(found: Inspection) -> Iterator[tuple[str, RenderableType]]:
    yield "The whole", _whole(found)
    yield f"Headroom ladder, {_hz(found.frequency_hz)}", _ladder(found.ladder)
    yield "Does it clean up?", _clean_up(found)
    if found.controls:
        yield "Gain of the whole against the controls", _controls(found)
    yield "Noise", _noise(found)
    yield "Supply current", _current(found)
    if found.rails is not None:
        yield "Supply and bias rails", _rails(found.rails, found)


def _whole(found: Inspection) -> Table:
    grid = Table.grid(padding=(0, 2))
    grid.add_row("   gain", _db(found.gain_db))
    for corner in found.corners:
        grid.add_row(f"   {corner.kind}", Text(_corner(corner)))
    return grid


def _table(*columns: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1))
    for k, column in enumerate(columns):
        table.add_column(column, justify="left" if k == 0 else "right")
    return table


def _ladder(ladder: Ladder) -> Group:
    table = _table("block", "input, peak", "dBu", "limited by")
    for limit in ladder.rungs:
        under = "< " if limit.below else ""
        dbu = f"{under}{peak_volts_to_dbu(limit.input_v):+.1f}"
        table.add_row(limit.stage, f"{under}{_v(limit.input_v)}", dbu, limit.cause)
    never = [limit.stage for limit in ladder.limits if not math.isfinite(limit.input_v)]
    note = f"Not up to {HIGHEST_V:g} V: {', '.join(never)}." if never else ""
    return Group(table, Text(note))


def _clean_up(found: Inspection) -> str:
    here = (
        f"As set, the output has 1 % distortion {_reached(found.ladder)} peak "
        f"at the input; at {_v(found.level_v)} it has "
        f"{_percent(found.blocks[-1].level.distortion)}."
    )
    clean = found.clean_up
    if clean is None:
        return f"{here} No control turns the drive down."
    knobs = ", ".join(f"{name} {position:g}" for name, position in clean.settings.items())
    word = "stays clean" if clean.distortion < 0.01 else "still clips"
    return (
        f"{here} With {knobs} it has 1 % {_reached(clean.ladder)}, and "
        f"{_v(found.level_v)} {word}: {_percent(clean.distortion)}. First to limit then: "
        f"{', '.join(map(_rung, clean.ladder.rungs)) or 'none'}."
    )


def _controls(found: Inspection) -> Table:
    table = _table("control", "position", *(_hz(f) for f in CONTROL_HZ))
    last = ""
    for row in found.controls:
        name = row.control if row.control != last else ""
        last = row.control
        table.add_row(name, f"{row.position:g}", *(_db(g) for g in row.gain_db))
    return table


def _noise(found: Inspection) -> Group:
    noise = found.noise
    low, high = noise.band_hz
    table = _table("part", "value", "output", "share")
    text = (
        f"output {_v(noise.output_v)} rms, {_hz(low)} to {_hz(high)}, "
        f"{noise.output_v_rthz * 1e9:.3g} nV/rtHz at {_hz(noise.spot_hz)}\n"
        f"input  {_v(noise.input_v)} rms, {noise.input_v_rthz * 1e9:.3g} nV/rtHz "
        f"(over the gain at {_hz(noise.spot_hz)}; {noise.temperature_k:g} K, no 1/f noise)"
    )
    for share in noise.parts[:_SHOWN_NOISE]:
        table.add_row(share.part, share.value, _v(share.output_v), f"{share.fraction:.1%}")
    return Group(Text(text), table)


def _current(found: Inspection) -> Table:
    table = _table("part", "draws")
    for part, ampere in found.current.parts:
        table.add_row(part, _a(ampere))
    return table


def _rails(rails: Rails, found: Inspection) -> Group:
    supply = found.design.supply
    lines = []
    if rails.moving:
        lines.append(
            f"that they move changes the output by {round(rails.cost_db, 2) + 0.0:+.2f} dB at "
            f"{_hz(COST_HZ)}"
        )
    if rails.divider_a:
        lines.append(f"the bias divider draws {_a(rails.divider_a)}")
    if rails.noise_v:
        lines.append(
            f"noise of the supply's parts at the output {_v(rails.noise_v)} rms, "
            f"{rails.noise_share:.1%} of the whole"
        )
    if supply.ripple is not None:
        lines.append(
            f"ripple of {supply.ripple}: {_v(rails.ripple_v)} peak at the output "
            f"({rails.ripple_db:+.1f} dB)"
        )
    text = Text("\n".join(lines))
    if not rails.moving:
        return Group(text)
    table = _table("rail", "at rest", *(_hz(f) for f in SPOTS_HZ))
    for rail in rails.moving:
        ohms = (_unit(ohm, "ohm") for ohm in rail.impedance_ohm)
        table.add_row(rail.name, _v(rail.rest_v), *ohms)
    return Group(table, text)


def _corner(corner: Corner, stage: str = "") -> str:
    return f"{_hz(corner.frequency_hz)} (-3 dB): {shares_text(corner.parts, stage)}"


def _root(root: Root, stage: str) -> str:
    quality = f", Q {root.quality:.2g}" if root.quality > 0.6 else ""
    return f"{_hz(root.frequency_hz)}{quality}: {shares_text(root.parts, stage)}"


def shares_text(parts: Iterable[Share], stage: str = "") -> str:
    """Return the parts that set a frequency, the strongest first; a stage's own go by short names.

    >>> shares_text([Share("gain.leg_capacitor", "1u", -1.0)], "gain")
    'leg_capacitor 1u (-1.0)'
    """
    told = [
        f"{p.part.removeprefix(f'{stage}.')} {p.value} ({p.sensitivity:+.1f})"
        for p in parts
        if abs(p.sensitivity) >= _SHOWN_SHARE
    ]
    return ", ".join(told[:_SHOWN_PARTS])


def _v(value: float, *, sign: bool = False) -> str:
    return ("+" if sign and value > 0.0 else "") + _unit(value, "V")


def _a(value: float) -> str:
    return _unit(value, "A")


def _unit(value: float, unit: str) -> str:
    # Rounding of the solver, not a voltage anyone could measure.
    return format_quantity(0.0 if abs(value) < 1e-10 else value, unit)


def _hz(value: float) -> str:
    return format_quantity(value, "Hz")


def _db(value: float) -> str:
    if value < _SILENT_DB:
        return "off"
    return f"{round(value, 1) + 0.0:+.1f} dB"


def _percent(ratio: float) -> str:
    per_cent = ratio * 100.0
    return f"{per_cent:.0f} %" if per_cent >= 10.0 else f"{per_cent:.2g} %"


def _reached(ladder: Ladder) -> str:
    level = ladder.output_input_v
    if not math.isfinite(level):
        return f"above {HIGHEST_V:g} V"
    return _from(level, ladder.output_below)


def _from(level_v: float, below: bool) -> str:
    """Say where something begins; below the lowest level searched it is not known where."""
    return f"already below {_v(level_v)}" if below else f"from {_v(level_v)}"


def _rung(limit: Rung) -> str:
    return f"{limit.stage} {'below ' if limit.below else ''}{_v(limit.input_v)}"
