"""Tables of an inspection that concern the whole: knobs, absent blocks, feedback."""

import math
from collections.abc import Sequence

from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from vadist.analysis.loops import HIGHEST_HZ, Loop
from vadist.inspection.controls import CONTROL_HZ, ControlPosition
from vadist.inspection.without import Absence, Measured
from vadist.inspection.words import decibels, hertz, percent, volts
from vadist.large_signal.low_fifth import LowFifth
from vadist.quantities import format_quantity


def table_of(*columns: str) -> Table:
    """Return an empty table, its first column flush left."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1))
    for k, column in enumerate(columns):
        table.add_column(column, justify="left" if k == 0 else "right")
    return table


def controls_table(rows: Sequence[ControlPosition]) -> Table:
    """Return gain, corners and headroom at every position of every knob."""
    gains = [f"{format_quantity(f, 'Hz', 1)}" for f in CONTROL_HZ]
    table = table_of("control", "at", *gains, "bass cut", "treble cut", "1 % from")
    last = ""
    for row in rows:
        name = row.control if row.control != last else ""
        last = row.control
        limit = "clean" if math.isinf(row.limit_v) else _level(row.limit_v, row.below)
        table.add_row(
            name, f"{row.position:g}", *(decibels(g).removesuffix(" dB") for g in row.gain_db),
            _corner(row.bass_cut_hz), _corner(row.treble_cut_hz),
            limit,
        )  # fmt: skip
    return table


def absences_table(rows: Sequence[Absence]) -> Group:
    """Return the whole without each block; gain and noise as changes from what they are."""
    whole = rows[0].measured
    table = table_of("left out", "gain", "noise", "bass", "treble", "THD", "first", "at")
    problems = []
    for row in rows:
        found = row.measured
        if found is None or whole is None:
            problems.append(f"{row.stage} cannot be left out: {row.problem}")
            continue
        first = found.first
        table.add_row(
            row.stage or "(nothing)", *_changes(found, whole), _corner(found.bass_cut_hz),
            _corner(found.treble_cut_hz), percent(found.distortion),
            *(("none", "") if first is None else (first.stage, _level(first.input_v, first.below))),
        )  # fmt: skip
    return Group(table, Text("\n".join(problems)))


def _changes(found: Measured, whole: Measured) -> tuple[str, str]:
    """Decibels of gain and noise over what they are."""
    ratio = found.noise_v / whole.noise_v if whole.noise_v else 1.0
    changes = found.gain_db - whole.gain_db, 20.0 * math.log10(max(ratio, 1e-20))
    gain, noise = (f"{round(change, 1) + 0.0:+.1f}" for change in changes)
    return gain, noise


def _level(level_v: float, below: bool) -> str:
    return f"< {volts(level_v)}" if below else volts(level_v)


def loops_table(loops: Sequence[Loop]) -> Group:
    """Return the feedback loops."""
    table = table_of("round", "loop gain, 1 kHz", "falls to 1 at", "phase margin")
    for loop in loops:
        crosses = math.isfinite(loop.crossing_hz)
        table.add_row(
            loop.part, decibels(loop.gain_db), hertz(loop.crossing_hz) if crosses else "-",
            f"{loop.margin_degrees:.0f} degrees" if crosses else "-",
        )  # fmt: skip
    note = f"-: nowhere up to {format_quantity(HIGHEST_HZ, 'Hz', 1)}, as far as the models go."
    return Group(table, Text(note if any(math.isinf(x.crossing_hz) for x in loops) else ""))


def low_fifth_text(found: LowFifth) -> str:
    """Return what a low fifth becomes."""
    octave = 20.0 * math.log10(max(found.octave_below, 1e-20))
    return (
        f"{hertz(found.low_hz)} and {hertz(found.high_hz)}, {volts(found.level_v)} peak together: "
        f"at the output {percent(found.foreign)} belongs to neither note; the difference tone, an "
        f"octave under the lower, has {decibels(octave)} against it."
    )


def _corner(value: float | None) -> str:
    return "-" if value is None else hertz(value)
