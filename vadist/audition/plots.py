"""Plots of an audition: what the candidates do to the band, to a take and to a sine."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from vadist.audition.names import short_labels
from vadist.audition.run import AuditionResult, Track
from vadist.measure.records import AUDIO_BAND_HZ
from vadist.plots.style import (
    INK,
    audio_axis,
    family_style,
    legend_below,
    legend_height_in,
    look,
    mark_style,
    new_figure,
    save,
)
from vadist.quantities import format_quantity

_FAMILY = 12
# More candidates than this are drawn from dark to light, so that a sweep shows its direction.
_NAMED = 30
# Of more lines than that only one in two or three is named.
_FLOOR_DB = -80.0
# Harmonics below are taken as there: what is left of them is the arithmetic's.
_MARKS = 6
_LEAST_SPAN_DB = 0.2

Line = tuple[Track, str, dict[str, Any]]


def draw_plots(result: AuditionResult, folder: Path) -> list[str]:
    """Draw the plots of an audition as PNG.

    Parameters
    ----------
    result : AuditionResult
    folder : Path
        Existing.

    Returns
    -------
    list of str
        Names of the files drawn.
    """
    plots: dict[str, Callable[[AuditionResult], Any]] = {
        "response": response_figure,
        "third_octaves": third_octaves_figure,
        "harmonics": harmonics_figure,
    }
    if not result.candidates:
        del plots["third_octaves"]
    with look():
        return [save(draw(result), folder, name, "png").name for name, draw in plots.items()]


def response_figure(result: AuditionResult) -> Any:
    """Small-signal gain of the reference and of every candidate."""
    figure = new_figure(
        8.0, 4.8 + _legend_in(result), "Small-signal gain", "input to output of the whole design"
    )
    axes = figure.subplots()
    lines = [_reference(result), *_candidates(result)]
    for k, (track, label, style) in enumerate(lines):
        found = track.behaviour
        if found is None:
            continue
        hertz = found.frequencies_hz
        heard = (hertz >= AUDIO_BAND_HZ[0] / 1.02) & (hertz <= AUDIO_BAND_HZ[1] * 1.02)
        apart = np.count_nonzero(heard) / _MARKS
        marked = (round(k / len(lines) * apart), round(apart))  # no two marks on one frequency
        axes.plot(
            hertz[heard], found.gain_db[heard], label=label or None, markevery=marked, **style
        )
    audio_axis(axes)
    axes.set_ylabel("gain (dB)")
    _legend(figure, axes, result)
    return figure


def third_octaves_figure(result: AuditionResult) -> Any:
    """Change of every third octave of the take against the reference."""
    subtitle = "change of each third octave of the take against the reference, at one loudness"
    figure = new_figure(8.0, 4.8 + _legend_in(result), "Third octaves", subtitle)
    axes = figure.subplots()
    for track, label, style in _candidates(result):
        if track.comparison is not None:
            axes.plot(result.bands_hz, track.comparison.bands_db, label=label or None, **style)
    axes.axhline(0.0, color=INK, linewidth=1.0)
    audio_axis(axes)
    axes.set_ylabel("change (dB)")
    _open_up(axes)
    _legend(figure, axes, result)
    return figure


def harmonics_figure(result: AuditionResult) -> Any:
    """Harmonics of the probe: the reference's levels, and each candidate's difference from them."""
    probe = result.probe
    title = (
        f"Harmonics of a {format_quantity(probe.frequency_hz, 'Hz')} sine of "
        f"{format_quantity(probe.peak_v, 'V')} peak"
    )
    reference, label, style = _reference(result)
    path, _ = _labels(result)
    held = reference.distortion
    assert held is not None
    lines = _candidates(result)
    subtitle = f"those below {_FLOOR_DB:g} dB count as {_FLOOR_DB:g} dB"
    figure = new_figure(8.0, 6.2 + _legend_in(result) if lines else 4.0, title, subtitle)
    shape = {"height_ratios": (2, 3)} if lines else {}
    panels = figure.subplots(2 if lines else 1, 1, sharex=True, squeeze=False, **shape).ravel()
    top = panels[0]
    levels = _floored(held.harmonics_db)
    orders = np.arange(2, len(levels) + 2)
    top.vlines(orders, _FLOOR_DB, levels, color=style["color"], linewidth=2.0)
    top.plot(orders, levels, "o", color=style["color"], markersize=6.0, clip_on=False, zorder=3)
    top.set_ylim(_FLOOR_DB, 0.0)
    top.set_ylabel("level against\nthe fundamental (dB)")
    top.set_title(f"{path} {label}" if path else label)
    panels[-1].set_xticks(orders)
    panels[-1].set_xlabel("harmonic")
    panels[-1].set_xlim(orders[0] - 0.4, orders[-1] + 0.4)
    if lines:
        below = panels[1]
        for track, label, style in lines:
            if track.distortion is not None:
                change = _floored(track.distortion.harmonics_db) - levels
                below.plot(orders, change, label=label or None, **style)
        below.axhline(0.0, color=INK, linewidth=1.0)
        below.set_ylabel("difference from\nthe reference (dB)")
        _open_up(below)
        _legend(figure, below, result)
    return figure


def _floored(harmonics_db: np.ndarray) -> np.ndarray:
    """Levels of the second harmonic and up, at least the floor."""
    return np.asarray(np.maximum(np.nan_to_num(harmonics_db[1:], nan=_FLOOR_DB), _FLOOR_DB))


def _reference(result: AuditionResult) -> Line:
    path, _ = _labels(result)
    label = f"reference: {dict(result.held)[path]}" if path else result.reference.name
    return result.reference, label, {"color": INK, "linewidth": 2.6, "zorder": 1.5}


def _candidates(result: AuditionResult) -> list[Line]:
    """Candidates with their labels, empty for those that go without, and styles."""
    count = len(result.candidates)
    step = _step(result)
    return [
        (
            track,
            label if k % step == 0 else "",
            family_style(k, count) if count > _FAMILY else mark_style(k),
        )
        for k, (track, label) in enumerate(zip(result.candidates, _labels(result)[1], strict=True))
    ]


def _labels(result: AuditionResult) -> tuple[str, list[str]]:
    return short_labels(
        [track.name for track in result.candidates], [t.changes for t in result.candidates]
    )


def _step(result: AuditionResult) -> int:
    return max(-(-len(result.candidates) // _NAMED), 1)


def _legend_in(result: AuditionResult) -> float:
    """Inches that the legend takes: those of its labels, of the reference and of the heading."""
    return legend_height_in(["", "", *_labels(result)[1][:: _step(result)]])


def _legend(figure: Any, axes: Any, result: AuditionResult) -> None:
    title, step = _labels(result)[0], _step(result)
    if step > 1:
        title = f"{title}; one in {step} is named".removeprefix("; ")
    legend_below(figure, axes, title)


def _open_up(axes: Any) -> None:
    """Keep differences of a hundredth of a decibel from filling the picture."""
    low, high = axes.get_ylim()
    missing = _LEAST_SPAN_DB - (high - low)
    if missing > 0.0:
        axes.set_ylim(low - missing / 2.0, high + missing / 2.0)
