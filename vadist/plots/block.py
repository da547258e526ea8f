"""Pictures of one block, small and light enough to stand in a page by the dozen.

Each is drawn from arrays that are there already, into a figure whose margins are fixed: laying
out by measuring texts would take longer than drawing.
"""

import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from vadist.arrays import FloatArray
from vadist.inspection.figures import Inspection
from vadist.plots.bode import Curve, draw_gain
from vadist.plots.signals import TransferCurves, ladder_figure
from vadist.plots.style import FAINT, LIMIT, audio_axis, line_style

_SIZE_IN = (4.2, 2.7)
_MARGINS = {"left": 0.155, "right": 0.965, "bottom": 0.17, "top": 0.91}
_FLOOR_DB = -80.0
_BANDS_DB = 80.0


def trace_figure(
    time_ms: FloatArray,
    before: FloatArray,
    after: FloatArray,
    rest_v: float,
    limits_v: Sequence[float],
) -> Any:
    """A block's input over its output, as a scope with two channels shows them.

    Parameters
    ----------
    time_ms : (samples,)
    before, after : (samples,)
        Deviations from rest in volts.
    rest_v : float
        Where the output rests.
    limits_v : sequence of float
        How far the device that drives the output can swing; those far away are left out.
    """
    figure, (top, bottom) = _figure(2)
    # Channel 2 has the colour of what comes out in every picture.
    top.plot(time_ms, before, **{**line_style(1), "linestyle": "-", "linewidth": 1.3})
    bottom.plot(time_ms, rest_v + after, **{**line_style(0), "linewidth": 1.5})
    top.axhline(0.0, color=FAINT, linewidth=0.8, linestyle=(0, (1, 2)))
    bottom.axhline(rest_v, color=FAINT, linewidth=0.8, linestyle=(0, (1, 2)))
    reach = max(float(np.ptp(after)), 1e-9)
    low, high = rest_v + after.min() - reach, rest_v + after.max() + reach
    for limit in limits_v:
        if low < limit < high:
            bottom.axhline(limit, color=LIMIT, linewidth=1.1, linestyle=(0, (5, 2)))
    top.set_ylabel("in (V)")
    bottom.set_ylabel("out (V)")
    bottom.set_xlabel("time (ms)")
    for axis in (top, bottom):
        axis.set_xlim(time_ms[0], time_ms[-1])
        axis.ticklabel_format(axis="y", useOffset=False)
        axis.locator_params(axis="y", nbins=4)
    top.tick_params(labelbottom=False)
    figure.align_ylabels()
    return figure


def lines_figure(orders: FloatArray, before: FloatArray, after: FloatArray) -> Any:
    """Harmonics before and after a block, each against its own fundamental.

    Parameters
    ----------
    orders : (harmonics,)
    before, after : (harmonics,)
        Magnitudes.
    """
    figure, (axis,) = _figure(1)
    for shift, lines, label, look in ((-0.18, before, "before", 1), (0.18, after, "after", 0)):
        level = 20.0 * np.log10(np.maximum(lines / max(lines[0], 1e-300), 1e-12))
        kept = level > _FLOOR_DB
        colour, place = line_style(look)["color"], orders[kept] + shift
        axis.vlines(place, _FLOOR_DB, level[kept], color=colour, linewidth=1.6)
        axis.plot(
            place, level[kept], "s" if look else "o", color=colour, markersize=4, label=label,
            markerfacecolor="white" if look else colour,
        )  # fmt: skip
    axis.set_xlim(0.3, min(float(orders[-1]), 15.0) + 0.7)
    axis.set_ylim(_FLOOR_DB, 4.0)
    axis.set_xlabel("harmonic")
    axis.set_ylabel("dB to its fundamental")
    axis.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, borderaxespad=0.0)
    return figure


def bands_figure(frequencies_hz: FloatArray, before_db: FloatArray, after_db: FloatArray) -> Any:
    """Levels in narrow bands before and after a block, dB to a volt rms."""
    figure, (axis,) = _figure(1)
    for levels, label, look in ((before_db, "before", 1), (after_db, "after", 0)):
        style = {**line_style(look), "linewidth": 1.2}
        axis.semilogx(frequencies_hz, np.maximum(levels, -200.0), label=label, **style)
    top = float(max(before_db.max(), after_db.max())) + 4.0
    axis.set_ylim(top - _BANDS_DB, top)
    axis.set_ylabel("dBV in 1/12 octave")
    _few_hertz(axis)
    axis.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, borderaxespad=0.0)
    return figure


def gain_figure(curves: Sequence[Curve]) -> Any:
    """Gain of a block against frequency, at positions of the knob that moves it."""
    figure, (axis,) = _figure(1)
    draw_gain(axis, curves)
    _few_hertz(axis)
    return figure


def curve_figure(curves: TransferCurves, stage: str) -> Any:
    """Output of a block that limits against its input."""
    figure, (axis,) = _figure(1)
    curves.draw(axis, stage)
    axis.locator_params(nbins=5)
    return figure


def ladder_picture(found: Inspection) -> Any | None:
    """The headroom ladder without a heading of its own; None if nothing limits."""
    from matplotlib.figure import Figure

    rungs = len(found.ladder.rungs)
    if not rungs:
        return None
    figure = Figure(figsize=(7.0, 1.2 + 0.55 * rungs), layout="constrained")
    ladder_figure(found, figure.subplots())
    return figure


def svg_text(figure: Any) -> str:
    """A figure as SVG whose letters are letters: a quarter of what outlines would take."""
    import matplotlib

    file = io.BytesIO()
    with matplotlib.rc_context({"svg.fonttype": "none"}):
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None})
    text = file.getvalue().decode("utf-8")
    return text[text.index("<svg") :]


def _few_hertz(axis: Any) -> None:
    audio_axis(axis, few=True)
    axis.set_xlabel("frequency (Hz)")


def _figure(rows: int) -> tuple[Any, list[Any]]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE_IN)
    axes = figure.subplots(rows, 1, squeeze=False, sharex=rows > 1)[:, 0]
    figure.subplots_adjust(**_MARGINS, hspace=0.14)
    return figure, list(axes)
