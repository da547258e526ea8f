"""Measured against predicted, in figures."""

import math
from dataclasses import dataclass

import numpy as np

from vadist.captures.waveform import GRID, ROLL_OFF
from vadist.errors import UnjudgedError
from vadist.measure import PRE_EMPHASIS, error_to_signal_ratio_db
from vadist.measure.records import FloatArray

_TOP_SHARE = 0.002
# Clip levels are where all but 0.2 % of the samples end: a single spike is no clip level.

_TRUST = 0.1
# A noise power is taken to be known to 10 %: the noise above the band may not be quite flat.

_QUIETEST, _QUIETEST_TRUST = 0.2, 0.25
_STEPS_TRUST = 2.0
# A board that rests half-way between two steps is off by half a step all along: step^2/4, three
# times the power of step^2/12.

_ON_STEPS, _NEAR_STEP = 0.9, 0.05
# A record has steps if 90 % of the gaps between its values are multiples of one, to 5 % of it.

_WITHIN = 0.95
_SILENCE = 1e-3
_LEAST_SILENCE_S = 1e-3


@dataclass(frozen=True)
class Figures:
    """How far a prediction is from a measurement of the same samples.

    Attributes
    ----------
    esr_db, pre_emphasised_esr_db : float
        Error-to-signal ratio, means taken off both; after 1 - 0.85 z^-1 at the comparison's rate.
    rms_error_v, rms_error_dbv : float
        Of the difference, means taken off.
    max_error_v, max_error_s : float
        Largest difference, means taken off, and when.
    dc_v : float
        Mean of measured less predicted, before any offset was allowed for.
    upper_v, lower_v, model_upper_v, model_lower_v : float
        Clip levels from the mean.
    clip_level : float
        Larger difference of the two clip levels, as a share of the measured half range.
    asymmetry : float
        Difference of (upper - |lower|)/(upper + |lower|).
    noise_db : float or None
        What the capture holds where the model is silent, or above the band, or else in the quietest
        fifth of times and frequencies of the error, over the signal.
    noise_trust : float
        Share by which that power may be wrong.
    """

    esr_db: float
    pre_emphasised_esr_db: float
    rms_error_v: float
    rms_error_dbv: float
    max_error_v: float
    max_error_s: float
    dc_v: float
    upper_v: float
    lower_v: float
    model_upper_v: float
    model_lower_v: float
    clip_level: float
    asymmetry: float
    noise_db: float | None
    noise_trust: float = 0.1

    @property
    def hidden_db(self) -> float:
        """Error-to-signal ratio that the noise would hide, known as well as it is."""
        if self.noise_db is None:
            return -math.inf
        return self.noise_db + 10.0 * math.log10(self.noise_trust)

    @property
    def model_error_db(self) -> float:
        """Error-to-signal ratio without the share that noise has in it, as far as that is known.

        Never below :attr:`hidden_db`.
        """
        return self._without_noise(1.0)

    @property
    def least_model_error_db(self) -> float:
        """The same, if the noise were as large as it may be."""
        return self._without_noise(1.0 + self.noise_trust)

    def _without_noise(self, share: float) -> float:
        if self.noise_db is None or self.esr_db == -math.inf:
            return self.esr_db
        left = 10.0 ** (self.esr_db / 10.0) - share * 10.0 ** (self.noise_db / 10.0)
        return max(10.0 * math.log10(left) if left > 0.0 else -math.inf, self.hidden_db)


def compare(
    measured: FloatArray,
    predicted: FloatArray,
    time_s: FloatArray,
    *,
    offset_v: float = 0.0,
    noise_v: float | None = None,
    steps_v: float = 0.0,
) -> Figures:
    """Compare samples.

    Parameters
    ----------
    measured, predicted : (samples,)
        Aligned, of one band.
    time_s : (samples,)
        Evenly spaced.
    offset_v : float
        What the alignment has put into the prediction; it counts in :attr:`Figures.dc_v`.
    noise_v : float, optional
        Rms noise within the band, as :func:`noise_above` foretells it.
    steps_v : float
        What a converter's steps add within the band, as :func:`noise_of_steps` tells.

    Raises
    ------
    UnjudgedError
        If the measurement is silent.

    Examples
    --------
    >>> t = np.arange(4800) / 48e3
    >>> wave = np.sin(2 * np.pi * 100 * t)
    >>> round(compare(1.1 * wave, wave, t).esr_db, 6), round(20 * math.log10(0.1 / 1.1), 6)
    (-20.827854, -20.827854)
    """
    y, m = measured - measured.mean(), predicted - predicted.mean()
    power = float(np.mean(y**2))
    if power == 0.0:
        raise UnjudgedError("could not be judged: the measured channel is silent")
    error = y - m
    noise_db, trust = _noise(error, m, power, float(time_s[1] - time_s[0]), noise_v, steps_v)
    rms = math.sqrt(float(np.mean(error**2)))
    worst = int(np.argmax(np.abs(error)))
    upper, lower = _ends(y)
    model_upper, model_lower = _ends(m)
    half = 0.5 * (upper - lower)
    return Figures(
        error_to_signal_ratio_db(y, m),
        error_to_signal_ratio_db(y, m, PRE_EMPHASIS),
        rms,
        20.0 * math.log10(rms) if rms > 0.0 else -math.inf,
        float(abs(error[worst])),
        float(time_s[worst]),
        float(measured.mean() - predicted.mean() + offset_v),
        upper,
        lower,
        model_upper,
        model_lower,
        max(abs(upper - model_upper), abs(lower - model_lower)) / half,
        _asymmetry(upper, lower) - _asymmetry(model_upper, model_lower),
        noise_db,
        trust,
    )


def _ends(wave: FloatArray) -> tuple[float, float]:
    upper, lower = np.quantile(wave, [1.0 - _TOP_SHARE, _TOP_SHARE])
    return float(upper), float(lower)


def _asymmetry(upper: float, lower: float) -> float:
    return (upper + lower) / (upper - lower) if upper > lower else 0.0


def noise_above(samples: FloatArray, sample_rate_hz: float, top_hz: float) -> float | None:
    """Rms noise that a record's quietest part above a band foretells within the band.

    Parameters
    ----------
    samples : (frames,)
    sample_rate_hz, top_hz : float

    Returns
    -------
    float or None
        Volts; None if the record has nothing far above the band.

    Notes
    -----
    Converter steps and amplifier noise are about flat. Of sixteen equal parts between twice the
    top and 0.48 of the rate the quietest counts: harmonics may lie in the others, and a little of
    them in that one too.
    """
    low, high = 2.0 * top_hz, 0.48 * sample_rate_hz
    if high < 1.5 * low or len(samples) < 256:
        return None
    window = np.hanning(len(samples))
    spectrum = np.abs(np.fft.rfft((samples - samples.mean()) * window)) ** 2
    density = 2.0 * spectrum / (sample_rate_hz * float(np.sum(window**2)))
    f = np.fft.rfftfreq(len(samples), 1.0 / sample_rate_hz)
    parts = np.array_split(density[(f >= low) & (f <= high)], 16)
    quietest = min(float(part.mean()) for part in parts)
    return math.sqrt(quietest * 0.5 * (1.0 + ROLL_OFF) * top_hz)


def noise_of_steps(samples: FloatArray, sample_rate_hz: float, top_hz: float) -> float:
    """Rms volts within a band that a converter's steps add.

    Parameters
    ----------
    samples : (frames,)
    sample_rate_hz, top_hz : float

    Returns
    -------
    float
        0 if the record shows no steps.

    Notes
    -----
    step/sqrt(12), flat up to half the rate (W. R. Bennett, Bell System Technical Journal 27(3),
    1948; from memory, not located).

    Examples
    --------
    >>> wave = np.round(np.sin(np.arange(4800.0)) / 0.01) * 0.01
    >>> round(noise_of_steps(wave, 48e3, 24e3 / 1.075) * math.sqrt(12.0), 6)
    0.01
    """
    gaps = np.diff(np.unique(samples))
    # Text rounds: what is far smaller than the gaps around it is one value written twice.
    gaps = gaps[gaps > 1e-6 * float(np.ptp(samples))] if len(gaps) else gaps
    if len(gaps) < 8 or len(gaps) > len(samples) // 3:
        return 0.0
    step = float(np.quantile(gaps, 0.1))
    off = np.abs(gaps / step - np.rint(gaps / step))
    if float(np.mean(off < _NEAR_STEP)) < _ON_STEPS:
        return 0.0
    share = min(0.5 * (1.0 + ROLL_OFF) * top_hz / (0.5 * sample_rate_hz), 1.0)
    return step * math.sqrt(share / 12.0)


def _noise(
    error: FloatArray,
    model: FloatArray,
    power: float,
    interval: float,
    noise_v: float | None,
    steps_v: float,
) -> tuple[float | None, float]:
    """Noise over the signal, and the share by which it may be wrong."""
    estimates = [(10.0 * math.log10(noise_v**2 / power), _TRUST)] if noise_v else []
    estimates += _at_rest(error, model, power, interval)
    estimates = estimates or _quietest(error, power)
    if not estimates:
        return None, _TRUST
    # Each may hold more than noise, so the smallest counts.
    best = min(estimates)
    steps_db = 20.0 * math.log10(steps_v) - 10.0 * math.log10(power) if steps_v else -math.inf
    # But a quiet converter holds still where the board rests; its steps are seen only beside.
    return best if best[0] >= steps_db else (steps_db, _STEPS_TRUST)


def _at_rest(
    error: FloatArray, model: FloatArray, power: float, interval: float
) -> list[tuple[float, float]]:
    """Power of the error where the model rests."""
    rest = float(np.median(model[: max(int(_LEAST_SILENCE_S / interval), 1)]))
    peak = float(np.abs(model - rest).max())
    silent = np.abs(model - rest) < _SILENCE * peak
    # Zero crossings do not count: only stretches that rest for a millisecond.
    length = max(int(_LEAST_SILENCE_S / interval), 8)
    runs = np.convolve(silent, np.ones(length), "same") >= length - 0.5
    count = int(runs.sum())
    if count < length:
        return []
    quiet = error[runs]
    noise = float(np.mean((quiet - quiet.mean()) ** 2))
    # Power of independent normal values: standard error sqrt(2/n).
    trust = max(_TRUST, 3.0 * math.sqrt(2.0 / count))
    return [(10.0 * math.log10(noise / power) if noise > 0.0 else -math.inf, trust)]


def _quietest(error: FloatArray, power: float) -> list[tuple[float, float]]:
    """White noise from the quietest fifth of times and frequencies of the error.

    The power of a cell of white noise is exponentially distributed; a fifth of the cells lies below
    -ln(0.8) of the mean. Where the error fills every cell this is too much, by what fills them.
    """
    from scipy.signal import stft

    length = min(max(len(error) // 64, 64), 1024)
    if len(error) < 8 * length:
        return []
    f, _, cells = stft(error, window="hann", nperseg=length, noverlap=0, boundary=None)
    inside = (f > 2.0 / length) & (f < _WITHIN / GRID)
    squares = np.abs(cells[inside]) ** 2
    window = np.hanning(length + 1)[:length]
    scale = float(window.sum() ** 2 / np.sum(window**2))
    density = float(np.quantile(squares, _QUIETEST)) / -math.log(1.0 - _QUIETEST) * scale
    noise = density * 0.5 * (1.0 + ROLL_OFF) / (0.5 * GRID)
    return [(10.0 * math.log10(noise / power), _QUIETEST_TRUST)] if noise > 0.0 else []
