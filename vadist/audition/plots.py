"""Plots of an audition: what the candidates do to the band, to a take and to a sine."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from vadist.audition.run import AuditionResult, Track
from vadist.measure.records import AUDIO_BAND_HZ
from vadist.quantities import format_quantity

# Okabe and Ito's colours that stand on white paper; the reference is black.
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
_DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)))
_MARKERS = "osD^vP"
_FAMILY = 12
# More candidates than colours are told apart by: they are drawn as a family, from dark to light.
_LEGEND = 16
_SIZE_IN = (8.0, 4.8)
_DPI = 150
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)


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
    drawn = []
    for name, draw in (
        ("response.png", _draw_response),
        ("third_octaves.png", _draw_third_octaves),
        ("harmonics.png", _draw_harmonics),
    ):
        if name == "third_octaves.png" and not result.candidates:
            continue
        figure, axes = _figure()
        draw(axes, result)
        _legend(axes, len(result.candidates))
        # No date and no version in the file: equal auditions are equal byte for byte.
        figure.savefig(folder / name, metadata={"Software": None})
        drawn.append(name)
    return drawn


def _figure() -> tuple[Any, Any]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE_IN, dpi=_DPI, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(visible=True, color="#d9d9d9", linewidth=0.6)
    axes.set_axisbelow(True)
    return figure, axes


def _style(number: int, count: int) -> dict[str, Any]:
    """Colour, dash and marker of a candidate."""
    if count > _FAMILY:
        from matplotlib import colormaps

        shade = colormaps["cividis"](0.9 * number / (count - 1))
        return {"color": shade, "linewidth": 1.2, "linestyle": "-"}
    return {
        "color": _COLOURS[number % len(_COLOURS)],
        "linestyle": _DASHES[(number // len(_COLOURS) + number) % len(_DASHES)],
        "linewidth": 1.8,
    }


def _lines(result: AuditionResult) -> list[tuple[Track, dict[str, Any]]]:
    """Reference and candidates with their styles."""
    count = len(result.candidates)
    styled = [(track, _style(k, count)) for k, track in enumerate(result.candidates)]
    return [(result.reference, {"color": "black", "linewidth": 2.4, "zorder": 1.5}), *styled]


def _draw_response(axes: Any, result: AuditionResult) -> None:
    for track, style in _lines(result):
        if track.behaviour is not None:
            hertz, gain = track.behaviour.frequencies_hz, track.behaviour.gain_db
            heard = (hertz >= AUDIO_BAND_HZ[0] / 1.02) & (hertz <= AUDIO_BAND_HZ[1] * 1.02)
            axes.plot(hertz[heard], gain[heard], label=track.name, **style)
    _frequency_axis(axes, _TICKS_HZ)
    axes.set_ylabel("gain (dB)")
    axes.set_title("Small-signal gain, input to output", loc="left")


def _draw_third_octaves(axes: Any, result: AuditionResult) -> None:
    for (track, style), marker in zip(_lines(result)[1:], _cycle(_MARKERS), strict=False):
        if track.comparison is not None:
            axes.plot(
                result.bands_hz, track.comparison.bands_db, label=track.name, marker=marker,
                markersize=3.5, **style,
            )  # fmt: skip
    axes.axhline(0.0, color="black", linewidth=1.0)
    _frequency_axis(axes, _TICKS_HZ)
    axes.set_ylabel("change against the reference (dB)")
    axes.set_title("Third-octave levels of the take, all at one loudness", loc="left")


def _draw_harmonics(axes: Any, result: AuditionResult) -> None:
    lines = [
        (track.distortion.harmonics_db, track.name, style)
        for track, style in _lines(result)
        if track.distortion is not None
    ]
    orders = np.arange(2, len(lines[0][0]) + 1)
    width = 0.8 / len(lines)
    floor = -80.0
    for k, (levels, name, style) in enumerate(lines):
        tops = np.maximum(np.nan_to_num(levels[1:], nan=floor), floor)
        if len(lines) > _FAMILY:  # bars would be too thin to tell
            heard = np.where(tops > floor, tops, np.nan)
            marks = {**style, "linestyle": "none"}
            axes.plot(
                orders, heard, marker="_", markersize=18, markeredgewidth=2, label=name, **marks
            )
            continue
        place = orders + (k - (len(lines) - 1) / 2.0) * width
        axes.bar(place, tops - floor, width, bottom=floor, label=name, color=style["color"])
    probe = result.probe
    axes.set_ylim(floor - 1.0, max(0.0, axes.get_ylim()[1]))
    axes.set_xlim(orders[0] - 0.6, orders[-1] + 0.6)
    axes.set_xticks(orders)
    axes.set_xlabel("harmonic")
    axes.set_ylabel("level against the fundamental (dB)")
    axes.set_title(
        f"Harmonics of a {format_quantity(probe.frequency_hz, 'Hz')} sine of "
        f"{format_quantity(probe.peak_v, 'V')} peak", loc="left",
    )  # fmt: skip
    axes.grid(visible=False, axis="x")


def _frequency_axis(axes: Any, ticks: Sequence[int]) -> None:
    from matplotlib.ticker import NullLocator

    axes.set_xscale("log")
    axes.set_xlim(*AUDIO_BAND_HZ)
    axes.set_xticks(ticks, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in ticks])
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xlabel("frequency (Hz)")


def _legend(axes: Any, count: int) -> None:
    """Explain the lines below the axes; of a large family some, evenly, with the first and last."""
    handles, labels = axes.get_legend_handles_labels()
    if count > _LEGEND:
        chosen = np.linspace(0, len(labels) - 1, _LEGEND).round().astype(int)
        handles, labels = [handles[k] for k in chosen], [labels[k] for k in chosen]
    longest = max(map(len, labels), default=0)
    columns = 1 if longest > 52 else 2 if longest > 30 else 3
    axes.figure.legend(
        handles, labels, loc="outside lower left", ncols=columns, frameon=False, fontsize=8
    )


def _cycle(letters: str) -> list[str]:
    return list(letters) * 11
