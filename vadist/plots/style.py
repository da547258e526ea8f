"""The look of every picture: quiet axes, lines that survive print and colour blindness.

Colours are those of Okabe and Ito (Color Universal Design, 2008, from memory, not located), black
kept for what others are held against. No line is told by its colour alone: each has its own dashes
too, and where marks are drawn its own mark.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from vadist.errors import UsageError

INK = "#222222"
FAINT = "#8a8a8a"

LIMIT = "#D55E00"
"""Colour of a rail or another level that cannot be passed."""

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
DASHES: tuple[Any, ...] = (
    "-",
    (0, (6, 1.6)),
    (0, (3, 1.2, 1, 1.2)),
    (0, (1.2, 1.2)),
    (0, (8, 1.5, 1, 1.5, 1, 1.5)),
    (0, (4, 3)),
)
MARKERS = "osD^vPX<>*h"
"""Eleven marks against six colours: 66 lines until a pair comes back."""

_RC = {
    "figure.facecolor": "white",
    "axes.edgecolor": FAINT,
    "axes.linewidth": 0.8,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.titlelocation": "left",
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.labelsize": 9.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "legend.fontsize": 8.5,
    "legend.frameon": False,
    "legend.handlelength": 3.2,
    "lines.linewidth": 1.7,
    "font.size": 9.5,
    "savefig.dpi": 160,
    "svg.hashsalt": "vadist",
}

# Letters of the legend's size that stand side by side in eight inches, and what a handle takes.
_LEGEND_LETTERS, _LEGEND_HANDLE, _LEGEND_COLUMNS = 112, 8, 7
_LEGEND_ROW_IN = 0.19
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)


@contextmanager
def look() -> Iterator[None]:
    """Apply the look to every figure made inside, leaving the caller's settings alone."""
    import matplotlib

    with matplotlib.rc_context(_RC):  # type: ignore[arg-type, unused-ignore]
        yield


def new_figure(width_in: float, height_in: float, title: str, subtitle: str = "") -> Any:
    """Return an empty figure with its heading; it needs no display."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    heading = title + "\n" * (subtitle.count("\n") + 1 if subtitle else 0)
    figure.suptitle(heading, x=0.01, ha="left", fontsize=13, fontweight="bold", color=INK)
    if subtitle:
        # Below the heading's first line, whatever the height of the figure.
        figure.text(
            0.01,
            1.0 - 0.34 / height_in,
            subtitle,
            ha="left",
            va="top",
            fontsize=9.5,
            color="#555555",
        )
    return figure


def panels(
    axes: Any, count: int, size_in: tuple[float, float], heading: tuple[str, str], **layout: Any
) -> tuple[Any, list[Any]]:
    """Return a figure and the axes to draw in: the caller's, or those of a new figure.

    Parameters
    ----------
    axes : matplotlib Axes, sequence of them from top to bottom, or None for a new figure
    count : int
        How many are needed.
    size_in, heading : of a new figure; the caller's keeps its own
    layout : of a new figure's rows

    Raises
    ------
    UsageError
        If another number of axes was given.
    """
    if axes is None:
        figure = new_figure(*size_in, *heading)
        new = figure.subplots(count, 1, squeeze=False, **layout)
        return figure, list(new[:, 0])
    given = list(axes) if hasattr(axes, "__iter__") else [axes]
    if len(given) != count:
        raise UsageError(f"axes: this picture needs {count} (got {len(given)})")
    return given[0].figure, given


def line_style(index: int) -> dict[str, Any]:
    """Colour and dashes of the n-th line, none of 36 alike.

    >>> len({str(line_style(k)) for k in range(36)})
    36
    """
    turn, colour = divmod(index, len(COLOURS))
    return {
        "color": COLOURS[colour],
        "linestyle": DASHES[(colour + turn) % len(DASHES)],
    }


def mark_style(index: int) -> dict[str, Any]:
    """Colour, dashes and mark of the n-th line; every second turn of the colours is hollow.

    >>> len({str(mark_style(k)) for k in range(64)})
    64
    """
    style = {**line_style(index), "marker": MARKERS[index % len(MARKERS)], "markersize": 4.5}
    hollow = (index // len(COLOURS)) % 2 == 1
    return {**style, "markerfacecolor": "white" if hollow else style["color"]}


def family_style(index: int, count: int) -> dict[str, Any]:
    """Return the style of one of many lines: from dark to light in their order, dashed in turn."""
    from matplotlib import colormaps

    shade = colormaps["cividis"](0.92 * index / max(count - 1, 1))
    return {
        "color": shade,
        "linewidth": 1.2,
        "linestyle": DASHES[index % 3],
        "marker": MARKERS[index % len(MARKERS)],
        "markersize": 3.5,
    }


def legend_below(figure: Any, axes: Any, title: str = "") -> None:
    """Explain the lines of some axes under the picture, in as many columns as the labels allow."""
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="outside lower left", ncols=_legend_columns(labels),
        title=title or None, alignment="left", fontsize=8.5, title_fontsize=8.5,
    )  # fmt: skip


def legend_height_in(labels: Sequence[str]) -> float:
    """Height that :func:`legend_below` needs: a picture is made higher by it, not its axes lower.

    >>> legend_height_in(["4n7", "10n", "22n"]) < legend_height_in(["a rather long label"] * 9)
    True
    """
    return _LEGEND_ROW_IN * -(-len(labels) // _legend_columns(labels))


def _legend_columns(labels: Sequence[str]) -> int:
    longest = max(map(len, labels), default=0)
    columns = min(_LEGEND_LETTERS // (longest + _LEGEND_HANDLE), _LEGEND_COLUMNS, len(labels))
    return max(columns, 1)


def audio_axis(axes: Any, *, labelled: bool = True, few: bool = False) -> None:
    """Make the horizontal axis 20 Hz to 20 kHz, logarithmic, with the ticks of the trade."""
    from matplotlib.ticker import FixedLocator, NullFormatter

    axes.set_xscale("log")
    axes.set_xlim(20.0, 20e3)
    ticks = [t for t in _TICKS_HZ if not few or t in (20, 100, 1000, 5000, 20000)]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xticklabels([tick_text(t) for t in ticks])
    axes.grid(visible=True, which="minor", axis="x", color="#eeeeee", linewidth=0.5)
    if labelled:
        axes.set_xlabel("frequency (Hz)")


def tick_text(hertz: float) -> str:
    """Text of a frequency tick.

    >>> tick_text(500), tick_text(2000)
    ('500', '2k')
    """
    return f"{hertz / 1000:g}k" if hertz >= 1000 else f"{hertz:g}"


def volts_text(volts: float) -> str:
    """Text of a level tick.

    >>> volts_text(0.001), volts_text(1.0), volts_text(1e-5)
    ('1m', '1', '10µ')
    """
    for scale, prefix in ((1.0, ""), (1e-3, "m"), (1e-6, "µ")):
        if volts >= scale * 0.999:
            return f"{volts / scale:.3g}{prefix}"
    return f"{volts / 1e-9:.3g}n"


def level_axis(axis: Any) -> None:
    """Write the ticks of a logarithmic axis of volts with prefixes."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.set_major_locator(LogLocator(base=10.0))
    axis.set_major_formatter(FuncFormatter(lambda value, _: volts_text(value)))
    axis.set_minor_formatter(NullFormatter())


def made(folder: Path) -> Path:
    """A folder for pictures, made if it is not there.

    Raises
    ------
    UsageError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be made: {error.strerror}") from None
    return folder


def save(figure: Any, folder: Path, name: str, kind: str) -> Path:
    """Write a figure as PNG or SVG.

    Raises
    ------
    UsageError
        If it cannot be written.
    """
    path = folder / f"{name}.{kind}"
    metadata: dict[str, Any] = {"Date": None} if kind == "svg" else {"Software": None}
    try:
        figure.savefig(path, metadata=metadata)
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from None
    return path


def grid_shape(count: int, columns: int = 3) -> tuple[int, int]:
    """Rows and columns for so many small pictures.

    >>> grid_shape(4), grid_shape(9)
    ((2, 2), (3, 3))
    """
    across = min(columns, count) if count != 4 else 2
    return -(-count // across), across


def hide_spare(axes: Sequence[Any], used: int) -> None:
    """Blank the places of a grid that hold nothing."""
    for spare in axes[used:]:
        spare.set_visible(False)
