"""Large-signal pictures: traces, transfer curves, spectrum, harmonics against level, ladder."""

import math
from typing import Any

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.resting import resting_stages
from vadist.inspection.figures import Inspection
from vadist.large_signal.headroom import LOWEST_V, Ladder
from vadist.large_signal.steady_sine import SOURCE, SineRunner
from vadist.plots.style import (
    FAINT,
    INK,
    grid_shape,
    hide_spare,
    level_axis,
    line_style,
    new_figure,
)
from vadist.quantities import format_quantity

CURVE_HZ = 1e3
"""Frequency of the transfer curves: mid-band, where capacitors turn the phase least."""

_OVERDRIVE = 2.5
# Transfer curves are driven so far past the level at which the stage first limits.
_ORDINALS = ("fundamental", "2nd", "3rd", "4th", "5th", "6th")
_SPECTRUM_FLOOR_DB = -100.0
_LEVELS_V = np.geomspace(1e-3, 2.0, 64)


def scope_figure(solved: SolvedDesign, found: Inspection) -> Any:
    """Two periods at every node, against what each rests at, with the limits of what drives it."""
    sines = SineRunner(solved, found.frequency_hz).run([found.level_v])
    stages = list(solved.design.stages)
    resting = resting_stages(solved)
    rows, columns = grid_shape(len(stages))
    title = f"{solved.design.name}: on the scope"
    subtitle = f"{_sine_text(found)}; dotted: rest, dashed: how far the device behind it can swing"
    figure = new_figure(max(4.3 * columns, 7.0), 2.35 * rows + 0.8, title, subtitle)
    axes = figure.subplots(rows, columns, squeeze=False, sharex=True).ravel()
    for axis, stage in zip(axes, stages, strict=False):
        wave = np.tile(sines.volts[stage][:, 0], 2)
        time_ms = np.arange(len(wave)) / len(wave) * 2e3 / found.frequency_hz
        rest = sines.rest_v[stage]
        axis.plot(time_ms, rest + wave, **line_style(0))
        axis.axhline(rest, color=FAINT, linewidth=0.8, linestyle=(0, (1, 2)))
        reach = max(float(np.ptp(wave)), 1e-9)
        for limit in resting[stage].limits_v or ():
            # A rail far away would flatten the trace.
            if rest + wave.min() - reach < limit < rest + wave.max() + reach:
                axis.axhline(limit, color="#D55E00", linewidth=1.1, linestyle=(0, (5, 2)))
        axis.set_title(stage)
        axis.set_ylabel("volts")
        axis.set_xlim(0.0, time_ms[-1])
        axis.ticklabel_format(axis="y", useOffset=False)
    hide_spare(axes, len(stages))
    for axis in axes[max(len(stages) - columns, 0) : len(stages)]:
        axis.set_xlabel("time (ms)")
        axis.tick_params(labelbottom=True)
    return figure


def transfer_figure(solved: SolvedDesign, ladder: Ladder) -> Any | None:
    """Output against input of every stage that limits, as an oscilloscope shows it in X-Y."""
    limits = [limit for limit in ladder.limits if math.isfinite(limit.input_v)]
    if not limits:
        return None
    runner = SineRunner(solved, CURVE_HZ)
    sines = runner.run([limit.input_v * _OVERDRIVE for limit in limits])
    rows, columns = grid_shape(len(limits))
    subtitle = (
        f"X-Y at {format_quantity(CURVE_HZ, 'Hz')}, deviation from rest, driven "
        f"{_OVERDRIVE:g} times past the level where the block first limits;\n"
        "fundamentals turned into step; dotted: small signal"
    )
    figure = new_figure(
        max(4.3 * columns, 8.0), 3.6 * rows + 0.8, f"{solved.design.name}: transfer", subtitle
    )
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    stages = [SOURCE, *solved.design.stages]
    for k, (axis, limit) in enumerate(zip(axes, limits, strict=False)):
        x = sines.volts[stages[stages.index(limit.stage) - 1]][:, k]
        y = sines.volts[limit.stage][:, k]
        response = sines.responses[limit.stage][0]
        slope = abs(response) * (1.0 if response.real >= 0.0 else -1.0)
        before = stages[stages.index(limit.stage) - 1]
        now = sines.spectrum(limit.stage)[0, k] / sines.spectrum(before)[0, k]
        x = _turned(x, float(np.angle(now / slope)))
        axis.plot(np.append(x, x[0]), np.append(y, y[0]), **line_style(0))
        edge = np.array([-1.0, 1.0]) * min(np.abs(x).max(), 1.15 * np.abs(y).max() / abs(slope))
        axis.plot(edge, slope * edge, color=INK, linewidth=1.0, linestyle=(0, (1, 2)))
        axis.set_title(limit.stage)
        axis.set_xlabel("input (V)")
        axis.set_ylabel("output (V)")
    hide_spare(axes, len(limits))
    return figure


def _turned(wave: np.ndarray, phase_rad: float) -> np.ndarray:
    """One period shifted earlier by a phase of its fundamental."""
    lines = np.fft.rfft(wave)
    turned = lines * np.exp(1j * phase_rad * np.arange(len(lines)))
    return np.asarray(np.fft.irfft(turned, len(wave)))


def spectrum_figure(solved: SolvedDesign, found: Inspection) -> Any:
    """Harmonics at the output for the typical input."""
    sines = SineRunner(solved, found.frequency_hz).run([found.level_v])
    lines = np.abs(sines.spectrum(list(solved.design.stages)[-1])[:, 0])
    level = 20.0 * np.log10(np.maximum(lines / lines[0], 1e-12))
    figure = new_figure(8.0, 4.4, f"{solved.design.name}: output spectrum", _sine_text(found))
    axis = figure.subplots()
    for first, name, style, marker in ((0, "odd", 0, "o"), (1, "even", 1, "s")):
        order = sines.orders[first::2]
        kept = level[first::2] > _SPECTRUM_FLOOR_DB
        colour = line_style(style)["color"]
        axis.vlines(
            order[kept], _SPECTRUM_FLOOR_DB, level[first::2][kept], color=colour, linewidth=1.6,
            linestyle="-" if first == 0 else (0, (3, 1)),
        )  # fmt: skip
        axis.plot(
            order[kept], level[first::2][kept], marker, color=colour, markersize=5.5, label=name,
            markerfacecolor=colour if first == 0 else "white",
        )  # fmt: skip
    axis.set_xlabel(f"harmonic of {format_quantity(found.frequency_hz, 'Hz')}")
    axis.set_ylabel("level against the fundamental (dB)")
    axis.set_ylim(_SPECTRUM_FLOOR_DB, 5.0)
    axis.set_xlim(0.0, sines.orders[-1] + 1.0)
    axis.legend(loc="upper right")
    return figure


def harmonics_figure(solved: SolvedDesign, found: Inspection) -> Any:
    """Harmonics at the output and THD against the input level."""
    sines = SineRunner(solved, found.frequency_hz).run(_LEVELS_V)
    last = list(solved.design.stages)[-1]
    lines = np.abs(sines.spectrum(last))
    subtitle = f"sine of {format_quantity(found.frequency_hz, 'Hz')}"
    figure = new_figure(8.0, 6.4, f"{solved.design.name}: harmonics against level", subtitle)
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    for k in range(min(len(_ORDINALS), len(lines))):
        top.loglog(_LEVELS_V, np.maximum(lines[k], 1e-12), label=_ORDINALS[k], **line_style(k))
    top.set_ylim(max(lines[0].max() * 1e-5, 1e-7), lines[0].max() * 2.0)
    top.set_ylabel("output (V peak)")
    top.legend(ncols=len(_ORDINALS), loc="lower left", bbox_to_anchor=(0.0, 1.0))
    bottom.semilogx(_LEVELS_V, 100.0 * sines.distortion(last), **line_style(0))
    bottom.set_ylabel("THD (%)")
    bottom.set_ylim(bottom=0.0)
    bottom.set_xlabel("input (V peak)")
    bottom.set_xlim(_LEVELS_V[0], _LEVELS_V[-1])
    level_axis(bottom.xaxis)
    level_axis(top.yaxis)
    for axis in (top, bottom):
        axis.axvline(found.level_v, color=FAINT, linewidth=1.0, linestyle=(0, (1, 2)))
    bottom.annotate(
        f" {format_quantity(found.level_v, 'V')}", (found.level_v, 0.0), color="#555555",
        va="bottom", fontsize=8.5,
    )  # fmt: skip
    return figure


def ladder_figure(found: Inspection) -> Any | None:
    """Input level from which each stage limits, as set and with the drive turned down."""
    ladders = [("as set", found.ladder)]
    if found.clean_up is not None:
        knobs = ", ".join(f"{name} {p:g}" for name, p in found.clean_up.settings.items())
        ladders.append((knobs, found.clean_up.ladder))
    names = [limit.stage for limit in found.ladder.limits if math.isfinite(limit.input_v)]
    if not names:
        return None
    tone = f"sine of {format_quantity(found.frequency_hz, 'Hz')}"
    subtitle = f"{tone}; a block limits to the right of its mark"
    figure = new_figure(8.0, 1.9 + 0.62 * len(names), f"{found.design.name}: headroom", subtitle)
    axis = figure.subplots()
    for k, (label, ladder) in enumerate(ladders):
        colour = line_style(k)["color"]
        by_stage = {limit.stage: limit.input_v for limit in ladder.limits}
        for row, name in enumerate(names):
            level = by_stage[name]
            if not math.isfinite(level):
                continue
            height = row + 0.18 * (2 * k - len(ladders) + 1)
            axis.plot([level, 10.0], [height, height], color=colour, alpha=0.28, linewidth=7,
                      solid_capstyle="butt")  # fmt: skip
            axis.plot(level, height, "o" if k == 0 else "s", color=colour, markersize=7,
                      markerfacecolor=colour if k == 0 else "white",
                      label=label if row == 0 else None)  # fmt: skip
            axis.annotate(
                format_quantity(level, "V"), (level, height), xytext=(-8, 0), ha="right",
                va="center", textcoords="offset points", fontsize=8.5, color=INK, zorder=3,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            )  # fmt: skip
    axis.axvline(found.level_v, color=INK, linewidth=1.0, linestyle=(0, (1, 2)))
    axis.set_yticks(range(len(names)), names)
    axis.set_ylim(len(names) - 0.4, -0.6)
    axis.set_xscale("log")
    axis.set_xlim(LOWEST_V / 3.0, 10.0)
    axis.set_xlabel(
        f"input (V peak); dotted: {format_quantity(found.level_v, 'V')}, a typical note"
    )
    axis.grid(visible=False, axis="y")
    level_axis(axis.xaxis)
    axis.legend(ncols=2, loc="lower left", bbox_to_anchor=(0.0, 1.0))
    return figure


def _sine_text(found: Inspection) -> str:
    return (
        f"sine of {format_quantity(found.frequency_hz, 'Hz')}, "
        f"{format_quantity(found.level_v, 'V')} peak at the input"
    )
