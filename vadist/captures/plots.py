"""Pictures of a check: overlay, residual and spectra."""

from pathlib import Path
from typing import Any

import numpy as np

from vadist.captures.check import CheckReport
from vadist.captures.limits import write_figure
from vadist.captures.report import WORDS
from vadist.errors import UsageError
from vadist.files import PartialFile, told
from vadist.measure.records import FloatArray
from vadist.names import printable
from vadist.plots.style import audio_axis, line_style, look, new_figure

MEASURED, MODELLED, DIFFERENCE = (line_style(k)["color"] for k in range(3))
_LOWEST_HZ = 20.0
_ZOOM_S = 10e-3
_COLUMNS = 200
_UNSET = {".png": "Software", ".svg": "Date", ".pdf": "CreationDate"}


def plot_check(report: CheckReport, path: str | Path, *, overwrite: bool = False) -> Path:
    """Draw measured over modelled, their difference, and both spectra.

    Parameters
    ----------
    report : CheckReport
    path : str or Path
        ``.png``, ``.svg`` or ``.pdf``.
    overwrite : bool

    Raises
    ------
    UsageError, AudioFileError
        If it cannot be written there; a file that stood there is left as it was.
    """
    path = require_plot_name(path)
    # No date and no version in the file: equal checks are equal byte for byte.
    unset = _UNSET[path.suffix.lower()]
    target = PartialFile(path, overwrite)
    try:
        with look(), told(path, "cannot be written"):
            figure = _figure(report)
            figure.savefig(target.partial, format=path.suffix[1:].lower(), metadata={unset: None})
        target.commit()
    finally:
        target.discard()
    return path


def require_plot_name(path: str | Path) -> Path:
    """Return the path, if its ending names a format that a plot is written in.

    Raises
    ------
    UsageError
    """
    path = Path(path)
    if path.suffix.lower() not in _UNSET:
        raise UsageError(f"{printable(path)}: a plot is written as .png, .svg or .pdf")
    return path


def _figure(report: CheckReport) -> Any:
    name = printable(Path(report.name).name)
    title = f"{WORDS[report.verdict]}: {name} against {printable(report.design)}"
    subtitle = f"ESR {write_figure(report.figures.esr_db, 'dB')}; the grey part is shown below"
    figure = new_figure(9.0, 10.4, title, subtitle)
    whole, near, rest, spectra = figure.subplots(4, 1, height_ratios=[2, 3, 2, 3])
    ms = 1e3 * report.time_s
    error = report.measured - report.predicted
    zoom = _busiest(report)
    _draw_whole(whole, report, ms)
    whole.axvspan(ms[zoom][0], ms[zoom][-1], color="0.85", zorder=0)
    near.plot(ms[zoom], report.measured[zoom], **_style(0, 1.8))
    near.plot(ms[zoom], report.predicted[zoom], **_style(1, 1.3))
    rest.plot(ms, 1e3 * error, color=DIFFERENCE, lw=0.7)
    for axes, name in ((whole, "output (V)"), (near, "output (V)"), (rest, "difference (mV)")):
        axes.set_ylabel(name)
        axes.set_xlabel("time (ms)")
        axes.margins(x=0.0)
    whole.set_title("The whole capture")
    near.set_title("Where the difference is largest")
    rest.set_title("Difference")
    spectra.set_title("Spectra")
    _draw_spectra(spectra, report, error)
    return figure


def _style(index: int, width: float) -> dict[str, Any]:
    return {**line_style(index), "linewidth": width}


def _busiest(report: CheckReport) -> slice:
    """The stretch around the largest difference."""
    step = float(report.time_s[1] - report.time_s[0])
    length = min(round(_ZOOM_S / step), len(report.time_s))
    worst = int(np.argmax(np.abs(report.measured - report.predicted)))
    first = int(np.clip(worst - length // 2, 0, len(report.time_s) - length))
    return slice(first, first + length)


def _draw_whole(axes: Any, report: CheckReport, ms: FloatArray) -> None:
    """Upper and lower ends over short stretches: a long record is an envelope at this width."""
    length = max(len(ms) // _COLUMNS, 1)
    count = len(ms) // length
    at = ms[: count * length].reshape(count, length).mean(axis=1)

    def ends(wave: FloatArray) -> tuple[FloatArray, FloatArray]:
        stretches = wave[: count * length].reshape(count, length)
        return stretches.min(axis=1), stretches.max(axis=1)

    low, high = ends(report.measured)
    if length > 1:
        axes.fill_between(at, low, high, color=MEASURED, lw=0, alpha=0.45)
    axes.plot(at, high, **_style(0, 1.6), label="measured")
    axes.plot(at, low, **_style(0, 1.6))
    low, high = ends(report.predicted)
    axes.plot(at, high, **_style(1, 1.1), label="modelled")
    axes.plot(at, low, **_style(1, 1.1))
    _legend(axes)


def _draw_spectra(axes: Any, report: CheckReport, error: FloatArray) -> None:
    lines = (
        (report.measured, _style(0, 1.8), "measured"),
        (report.predicted, _style(1, 1.3), "modelled"),
        (error, {"color": DIFFERENCE, "linewidth": 1.0}, "difference"),
    )
    interval_s = float(report.time_s[1] - report.time_s[0])
    for wave, style, label in lines:
        hz, level = _spectrum(wave, interval_s)
        axes.plot(hz, level, **style, label=label)
    audio_axis(axes)
    axes.set_xlim(max(_LOWEST_HZ, 2.0 / (interval_s * len(error))), report.top_hz)
    top = max(float(line.get_ydata().max()) for line in axes.get_lines())
    axes.set_ylim(top - 100.0, top + 6.0)
    axes.set_ylabel("level in 1/24 octaves (dBV)")
    _legend(axes)


def _legend(axes: Any) -> None:
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0.2)


def _spectrum(wave: FloatArray, interval_s: float) -> tuple[FloatArray, FloatArray]:
    """Level in bands of 1/24 octave, or in bins where those are wider, dBV."""
    window = np.hanning(len(wave))
    bins = np.fft.rfft((wave - wave.mean()) * window)
    power = 2.0 * np.abs(bins[1:]) ** 2 / (len(wave) * float(np.sum(window**2)))
    hz = np.fft.rfftfreq(len(wave), interval_s)[1:]
    band = np.floor(24.0 * np.log2(hz / hz[0])).astype(int)
    first = np.flatnonzero(np.diff(band, prepend=-1))
    sums = np.add.reduceat(power, first)
    middle = np.sqrt(hz[first] * hz[np.append(first[1:], len(hz)) - 1])
    return middle, np.asarray(10.0 * np.log10(np.maximum(sums, 1e-24)))
