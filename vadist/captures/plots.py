"""Pictures of a check: overlay, residual and spectra."""

from pathlib import Path
from typing import Any

import numpy as np

from vadist.captures.check import CheckReport
from vadist.captures.limits import write_figure
from vadist.captures.report import WORDS
from vadist.errors import UsageError
from vadist.measure.records import FloatArray

# M. Okabe and K. Ito's palette, told apart by all kinds of colour vision (2008).
MEASURED, MODELLED, DIFFERENCE = "#0072B2", "#D55E00", "#009E73"
_LOWEST_HZ = 20.0
_ZOOM_S = 10e-3
_COLUMNS = 600


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
    UsageError
        If it cannot be written there.
    """
    from matplotlib.figure import Figure

    path = Path(path)
    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise UsageError(f"{path}: a plot is written as .png, .svg or .pdf")
    if path.exists() and not overwrite:
        raise UsageError(f"{path}: exists; choose another name or --overwrite")
    figure = Figure(figsize=(9.0, 10.0), layout="constrained")
    whole, near, rest, spectra = figure.subplots(4, 1, height_ratios=[2, 3, 2, 3])
    ms = 1e3 * report.time_s
    error = report.measured - report.predicted
    verdict = WORDS[report.verdict]
    figure.suptitle(
        f"{Path(report.name).name} against {report.design}: {verdict}, "
        f"ESR {write_figure(report.figures.esr_db, 'dB')}"
    )
    zoom = _busiest(report)
    _draw_whole(whole, report, ms)
    whole.axvspan(ms[zoom][0], ms[zoom][-1], color="0.85", zorder=0)
    whole.set_title("the grey part is shown below", fontsize="medium", loc="right")
    near.plot(ms[zoom], report.measured[zoom], color=MEASURED, lw=1.8)
    near.plot(ms[zoom], report.predicted[zoom], color=MODELLED, lw=1.2, ls="--")
    for axes in (whole, near):
        axes.set_ylabel("output (V)")
    rest.plot(ms, 1e3 * error, color=DIFFERENCE, lw=0.7)
    rest.set_ylabel("difference (mV)")
    for axes in (whole, near, rest):
        axes.set_xlabel("time (ms)")
    _draw_spectra(spectra, report, error)
    for axes in (whole, near, rest, spectra):
        axes.grid(color="0.9")
        axes.margins(x=0.0)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(path, dpi=120)
    except OSError as failure:
        raise UsageError(f"{path}: cannot be written: {failure.strerror}") from None
    return path


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
    axes.plot(at, high, color=MEASURED, lw=1.6, label="measured")
    axes.plot(at, low, color=MEASURED, lw=1.6)
    low, high = ends(report.predicted)
    axes.plot(at, high, color=MODELLED, lw=1.0, ls="--", label="modelled")
    axes.plot(at, low, color=MODELLED, lw=1.0, ls="--")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, frameon=False)


def _draw_spectra(axes: Any, report: CheckReport, error: FloatArray) -> None:
    lines = (
        (report.measured, MEASURED, "-", 1.8, "measured"),
        (report.predicted, MODELLED, "--", 1.2, "modelled"),
        (error, DIFFERENCE, "-", 1.0, "difference"),
    )
    interval_s = float(report.time_s[1] - report.time_s[0])
    for wave, colour, style, width, label in lines:
        hz, level = _spectrum(wave, interval_s)
        axes.semilogx(hz, level, color=colour, ls=style, lw=width, label=label)
    axes.set_xlim(max(_LOWEST_HZ, 2.0 / (interval_s * len(error))), report.top_hz)
    top = max(float(line.get_ydata().max()) for line in axes.get_lines())
    axes.set_ylim(top - 100.0, top + 6.0)
    axes.set_xlabel("frequency (Hz)")
    axes.set_ylabel("level in 1/24 octaves (dBV)")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, frameon=False)


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
