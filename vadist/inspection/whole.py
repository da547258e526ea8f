"""What an inspection tells of the whole, as rows of text and sentences: for terminals and pages."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from vadist.analysis.loops import Loop
from vadist.analysis.rails import COST_HZ, SPOTS_HZ, Rails
from vadist.inspection.controls import CONTROL_HZ, ControlPosition
from vadist.inspection.figures import Inspection
from vadist.inspection.without import Absence, Measured
from vadist.inspection.words import amperes, decibels, hertz, measured, percent, volts
from vadist.large_signal.headroom import HIGHEST_V, Ladder, Rung
from vadist.large_signal.low_fifth import LowFifth
from vadist.quantities import format_quantity, peak_volts_to_dbu

_SHOWN_NOISE = 8


@dataclass(frozen=True)
class Rows:
    """A table as text.

    Attributes
    ----------
    headings : tuple of str
    rows : tuple of tuple of str
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def ladder_rows(ladder: Ladder) -> Rows:
    """Return the blocks that limit, the first first."""
    rows = []
    for limit in ladder.rungs:
        under = "< " if limit.below else ""
        dbu = f"{under}{peak_volts_to_dbu(limit.input_v):+.1f}"
        rows.append((limit.stage, f"{under}{volts(limit.input_v)}", dbu, limit.cause))
    return Rows(("block", "input, peak", "dBu", "limited by"), tuple(rows))


def never_text(ladder: Ladder) -> str:
    """Return which blocks never limit."""
    never = [limit.stage for limit in ladder.limits if not math.isfinite(limit.input_v)]
    return f"Not up to {HIGHEST_V:g} V: {', '.join(never)}." if never else ""


def control_rows(positions: Sequence[ControlPosition]) -> Rows:
    """Return gain, corners and headroom of the whole at positions of knobs."""
    gains = tuple(f"{format_quantity(f, 'Hz', 1)}" for f in CONTROL_HZ)
    rows, last = [], ""
    for row in positions:
        name = row.control if row.control != last else ""
        last = row.control
        limit = "clean" if math.isinf(row.limit_v) else _level(row.limit_v, row.below)
        at_hz = (decibels(g).removesuffix(" dB") for g in row.gain_db)
        corners = _corner(row.bass_cut_hz), _corner(row.treble_cut_hz)
        rows.append((name, f"{row.position:g}", *at_hz, *corners, limit))
    return Rows(("control", "at", *gains, "bass cut", "treble cut", "1 % from"), tuple(rows))


def absence_rows(absences: Sequence[Absence]) -> Rows:
    """Return the whole without each block; gain and noise as changes from what they are."""
    whole = absences[0].measured
    rows = []
    for row in absences:
        found = row.measured
        if found is None or whole is None:
            continue
        first = found.first
        corners = _corner(found.bass_cut_hz), _corner(found.treble_cut_hz)
        limit = ("none", "") if first is None else (first.stage, _level(first.input_v, first.below))
        rows.append(
            (row.stage or "(nothing)", *changes_text(found, whole), *corners,
             percent(found.distortion), *limit)
        )  # fmt: skip
    return Rows(("left out", "gain", "noise", "bass", "treble", "THD", "first", "at"), tuple(rows))


def changes_text(found: Measured, whole: Measured) -> tuple[str, str]:
    """Return decibels of gain and noise over what they are."""
    ratio = found.noise_v / whole.noise_v if whole.noise_v else 1.0
    changes = found.gain_db - whole.gain_db, 20.0 * math.log10(max(ratio, 1e-20))
    gain, noise = (f"{round(change, 1) + 0.0:+.1f}" for change in changes)
    return gain, noise


def loop_rows(loops: Sequence[Loop]) -> Rows:
    """Return the feedback loops."""
    rows = []
    for loop in loops:
        crosses = math.isfinite(loop.crossing_hz)
        rows.append(
            (loop.part, decibels(loop.gain_db), hertz(loop.crossing_hz) if crosses else "-",
             f"{loop.margin_degrees:.0f} degrees" if crosses else "-")
        )  # fmt: skip
    return Rows(("round", "loop gain, 1 kHz", "falls to 1 at", "phase margin"), tuple(rows))


def noise_rows(found: Inspection) -> Rows:
    """Return the parts that noise comes from."""
    rows = [
        (share.part, share.value, volts(share.output_v), f"{share.fraction:.1%}")
        for share in found.noise.parts[:_SHOWN_NOISE]
    ]
    return Rows(("part", "value", "output", "share"), tuple(rows))


def current_rows(found: Inspection) -> Rows:
    """Return what draws current from the supply."""
    return Rows(("part", "draws"), tuple((p, amperes(a)) for p, a in found.current.parts))


def rail_rows(rails: Rails) -> Rows:
    """Return the impedance of each rail that moves."""
    rows = []
    for rail in rails.moving:
        ohms = (measured(ohm, "ohm") for ohm in rail.impedance_ohm)
        rows.append((rail.name, volts(rail.rest_v), *ohms))
    return Rows(("rail", "at rest", *(hertz(f) for f in SPOTS_HZ)), tuple(rows))


def rail_lines(rails: Rails, found: Inspection) -> list[str]:
    """Return what rails do to the output."""
    supply, lines = found.design.supply, []
    if rails.moving:
        lines.append(
            f"that they move changes the output by {round(rails.cost_db, 2) + 0.0:+.2f} dB at "
            f"{hertz(COST_HZ)}"
        )
    if rails.divider_a:
        lines.append(f"the bias divider draws {amperes(rails.divider_a)}")
    if rails.noise_v:
        lines.append(
            f"noise of the supply's parts at the output {volts(rails.noise_v)} rms, "
            f"{rails.noise_share:.1%} of the whole"
        )
    if supply.ripple is not None:
        lines.append(
            f"ripple of {supply.ripple}: {volts(rails.ripple_v)} peak at the output "
            f"({rails.ripple_db:+.1f} dB)"
        )
    return lines


def noise_lines(found: Inspection) -> tuple[str, str]:
    """Return noise at the output and referred to the input."""
    noise = found.noise
    low, high = noise.band_hz
    return (
        f"{volts(noise.output_v)} rms, {hertz(low)} to {hertz(high)}, "
        f"{noise.output_v_rthz * 1e9:.3g} nV/rtHz at {hertz(noise.spot_hz)}",
        f"{volts(noise.input_v)} rms, {noise.input_v_rthz * 1e9:.3g} nV/rtHz "
        f"(over the gain at {hertz(noise.spot_hz)}; {noise.temperature_k:g} K, no 1/f noise)",
    )


def low_fifth_text(found: LowFifth) -> str:
    """Return what a low fifth becomes."""
    octave = 20.0 * math.log10(max(found.octave_below, 1e-20))
    return (
        f"{hertz(found.low_hz)} and {hertz(found.high_hz)}, {volts(found.level_v)} peak together: "
        f"at the output {percent(found.foreign)} belongs to neither note; the difference tone, an "
        f"octave under the lower, has {decibels(octave)} against it."
    )


def clean_up_text(found: Inspection) -> str:
    """Return whether the design cleans up."""
    here = (
        f"As set, the output has 1 % distortion {_reached(found.ladder)} peak "
        f"at the input; at {volts(found.level_v)} it has "
        f"{percent(found.blocks[-1].level.distortion)}."
    )
    clean = found.clean_up
    if clean is None:
        return f"{here} No control turns the drive down."
    knobs = ", ".join(f"{name} {position:g}" for name, position in clean.settings.items())
    word = "stays clean" if clean.distortion < 0.01 else "still clips"
    return (
        f"{here} With {knobs} it has 1 % {_reached(clean.ladder)}, and "
        f"{volts(found.level_v)} {word}: {percent(clean.distortion)}. First to limit then: "
        f"{', '.join(map(_rung, clean.ladder.rungs)) or 'none'}."
    )


def from_text(level_v: float, below: bool) -> str:
    """Say where something begins; below the lowest level searched it is not known where."""
    return f"already below {volts(level_v)}" if below else f"from {volts(level_v)}"


def _reached(ladder: Ladder) -> str:
    level = ladder.output_input_v
    if not math.isfinite(level):
        return f"above {HIGHEST_V:g} V"
    return from_text(level, ladder.output_below)


def _rung(limit: Rung) -> str:
    return f"{limit.stage} {'below ' if limit.below else ''}{volts(limit.input_v)}"


def _level(level_v: float, below: bool) -> str:
    return f"< {volts(level_v)}" if below else volts(level_v)


def _corner(value: float | None) -> str:
    return "-" if value is None else hertz(value)
