"""Pictures of a check: overlay, residual and spectra."""

from pathlib import Path
from typing import Any

import numpy as np

from vadist.captures.check import CheckReport
from vadist.captures.limits import write_figure
from vadist.errors import UsageError
from vadist.measure.records import FloatArray

# M. Okabe and K. Ito's palette, told apart by all kinds of colour vision (2008).
MEASURED, MODELLED, DIFFERENCE = "#0072B2", "#D55E00", "#009E73"
_LOWEST_HZ = 20.0
_ZOOM_S = 10e-3


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
    verdict = "PASS" if report.passed else "FAIL"
    figure.suptitle(
        f"{Path(report.name).name} against {report.design}: {verdict}, "
        f"ESR {write_figure(report.figures.esr_db, 'dB')}"
    )
    zoom = _busiest(report)
    for axes, part in ((whole, slice(None)), (near, zoom)):
        axes.plot(ms[part], report.measured[part], color=MEASURED, lw=1.6, label="measured")
        axes.plot(
            ms[part], report.predicted[part], color=MODELLED, lw=1.0, ls="--", label="modelled"
        )
        axes.set_ylabel("output (V)")
        axes.set_xlabel("time (ms)")
    whole.axvspan(ms[zoom][0], ms[zoom][-1], color="0.88", zorder=0)
    whole.set_title("whole comparison; the grey part is shown below", fontsize="medium")
    near.legend(loc="upper right")
    rest.plot(ms, 1e3 * error, color=DIFFERENCE, lw=0.8)
    rest.set_ylabel("measured - modelled (mV)")
    rest.set_xlabel("time (ms)")
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


def _draw_spectra(axes: Any, report: CheckReport, error: FloatArray) -> None:
    lines = (
        (report.measured, MEASURED, "-", 1.6, "measured"),
        (report.predicted, MODELLED, "--", 1.0, "modelled"),
        (error, DIFFERENCE, "-", 0.8, "difference"),
    )
    for wave, colour, style, width, label in lines:
        hz, level = _spectrum(wave, float(report.time_s[1] - report.time_s[0]))
        axes.semilogx(hz, level, color=colour, ls=style, lw=width, label=label)
    axes.set_xlim(_LOWEST_HZ, report.top_hz)
    top = max(float(line.get_ydata().max()) for line in axes.get_lines())
    axes.set_ylim(top - 110.0, top + 6.0)
    axes.set_xlabel("frequency (Hz)")
    axes.set_ylabel("level (dBV)")
    axes.legend(loc="lower left")


def _spectrum(wave: FloatArray, interval_s: float) -> tuple[FloatArray, FloatArray]:
    """Level of each bin as that of a sine in it (Hann window), dBV."""
    window = np.hanning(len(wave))
    bins = np.fft.rfft((wave - wave.mean()) * window) * 2.0 / window.sum()
    hz = np.fft.rfftfreq(len(wave), interval_s)
    level = 20.0 * np.log10(np.maximum(np.abs(bins) / np.sqrt(2.0), 1e-12))
    return np.asarray(hz[1:], dtype=np.float64), np.asarray(level[1:], dtype=np.float64)
