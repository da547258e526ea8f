"""Alignment of a model with a measurement: delay, clock, sign, gain and offset, each bounded.

The measurement is taken as ``sign (rest + gain (model((t - delay) (1 + clock)) - rest)) + offset``,
so that the gain of a probe is judged by the signal alone and not by volts at rest. A
cross-correlation gives whole samples and the sign, least squares on what moves the rest; what is
not allowed to vary stays put.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from vadist.captures.waveform import Waveform, grid_times
from vadist.errors import CaptureError, UsageError
from vadist.measure.records import FloatArray


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
    """

    delay_s: float
    clock_ppm: float
    sign: int
    gain: float
    offset_v: float
    rest_v: float
    at_bound: tuple[str, ...] = ()

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
        raise CaptureError("the measured channel is silent")
    interval = float(time_s[1] - time_s[0])
    delay_s, sign = _coarse(target, time_s[0], model, interval, freedom, top_hz)
    clock = _coarse_clock(target, time_s, model, delay_s, sign, freedom)
    return _refined(target, time_s, model, (delay_s, clock, sign), freedom, top_hz)


def _coarse(
    target: FloatArray,
    start_s: float,
    model: Waveform,
    interval: float,
    freedom: Freedom,
    top_hz: float,
) -> tuple[float, int]:
    """Delay in whole samples and sign, by the error that is left at each lag."""
    from scipy.signal import correlate

    wave = model.at(grid_times(model.seconds, top_hz))
    rest = wave[0] if freedom.offset_v < math.inf else wave.mean()
    y, m = target - target.mean(), wave - rest
    products = correlate(y, m, "full", "fft")
    lags = np.arange(1 - len(m), len(y))
    # Energy of the part of the model that lies within the measurement at each lag.
    sums = np.concatenate([[0.0], np.cumsum(m * m)])
    first, last = np.clip(-lags, 0, len(m)), np.clip(len(y) - lags, 0, len(m))
    energy = sums[last] - sums[first]
    if sums[-1] == 0.0:
        raise CaptureError("the model's output is silent for this input")
    size = np.abs(products) if freedom.sign == 0 else freedom.sign * products
    floor = 1e-6 * sums[-1]
    gain = np.clip(size / (energy + floor), 1.0 - freedom.gain, 1.0 + freedom.gain)
    left = gain * gain * energy - 2.0 * gain * size
    delays = start_s + lags * interval
    # Half a sample of grace: bounds are met exactly by the refinement.
    allowed = (delays >= freedom.delay_s[0] - 0.51 * interval) & (
        delays <= freedom.delay_s[1] + 0.51 * interval
    )
    if not allowed.any():
        raise CaptureError("no delay within the bounds lets the model overlap the capture")
    best = int(np.argmin(np.where(allowed, left, np.inf)))
    return float(delays[best]), freedom.sign or (1 if products[best] >= 0.0 else -1)


def _coarse_clock(
    target: FloatArray,
    time_s: FloatArray,
    model: Waveform,
    delay_s: float,
    sign: int,
    freedom: Freedom,
) -> float:
    """Clock from the delays of quarters, where a whole record may slip by many samples."""
    interval, length = float(time_s[1] - time_s[0]), float(time_s[-1] - time_s[0])
    reach = math.ceil(1e-6 * freedom.clock_ppm * length / interval)
    if reach < 1:
        return 0.0
    shifts = np.arange(-reach - 1, reach + 2)
    found, middles, weights = [], [], []
    for part in np.array_split(np.arange(len(time_s)), 4):
        y = target[part] - target[part].mean()
        scores = []
        for shift in shifts:
            m = model.at(time_s[part] - delay_s - shift * interval)
            m = m - m.mean()
            scores.append(sign * float(m @ y) / (float(np.linalg.norm(m)) + 1e-30))
        found.append(shifts[int(np.argmax(scores))] * interval)
        middles.append(float(time_s[part].mean()) - delay_s)
        weights.append(max(max(scores), 0.0))
    if sum(w > 0.0 for w in weights) < 2:
        return 0.0
    slope = np.polyfit(middles, found, 1, w=np.array(weights) + 1e-12)[0]
    limit = 1e-6 * freedom.clock_ppm
    return float(np.clip(-slope, -limit, limit))


def _refined(
    target: FloatArray,
    time_s: FloatArray,
    model: Waveform,
    start: tuple[float, float, int],
    freedom: Freedom,
    top_hz: float,
) -> Alignment:
    """Least squares from the coarse values, within the bounds."""
    from scipy.optimize import least_squares

    delay_s, clock, sign = start
    middle = float(time_s.mean())
    reach = 1.0 / top_hz
    limit = 1e-6 * freedom.clock_ppm
    low, high = (max(freedom.delay_s[0], -1e9), min(freedom.delay_s[1], 1e9))
    # Delay about the middle of the record, where the clock does not move it.
    names = ["delay"]
    lower, upper, first = [delay_s - 4.0 * reach], [delay_s + 4.0 * reach], [delay_s]
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
        error, start_x, gradient, bounds, x_scale=np.array(scale), xtol=1e-13, ftol=1e-13, gtol=None
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
    offset = float(target.mean() - found.apply(model, time_s).mean())
    # A probe's gain error shifts volts at rest too.
    most = freedom.offset_v + freedom.gain * abs(rest_v)
    if abs(offset) > most > 0.0:
        at_bound.append("offset")
    offset = min(max(offset, -most), most)
    return replace(found, offset_v=offset, at_bound=tuple(at_bound))
