"""Alignment of a model with a measurement: delay, clock, sign, gain and offset, each bounded.

The measurement is taken as ``sign (rest + gain (model((t - delay) (1 + clock)) - rest)) + offset``,
so that the gain of a probe is judged by the signal alone and not by volts at rest. A search finds
delay, clock and sign from anywhere, least squares refine them on what moves; what is not allowed to
vary stays put. How well windows of the measurement agree on the line found is told with it.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vadist.captures.search import Line, Windows, band_to_search
from vadist.captures.waveform import GRID, Waveform, grid_times
from vadist.errors import CaptureError, UnjudgedError, UsageError
from vadist.measure.records import FloatArray

_MOST_SAMPLES, _FEW_SAMPLES = 200_000, 10_000
_STRETCHES = 64
# Of a longer record 64 stretches spread over it are refined on: their noise averages out as well.

_WIDER = 4.0
_MOST_STEPS = 40

_DOUBT = 1.2
_NEARLY = 0.97
_MOST_REFINED = 3
# Lines that the search holds for nearly as good as the best are refined too; the error decides.


@dataclass(frozen=True)
class Freedom:
    """How far a measurement may depart from the model without being wrong.

    Attributes
    ----------
    gain : float
        Share by which the gain may be off (probe, attenuator); 0 keeps it at 1.
    offset_v : float
        Volts by which the zero may be off, besides what the gain makes of volts at rest; infinite
        behind a coupling capacitor.
    clock_ppm : float
        Parts per million between generator and oscilloscope; 0 if one clock serves both.
    delay_s : tuple of (least, most)
        When the model's first sample may appear in the measurement.
    sign : int
        +1 or -1 if known, 0 to find out.
    """

    gain: float = 0.03
    offset_v: float = 0.02
    clock_ppm: float = 0.0
    delay_s: tuple[float, float] = (-math.inf, math.inf)
    sign: int = 0

    def __post_init__(self) -> None:
        if not 0.0 <= self.gain < 1.0:
            raise UsageError(f"gain tolerance must be within 0..1 (got {self.gain:g})")
        if not self.offset_v >= 0.0:
            raise UsageError(f"offset tolerance must be >= 0 V (got {self.offset_v:g})")
        if not 0.0 <= self.clock_ppm <= 10_000.0:
            raise UsageError(
                f"clock tolerance must be within 0..10000 ppm (got {self.clock_ppm:g})"
            )
        if self.sign not in (-1, 0, 1):
            raise UsageError(f"sign must be -1, 0 or 1 (got {self.sign})")
        if not self.delay_s[0] <= self.delay_s[1]:
            raise UsageError(f"delay bounds must be in order (got {self.delay_s})")


@dataclass(frozen=True)
class Alignment:
    """Where the model lies in a measurement.

    Attributes
    ----------
    delay_s : float
        Time of the measurement at which the model's first sample appears.
    clock_ppm : float
        How much faster the measurement passes through the model than its own clock tells.
    sign : int
    gain, offset_v : float
    rest_v : float
        Where the model starts; the gain acts on what departs from it.
    at_bound : tuple of str
        What stopped at the end of what it was allowed.
    free_gain, free_offset_v : float
        What gain and offset would be without bounds.
    recognised : float
        How well short windows of the measurement are met by the model, each at a lag of its own:
        mean correlation, 1 at best.
    agreement : float
        Share of that which is left where all share one delay and one clock.
    """

    delay_s: float
    clock_ppm: float
    sign: int
    gain: float
    offset_v: float
    rest_v: float
    at_bound: tuple[str, ...] = ()
    free_gain: float = 1.0
    free_offset_v: float = 0.0
    recognised: float = 1.0
    agreement: float = 1.0

    def model_time(self, time_s: FloatArray) -> FloatArray:
        """Time within the model at times of the measurement."""
        return (time_s - self.delay_s) * (1.0 + 1e-6 * self.clock_ppm)

    def apply(self, model: Waveform, time_s: FloatArray) -> FloatArray:
        """What the measurement would be if the model were right."""
        moving = self.gain * (model.at(self.model_time(time_s)) - self.rest_v)
        return self.sign * (self.rest_v + moving) + self.offset_v


def align(
    measured: Waveform,
    model: Waveform,
    freedom: Freedom,
    top_hz: float,
    judged_s: tuple[float, float] | None = None,
) -> Alignment:
    """Find delay, clock, sign, gain and offset.

    Parameters
    ----------
    measured, model : Waveform
        Of one band.
    freedom : Freedom
    top_hz : float
        Top of that band.
    judged_s : tuple of (from, to), optional
        Part of the measurement that counts.

    Raises
    ------
    CaptureError
        If either is silent or nothing of them can overlap.
    """
    time_s = grid_times(measured.seconds, top_hz)
    if judged_s is not None:
        time_s = time_s[(time_s >= judged_s[0]) & (time_s <= judged_s[1])]
    if len(time_s) < 16:
        raise CaptureError("too little of the capture is left to align")
    target = measured.at(time_s)
    if np.ptp(target) == 0.0:
        raise UnjudgedError("could not be judged: the measured channel is silent")
    lags_s = _lags(time_s, model.seconds, freedom, top_hz)
    band_hz = band_to_search(model, top_hz, float(time_s[-1] - time_s[0]))
    wave = _limited(target, time_s, model, band_hz, top_hz)
    windows = _windows(wave, time_s, freedom, band_hz, lags_s)
    lines = windows.lines((freedom.sign,) if freedom.sign else (1, -1))
    near = [line for line in lines if line.score >= _NEARLY * lines[0].score][:_MOST_REFINED]

    def refined(line: Line, most: int, within_s: float) -> tuple[Alignment, float]:
        part = _spread(len(time_s), most)
        start = _moved(line, windows.middle_s, float(time_s[part].mean()))
        return _refined(wave[0][part], time_s[part], wave[1], start, freedom, (within_s, top_hz))

    if len(near) > 1:
        # Half a period later a steady tone is its own inverse: as good as upright is upright.
        left = [refined(line, _FEW_SAMPLES, 4.0 / band_hz)[1] for line in near]
        weighed = [
            e * (1.0 if each.sign > 0 else _DOUBT) for e, each in zip(left, near, strict=True)
        ]
        near = [near[int(np.argmin(weighed))]]
    line = near[0]
    while True:
        most = 4 * _FEW_SAMPLES if band_hz < top_hz else _MOST_SAMPLES
        found, _ = refined(line, most, 4.0 / band_hz)
        lag = windows.middle_s - float(found.model_time(np.array(windows.middle_s)))
        line = Line(lag, 1e-6 * found.clock_ppm, found.sign, line.score)
        if band_hz == top_hz:
            break
        # What fits at low frequencies is within reach of a period of the next.
        band_hz = min(_WIDER * band_hz, top_hz)
        wave = _limited(target, time_s, model, band_hz, top_hz)
    score = line.sign * float(windows.score(np.array([line.lag_s]), np.array([line.clock]))[0])
    return replace(
        found, recognised=windows.best, agreement=max(score, 0.0) / max(windows.best, 1e-12)
    )


def _lags(
    time_s: FloatArray, model_s: float, freedom: Freedom, top_hz: float
) -> tuple[float, float]:
    """Lags within the delay's bounds that let the model overlap the measurement."""
    # Half a sample of grace: bounds are met exactly by the refinement.
    grace = 0.51 / (GRID * top_hz)
    low = max(freedom.delay_s[0] - grace, float(time_s[0]) - model_s)
    high = min(freedom.delay_s[1] + grace, float(time_s[-1]))
    if low > high:
        raise CaptureError("no delay within the bounds lets the model overlap the capture")
    return low, high


def _limited(
    target: FloatArray, time_s: FloatArray, model: Waveform, band_hz: float, top_hz: float
) -> tuple[FloatArray, Waveform]:
    """Measurement and model with less of their band."""
    if band_hz >= top_hz:
        return target, model
    rate = GRID * top_hz
    whole = model.at(grid_times(model.seconds, top_hz))
    lower = Waveform(target, rate, band_hz).at(time_s - time_s[0])
    return lower, Waveform(whole, rate, band_hz)


def _windows(
    wave: tuple[FloatArray, Waveform],
    time_s: FloatArray,
    freedom: Freedom,
    band_hz: float,
    lags_s: tuple[float, float],
) -> Windows:
    interval = 1.0 / (GRID * band_hz)
    first = math.ceil(time_s[0] / interval - 1e-9)
    grid_s = interval * np.arange(first, int(time_s[-1] / interval + 1e-9) + 1)
    target = np.interp(grid_s, time_s, wave[0])
    samples = wave[1].at(grid_times(wave[1].seconds, band_hz))
    rest = samples[0] if freedom.offset_v < math.inf else samples.mean()
    clock = 1e-6 * freedom.clock_ppm
    return Windows(target, first, samples - rest, interval, band_hz, lags_s, clock)


def _moved(line: Line, from_s: float, to_s: float) -> Line:
    """The line with its lag given at another time."""
    return replace(line, lag_s=line.lag_s - line.clock * (to_s - from_s))


def _spread(count: int, most: int) -> NDArray[np.int64]:
    """Samples that the refinement uses."""
    if count <= most:
        return np.arange(count)
    length = most // _STRETCHES
    starts = np.linspace(0, count - length, _STRETCHES).astype(np.int64)
    return (starts[:, None] + np.arange(length)).ravel()


def _refined(
    target: FloatArray,
    time_s: FloatArray,
    model: Waveform,
    start: Line,
    freedom: Freedom,
    within: tuple[float, float],
) -> tuple[Alignment, float]:
    """Least squares from a line, within the bounds; and the error that is left."""
    from scipy.optimize import least_squares

    delay_s, clock, sign = start.lag_s, start.clock, start.sign
    middle = float(time_s.mean())
    within_s, top_hz = within
    reach = 1.0 / top_hz
    limit = 1e-6 * freedom.clock_ppm
    low, high = (max(freedom.delay_s[0], -1e9), min(freedom.delay_s[1], 1e9))
    # Delay about the middle of the record, where the clock does not move it.
    names = ["delay"]
    lower, upper, first = [delay_s - within_s], [delay_s + within_s], [delay_s]
    lower[0], upper[0] = max(lower[0], low), min(upper[0], high)
    scale = [0.1 * reach]
    if limit > 0.0:
        names.append("clock")
        lower, upper, first = [*lower, -limit], [*upper, limit], [*first, clock]
        scale.append(0.1 * reach / max(time_s[-1] - time_s[0], reach))
    if freedom.gain > 0.0:
        names.append("gain")
        lower, upper = [*lower, 1.0 - freedom.gain], [*upper, 1.0 + freedom.gain]
        first, scale = [*first, 1.0], [*scale, 1.0]
    y = target - target.mean()

    def values(x: FloatArray) -> dict[str, float]:
        return {"clock": 0.0, "gain": 1.0, **dict(zip(names, x.tolist(), strict=True))}

    def model_time(x: FloatArray) -> FloatArray:
        now = values(x)
        return (time_s - middle) * (1.0 + now["clock"]) + (middle - now["delay"])

    def error(x: FloatArray) -> FloatArray:
        moving = model.at(model_time(x))
        return np.asarray(sign * values(x)["gain"] * (moving - moving.mean()) - y)

    def gradient(x: FloatArray) -> FloatArray:
        now, at = values(x), model_time(x)
        slope = sign * now["gain"] * model.slope_at(at)
        columns = {"delay": -slope, "clock": slope * (time_s - middle), "gain": sign * model.at(at)}
        stacked = np.stack([columns[name] for name in names], axis=1)
        return np.asarray(stacked - stacked.mean(axis=0))

    start_x = np.clip(first, np.array(lower), np.array(upper))
    bounds = (np.array(lower) - 1e-15, np.array(upper) + 1e-15)
    fit = least_squares(
        error,
        start_x,
        gradient,
        bounds,
        x_scale=np.array(scale),
        xtol=1e-12,
        ftol=1e-12,
        gtol=None,
        max_nfev=_MOST_STEPS,
    )
    now = values(fit.x)
    at_bound = [
        name
        for name, x, lo, hi, s in zip(names, fit.x, lower, upper, scale, strict=True)
        if min(x - lo, hi - x) < 1e-6 * s
    ]
    # The delay of the model's first sample, from the delay at the middle.
    delay = middle - (middle - now["delay"]) / (1.0 + now["clock"])
    rest_v = float(model.at(np.zeros(1))[0])
    found = Alignment(delay, 1e6 * now["clock"], sign, now["gain"], 0.0, rest_v)
    predicted = found.apply(model, time_s)
    offset = float(target.mean() - predicted.mean())
    moving = (predicted - predicted.mean()) / now["gain"]
    free_gain = float(moving @ y) / max(float(moving @ moving), 1e-300)
    # A probe's gain error shifts volts at rest too.
    most = freedom.offset_v + freedom.gain * abs(rest_v)
    if abs(offset) > most > 0.0:
        at_bound.append("offset")
    bounded = min(max(offset, -most), most)
    found = replace(
        found, offset_v=bounded, at_bound=tuple(at_bound), free_gain=free_gain, free_offset_v=offset
    )
    return found, float(fit.cost)
