"""An inspection as text: the signal path block by block, then the whole."""

import io
import math
import shutil
from collections.abc import Iterator

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from vadist.analysis.corners import Root
from vadist.analysis.crossings import GAIN_HZ
from vadist.analysis.rails import Rails
from vadist.inspection.figures import CORNER_LEVELS_V, Block, Inspection, Level
from vadist.inspection.tables import absences_table, loops_table, table_of
from vadist.inspection.whole import (
    clean_up_text,
    control_rows,
    current_rows,
    from_text,
    ladder_rows,
    low_fifth_text,
    never_text,
    noise_lines,
    noise_rows,
    rail_lines,
    rail_rows,
)
from vadist.inspection.words import (
    amperes,
    corner_text,
    gain_text,
    hertz,
    measured,
    ohms,
    percent,
    root_text,
    volts,
)
from vadist.large_signal.headroom import Ladder

_PLAIN_WIDTH = 80
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "one of the last")
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
        f"Supply {volts(supply.volts)}, bias {volts(supply.bias_v)}, "
        f"draws {amperes(found.current.total_a)} at rest{'' if supply.divided else _NO_DIVIDER}."
    )
    knobs = ", ".join(f"{name} {knob.position:g}" for name, knob in design.controls.items())
    if knobs:
        out.print(f"Controls at {knobs}.")
    out.print(
        f"Levels are for a sine of {hertz(found.frequency_hz)}, {volts(found.level_v)} peak at the "
        f"input; gains and impedances at {hertz(GAIN_HZ)}. R, C in the trade's notation; (x) "
        "behind a part is the per cent a gain or a frequency moves for one per cent more of it."
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
    nodes = [f"{n.partition('.')[2]} {volts(v)}" for n, v in rest.node_v.items()]
    yield "at rest", ", ".join(nodes[::-1])
    for device in rest.devices:
        told = ", ".join(f"{k} {measured(v, unit)}" for k, (v, unit) in device.figures.items())
        yield "", f"{device.part.partition('.')[2]} {device.model}: {told}"
    if rest.headroom_v is not None:
        down, up = rest.headroom_v
        yield "headroom", f"{volts(down)} down, {volts(up)} up"
    yield "gain", gain_text(block.gain_db, block.gain_parts, block.name)
    if block.input_ohm is not None and block.output_ohm is not None:
        yield "in, out", f"{ohms(block.input_ohm)}, {ohms(block.output_ohm)}"
    for corner in block.corners:
        yield corner.kind, corner_text(corner, block.name)
    for root in _other_roots(block):
        yield root.kind, root_text(root, block.name)
    if block.by_level:
        yield from _by_level(block)
    level = block.level
    yield (
        "level",
        f"{volts(level.high_v, sign=True)} {volts(level.low_v)} peak, asymmetry "
        f"{level.asymmetry * 100:+.1f} %, THD {percent(level.distortion)}{_own(level)}",
    )
    limit = block.limit
    if math.isfinite(limit.input_v):
        place = [rung.stage for rung in ladder.rungs].index(block.name)
        count = len(ladder.rungs)
        order = "" if count == 1 else f", {_ORDINALS[min(place, len(_ORDINALS) - 1)]} of {count}"
        yield (
            "limits",
            f"{from_text(limit.input_v, limit.below)} peak at the input ({limit.cause}){order}",
        )


def _other_roots(block: Block) -> Iterator[Root]:
    """Poles and zeros that do not merely repeat a corner."""
    for root in block.roots:
        ratios = [root.frequency_hz / corner.frequency_hz for corner in block.corners]
        if root.kind == "zero" or all(abs(math.log(r)) > _REPEATS for r in ratios):
            yield root


def _by_level(block: Block) -> Iterator[tuple[str, str]]:
    """Corners by the describing function, at levels at the design's input."""
    for kind in ("bass_cut", "treble_cut"):
        found = [getattr(corners, f"{kind}_hz") for corners in block.by_level]
        if any(found):
            levels = zip(found, CORNER_LEVELS_V, strict=True)
            told = [f"{hertz(hz) if hz else 'none'} at {volts(level)}" for hz, level in levels]
            yield kind.replace("_", " "), f"by level, of the fundamental: {', '.join(told)}"


def _own(level: Level) -> str:
    """Say that a block distorts, or only passes on what reaches it."""
    if level.distortion < 0.001:
        return ""
    return ", passed on" if level.added_distortion < 0.001 else ", of its own too"


def _summaries(found: Inspection) -> Iterator[tuple[str, RenderableType]]:
    yield "The whole", _whole(found)
    ladder = Group(table_of(ladder_rows(found.ladder)), Text(never_text(found.ladder)))
    yield f"Headroom ladder, {hertz(found.frequency_hz)}", ladder
    yield "Does it clean up?", clean_up_text(found)
    if found.controls:
        title = "The whole against the controls: gain in dB, corners, 1 % distortion"
        yield title, table_of(control_rows(found.controls))
    yield "A low fifth", low_fifth_text(found.low_fifth)
    if found.without:
        title = "Each block left out: gain and noise in dB over what they are, first to limit"
        yield title, absences_table(found.without)
    if found.loops:
        yield "Feedback loops", loops_table(found.loops)
    yield "Noise", _noise(found)
    yield "Supply current", table_of(current_rows(found))
    if found.rails is not None:
        yield "Supply and bias rails", _rails(found.rails, found)


def _whole(found: Inspection) -> Table:
    grid = Table.grid(padding=(0, 2))
    grid.add_row("   gain", Text(gain_text(found.gain_db, found.gain_parts)))
    for corner in found.corners:
        grid.add_row(f"   {corner.kind}", Text(corner_text(corner)))
    return grid


def _noise(found: Inspection) -> Group:
    output, source = noise_lines(found)
    return Group(Text(f"output {output}\ninput  {source}"), table_of(noise_rows(found)))


def _rails(rails: Rails, found: Inspection) -> Group:
    text = Text("\n".join(rail_lines(rails, found)))
    return Group(table_of(rail_rows(rails)), text) if rails.moving else Group(text)
