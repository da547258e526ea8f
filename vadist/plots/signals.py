"""Large-signal pictures: traces, transfer curves, spectrum, harmonics against level, ladder."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.resting import resting_stages
from vadist.inspection.figures import Inspection
from vadist.large_signal.headroom import HIGHEST_V, LOWEST_V, THRESHOLD, Ladder, Rung
from vadist.large_signal.steady_sine import SOURCE, SineRunner, SteadySines
from vadist.plots.style import (
    FAINT,
    INK,
    LIMIT,
    grid_shape,
    hide_spare,
    level_axis,
    line_style,
    new_figure,
    panels,
)
from vadist.quantities import format_quantity
from vadist.stepping.batch import LANES

CURVE_HZ = 1e3
"""Frequency of the transfer curves: mid-band, where capacitors turn the phase least."""

COMPRESSED = 0.5
"""Share of its small-signal gain that a block still has at the level its transfer curve shows."""

_SAME = 1.01
# Levels of two ladders within 1 % are one mark.
_ROOM = 2.5
# Between the lowest mark and the edge of the picture, for the figure beside it.
_ORDINALS = ("fundamental", "2nd", "3rd", "4th", "5th", "6th")
_SPECTRUM_FLOOR_DB = -100.0
_LEVELS_V = np.geomspace(1e-3, 2.0, 64)


def scope_figure(solved: SolvedDesign, found: Inspection) -> Any:
    """Two periods at every node, against what each rests at, with the limits of what drives it."""
    sines = SineRunner(solved, found.frequency_hz).run([found.picture_level_v])
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
                axis.axhline(limit, color=LIMIT, linewidth=1.1, linestyle=(0, (5, 2)))
        axis.set_title(stage)
        axis.set_ylabel("volts")
        axis.set_xlim(0.0, time_ms[-1])
        axis.ticklabel_format(axis="y", useOffset=False)
    hide_spare(axes, len(stages))
    for axis in axes[max(len(stages) - columns, 0) : len(stages)]:
        axis.set_xlabel("time (ms)")
        axis.tick_params(labelbottom=True)
    return figure


@dataclass(frozen=True)
class TransferCurves:
    """Sines by which the transfer of every stage that limits is drawn.

    Attributes
    ----------
    stages : tuple of str
        Those that limit, in signal order.
    sines : SteadySines
        Two lanes a stage: where it begins to limit, then, after all of these, well past that.
    past_v : mapping of stage -> peak volts at the input
        The level of the second.
    limits_v : mapping of stage -> lowest and highest volts, or None
        What the device that drives it allows.
    """

    stages: tuple[str, ...]
    sines: SteadySines
    past_v: dict[str, float]
    limits_v: dict[str, tuple[float, float] | None]

    def draw(self, axis: Any, stage: str) -> None:
        """Draw output against input of one stage, as an oscilloscope shows it in X-Y."""
        sines, k = self.sines, self.stages.index(stage)
        for lane, width, look in ((k, 1.0, 1), (len(self.stages) + k, 2.0, 0)):
            x, y = _curve(sines, stage, lane)
            axis.plot(x, y, **{**line_style(look), "linewidth": width, "linestyle": "-"})
        slope = _slope(sines, stage)
        edge = np.array([-1.0, 1.0]) * min(np.abs(x).max(), 1.15 * np.abs(y).max() / abs(slope))
        axis.plot(edge, slope * edge, color=INK, linewidth=1.0, linestyle=(0, (1, 2)))
        for rail in self.limits_v[stage] or ():
            swing = rail - sines.rest_v[stage]
            axis.axhline(swing, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
        axis.set_xlabel("input (V)")
        axis.set_ylabel("output (V)")


def transfer_curves(solved: SolvedDesign, ladder: Ladder) -> TransferCurves | None:
    """Settle the sines of :class:`TransferCurves`; None if no stage limits."""
    stages = tuple(limit.stage for limit in ladder.limits if math.isfinite(limit.input_v))
    if not stages:
        return None
    runner = SineRunner(solved, CURVE_HZ)
    first, past = limiting_levels(runner, stages)
    sines = runner.run([*(first[stage] for stage in stages), *(past[stage] for stage in stages)])
    limits = {name: rest.limits_v for name, rest in resting_stages(solved).items()}
    return TransferCurves(stages, sines, past, limits)


def transfer_figure(solved: SolvedDesign, ladder: Ladder) -> Any | None:
    """Output against input of every stage that limits, as an oscilloscope shows it in X-Y."""
    curves = transfer_curves(solved, ladder)
    if curves is None:
        return None
    rows, columns = grid_shape(len(curves.stages))
    subtitle = (
        f"X-Y at {format_quantity(CURVE_HZ, 'Hz')}, deviation from rest, fundamentals turned into "
        "step; thin: 1 % distortion of its own,\nthick: where it has lost half its gain, or "
        f"at {HIGHEST_V:g} V; dotted: small signal; dashed: how far the device can swing.\n"
        "A thick curve beside the dotted line has moved from rest: the clipped signal charges the "
        "block's capacitors."
    )
    figure = new_figure(
        max(4.3 * columns, 9.0), 3.6 * rows + 1.1, f"{solved.design.name}: transfer", subtitle
    )
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    for axis, stage in zip(axes, curves.stages, strict=False):
        curves.draw(axis, stage)
        past = format_quantity(curves.past_v[stage], "V")
        axis.set_title(f"{stage}, at {past} into the design")
    hide_spare(axes, len(curves.stages))
    return figure


def limiting_levels(
    runner: SineRunner, stages: Sequence[str]
) -> tuple[dict[str, float], dict[str, float]]:
    """Input levels at which each stage adds 1 % of distortion, and has lost half its gain.

    Returns
    -------
    first, past : dict of stage -> peak volts
        On a grid of a quarter of an octave and less; :data:`HIGHEST_V` if not reached below.
    """
    levels = np.geomspace(LOWEST_V, HIGHEST_V, 4 * LANES)
    sines = runner.run(levels)
    first, past = {}, {}
    for stage in stages:
        into = np.abs(sines.spectrum(_before(sines, stage))[0])
        gain = np.abs(sines.spectrum(stage)[0]) / into / abs(sines.responses[stage][0])
        first[stage] = _first_level(levels, sines.added_distortion(stage) >= THRESHOLD)
        past[stage] = _first_level(levels, gain <= COMPRESSED)
    return first, past


def _first_level(levels: np.ndarray, reached: np.ndarray) -> float:
    return float(levels[np.argmax(reached)]) if reached.any() else HIGHEST_V


def _before(sines: SteadySines, stage: str) -> str:
    places = [SOURCE, *sines.responses]
    return places[places.index(stage) - 1]


def _slope(sines: SteadySines, stage: str) -> float:
    """Small-signal gain of a stage, negative if it inverts."""
    response = sines.responses[stage][0]
    return float(abs(response)) * (1.0 if response.real >= 0.0 else -1.0)


def _curve(sines: SteadySines, stage: str, lane: int) -> tuple[np.ndarray, np.ndarray]:
    """One closed period of a stage's input, turned into step, and its output."""
    before = _before(sines, stage)
    x, y = sines.volts[before][:, lane], sines.volts[stage][:, lane]
    now = sines.spectrum(stage)[0, lane] / sines.spectrum(before)[0, lane]
    x = _turned(x, float(np.angle(now / _slope(sines, stage))))
    return np.append(x, x[0]), np.append(y, y[0])


def _turned(wave: np.ndarray, phase_rad: float) -> np.ndarray:
    """One period shifted earlier by a phase of its fundamental."""
    lines = np.fft.rfft(wave)
    turned = lines * np.exp(1j * phase_rad * np.arange(len(lines)))
    return np.asarray(np.fft.irfft(turned, len(wave)))


def spectrum_figure(solved: SolvedDesign, found: Inspection, axes: Any = None) -> Any:
    """Harmonics at the output for the typical input."""
    sines = SineRunner(solved, found.frequency_hz).run([found.picture_level_v])
    lines = np.abs(sines.spectrum(list(solved.design.stages)[-1])[:, 0])
    level = 20.0 * np.log10(np.maximum(lines / lines[0], 1e-12))
    heading = (f"{solved.design.name}: output spectrum", _sine_text(found))
    figure, (axis,) = panels(axes, 1, (8.0, 4.4), heading)
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


def harmonics_figure(solved: SolvedDesign, found: Inspection, axes: Any = None) -> Any:
    """Harmonics at the output and THD against the input level, in two axes."""
    sines = SineRunner(solved, found.frequency_hz).run(_LEVELS_V)
    last = list(solved.design.stages)[-1]
    lines = np.abs(sines.spectrum(last))
    subtitle = f"sine of {format_quantity(found.frequency_hz, 'Hz')}"
    heading = (f"{solved.design.name}: harmonics against level", subtitle)
    figure, (top, bottom) = panels(axes, 2, (8.0, 6.4), heading, sharex=True, height_ratios=(3, 2))
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
        axis.axvline(found.picture_level_v, color=FAINT, linewidth=1.0, linestyle=(0, (1, 2)))
    bottom.annotate(
        f" {format_quantity(found.picture_level_v, 'V')}", (found.picture_level_v, 0.0),
        color="#555555",
        va="bottom", fontsize=8.5,
    )  # fmt: skip
    return figure


def ladder_figure(found: Inspection, axes: Any = None) -> Any | None:
    """Input level from which each stage limits, as set and with the drive turned down."""
    limits = [limit for limit in found.ladder.limits if math.isfinite(limit.input_v)]
    if not limits:
        return None
    turned, knobs = {}, ""
    if found.clean_up is not None:
        knobs = ", ".join(f"{name} {p:g}" for name, p in found.clean_up.settings.items())
        turned = {limit.stage: limit for limit in found.clean_up.ladder.limits}
    tone = f"sine of {format_quantity(found.frequency_hz, 'Hz')}"
    subtitle = f"{tone}; a block limits to the right of its mark"
    heading = (f"{found.design.name}: headroom", subtitle)
    figure, (axis,) = panels(axes, 1, (8.0, 2.0 + 0.62 * len(limits)), heading)
    rows = {limit.stage: ladder_marks(limit, turned.get(limit.stage)) for limit in limits}
    lowest = min(
        mark.input_v / (2.0 if mark.below else 1.0) for row in rows.values() for mark in row
    )
    named = set()
    for row, marks in enumerate(rows.values()):
        for k, mark in enumerate(marks):
            colour = line_style(k)["color"]
            height = row + 0.18 * (2 * k - len(marks) + 1)
            label = "as set" if k == 0 else knobs
            if len(marks) == 1 and turned:
                label, colour = f"as set and with {knobs}", INK
            axis.plot([mark.input_v, HIGHEST_V], [height, height], color=colour, alpha=0.28,
                      linewidth=7, solid_capstyle="butt")  # fmt: skip
            axis.plot(mark.input_v, height, "D" if colour == INK else "os"[k], color=colour,
                      markersize=6.5, markerfacecolor="white" if k else colour,
                      label=None if label in named else label)  # fmt: skip
            named.add(label)
            text = format_quantity(mark.input_v, "V")
            axis.annotate(
                f"below {text}" if mark.below else text, (mark.input_v, height), xytext=(-8, 0),
                ha="right", va="center", textcoords="offset points", fontsize=8.5, color=INK,
                zorder=3, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            )  # fmt: skip
    axis.axvline(found.level_v, color=INK, linewidth=1.0, linestyle=(0, (1, 2)))
    axis.set_yticks(range(len(rows)), list(rows))
    axis.set_ylim(len(limits) - 0.4, -0.6)
    axis.set_xscale("log")
    axis.set_xlim(min(lowest, found.level_v) / _ROOM, HIGHEST_V)
    axis.set_xlabel(
        f"input (V peak), to {HIGHEST_V:g} V; dotted: {format_quantity(found.level_v, 'V')}, "
        "a typical note"
    )
    axis.grid(visible=False, axis="y")
    level_axis(axis.xaxis)
    labels, handles = zip(*sorted(zip(*axis.get_legend_handles_labels()[::-1], strict=True),
                                  key=lambda pair: pair[0]), strict=True)  # fmt: skip
    axis.legend(handles, labels, ncols=3, loc="lower left", bbox_to_anchor=(0.0, 1.0))
    return figure


def ladder_marks(limit: Rung, turned: Rung | None) -> list[Rung]:
    """Marks in a stage's row: its limit as set and with the drive down, one if they are alike."""
    if turned is None or not math.isfinite(turned.input_v):
        return [limit]
    ratio = turned.input_v / limit.input_v
    return [limit] if 1.0 / _SAME < ratio < _SAME else [limit, turned]


def _sine_text(found: Inspection) -> str:
    return (
        f"sine of {format_quantity(found.frequency_hz, 'Hz')}, "
        f"{format_quantity(found.picture_level_v, 'V')} peak at the input"
    )
