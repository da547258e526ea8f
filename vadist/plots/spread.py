"""Pictures of many boards: a fan of responses, histograms, a ladder with whiskers."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.arrays import FloatArray
from vadist.plots.style import (
    COLOURS,
    FAINT,
    INK,
    LIMIT,
    audio_axis,
    grid_shape,
    hide_spare,
    level_axis,
    new_figure,
)

_FAN_DB = 60.0
# Below the loudest: what is quieter would only flatten the rest.


@dataclass(frozen=True)
class Histogram:
    """One figure of all boards.

    Attributes
    ----------
    name, unit : str
    values : (boards,)
    nominal : float
    limits : sequence of float
        Finite ends of what is asked for.
    """

    name: str
    unit: str
    values: FloatArray
    nominal: float
    limits: Sequence[float] = ()


def fan_figure(
    title: str, frequencies_hz: FloatArray, gains_db: FloatArray, nominal_db: FloatArray
) -> Any:
    """Gain of all boards over frequency: median, the middle 90 per cent, the extremes.

    Parameters
    ----------
    title : str
    frequencies_hz : (f,)
    gains_db : (boards, f)
    nominal_db : (f,)
    """
    figure = new_figure(8.0, 4.4, title, f"gain of {len(gains_db)} boards")
    axes = figure.subplots()
    low, median, high = np.nanpercentile(gains_db, (5.0, 50.0, 95.0), axis=0)
    axes.fill_between(
        frequencies_hz, np.nanmin(gains_db, axis=0), np.nanmax(gains_db, axis=0),
        color=COLOURS[0], alpha=0.15, linewidth=0.0, label="all boards",
    )  # fmt: skip
    axes.fill_between(
        frequencies_hz, low, high, color=COLOURS[0], alpha=0.35, linewidth=0.0,
        label="nine of ten",
    )  # fmt: skip
    axes.plot(frequencies_hz, median, color=COLOURS[0], label="median")
    axes.plot(frequencies_hz, nominal_db, color=INK, linestyle=(0, (6, 1.6)), label="as drawn")
    audio_axis(axes)
    top = float(np.nanmax(gains_db))
    axes.set_ylim(max(float(np.nanmin(gains_db)) - 3.0, top - _FAN_DB), top + 3.0)
    axes.set_ylabel("gain (dB)")
    axes.legend(loc="lower center")
    return figure


def histograms_figure(title: str, histograms: Sequence[Histogram]) -> Any:
    """How often each value of each figure is met."""
    rows, columns = grid_shape(len(histograms))
    figure = new_figure(8.0, 2.3 * rows + 0.6, title, "boards by value; dashed: as drawn")
    grid = figure.subplots(rows, columns, squeeze=False).ravel()
    for axes, told in zip(grid, histograms, strict=False):
        scale, prefix = _scale(told)
        there = told.values[np.isfinite(told.values)] * scale
        bins = min(max(round(math.sqrt(len(there))), 8), 40)
        axes.hist(there, bins=bins, color=COLOURS[0], edgecolor="white", linewidth=0.4)
        if math.isfinite(told.nominal):
            axes.axvline(told.nominal * scale, color=INK, linestyle=(0, (6, 1.6)), linewidth=1.2)
        for limit in told.limits:
            axes.axvline(limit * scale, color=LIMIT, linewidth=1.4)
        axes.set_title(told.name)
        axes.set_xlabel(f"{prefix}{told.unit}")
        axes.set_yticks([])
    hide_spare(grid, len(histograms))
    return figure


def _scale(told: Histogram) -> tuple[float, str]:
    """Factor and prefix that leave numbers of one to three digits."""
    if told.unit not in ("V", "A", "Hz", "S"):
        return 1.0, ""
    size = float(np.nanmax(np.abs(told.values), initial=0.0))
    for power, prefix in ((6, "M"), (3, "k"), (0, ""), (-3, "m"), (-6, "µ")):
        if size >= 10.0**power:
            return 10.0**-power, prefix
    return 1e9, "n"


def whiskers_figure(
    title: str, nominal_v: Mapping[str, float], limits_v: Mapping[str, FloatArray]
) -> Any:
    """The headroom ladder with whiskers: where each block limits, board by board.

    Parameters
    ----------
    title : str
    nominal_v : mapping of block -> peak volts at the input
    limits_v : mapping of block -> (boards,) of the same
        Blocks that limit, the first to limit first.
    """
    boards = len(next(iter(limits_v.values())))
    figure = new_figure(
        8.0, 0.45 * len(limits_v) + 1.6, title,
        f"input at which each block first limits, {boards} boards; mark: as drawn",
    )  # fmt: skip
    axes = figure.subplots()
    for row, (block, levels) in enumerate(limits_v.items()):
        low, median, high = np.percentile(levels, (5.0, 50.0, 95.0))
        axes.plot([levels.min(), levels.max()], [row, row], color=FAINT, linewidth=1.2)
        axes.plot([low, high], [row, row], color=COLOURS[0], linewidth=6.0, alpha=0.5,
                  solid_capstyle="butt")  # fmt: skip
        axes.plot([median], [row], marker="|", markersize=12.0, color=COLOURS[0])
        axes.plot([nominal_v[block]], [row], marker="D", markersize=5.0, color=INK)
    axes.set_yticks(range(len(limits_v)), list(limits_v))
    axes.invert_yaxis()
    axes.set_xscale("log")
    every = np.concatenate([*limits_v.values(), [nominal_v[block] for block in limits_v]])
    decades = np.log10([every.min(), every.max()])
    axes.set_xlim(10.0 ** np.floor(decades[0]), 10.0 ** (np.floor(decades[1]) + 1.0))
    level_axis(axes.xaxis)
    axes.set_xlabel("peak volts at the input")
    return figure
