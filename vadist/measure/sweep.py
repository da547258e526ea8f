"""Synchronised exponential sweep: the frequency response of each harmonic from one recording.

References
----------
A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine: Theory, Application, and
Implementation", Journal of the Audio Engineering Society 63(10), 2015 (formulas from memory and
derived again by stationary phase; the form of the sweep is located).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import ComplexArray, FloatArray
from vadist.errors import UsageError
from vadist.measure.records import (
    bin_frequencies,
    mono_record,
    require_below_nyquist,
    require_positive,
)

_BEFORE = 0.25  # share of a harmonic's window that lies before its arrival


@dataclass(frozen=True)
class SynchronisedSweep:
    """An exponential sweep whose harmonics are the sweep itself, earlier.

    Attributes
    ----------
    samples : (samples,)
        Volts.
    sample_rate_hz, start_hz, stop_hz, amplitude_v : float
    time_constant_s : float
        L, the time in which the frequency grows by a factor e; start_hz L is an integer.
    """

    samples: FloatArray
    sample_rate_hz: float
    start_hz: float
    stop_hz: float
    amplitude_v: float
    time_constant_s: float


@dataclass(frozen=True)
class HarmonicResponses:
    """Complex frequency responses of harmonics 1 to N.

    Attributes
    ----------
    frequencies_hz : (bins,)
        Frequency at the output: harmonic n at f answers an input at f/n.
    responses : (count, bins)
        Level of harmonic n (index n - 1) over the sweep's amplitude; its angle is the phase
        against a sine n times as fast as the input.
    impulses : (count, samples)
        Impulse response of each harmonic, windowed; time zero is at sample ``lead``.
    lead : int
    sample_rate_hz : float
    start_hz, stop_hz : float
        Range of the input, where the responses mean something.
    """

    frequencies_hz: FloatArray
    responses: ComplexArray
    impulses: FloatArray
    lead: int
    sample_rate_hz: float
    start_hz: float
    stop_hz: float

    def at_input(self, order: int, input_hz: ArrayLike) -> ComplexArray:
        """Response of one harmonic at given frequencies of the input, shape of input_hz.

        The Fourier sum of the impulse response at order times those frequencies: exact between
        the bins too.
        """
        if not 1 <= order <= len(self.responses):
            raise UsageError(
                f"measure: order must be 1 to {len(self.responses)}, the harmonics measured, "
                f"got {order}"
            )
        output_hz = order * np.asarray(input_hz, dtype=np.float64)
        impulse = self.impulses[order - 1]
        turn = -2j * np.pi * (np.arange(len(impulse)) - self.lead) / self.sample_rate_hz
        sums = [np.exp(turn * f) @ impulse for f in output_hz.ravel()]
        return np.array(sums, dtype=np.complex128).reshape(output_hz.shape)


def synchronised_sweep(
    start_hz: float,
    stop_hz: float,
    duration_s: float,
    sample_rate_hz: float,
    amplitude_v: float = 1.0,
) -> SynchronisedSweep:
    """Make a sweep amplitude_v sin(2 pi f1 L e^(t/L)) with f1 L an integer.

    Parameters
    ----------
    start_hz, stop_hz : float
        First and last frequency, start_hz < stop_hz < sample_rate_hz/2.
    duration_s : float
        Wanted length; rounded so that f1 L is an integer.
    sample_rate_hz, amplitude_v : float

    Returns
    -------
    SynchronisedSweep

    Raises
    ------
    UsageError
        If the range is empty or the duration too short for one turn at start_hz.

    Notes
    -----
    L = round(f1 duration/ln(f2/f1))/f1. The sweep carries no "- 1" in the exponent: with f1 L
    an integer it starts at phase zero all the same, and harmonic n equals the sweep advanced by
    L ln n, phase included.

    Examples
    --------
    >>> sweep = synchronised_sweep(20.0, 5000.0, 1.0, 48e3)
    >>> round(sweep.start_hz * sweep.time_constant_s, 9), round(float(sweep.samples[0]), 9)
    (4.0, 0.0)
    """
    require_positive(start_hz, "start_hz", "Hz")
    require_below_nyquist(stop_hz, sample_rate_hz, "stop_hz")
    require_positive(duration_s, "duration_s", "s")
    if start_hz >= stop_hz:
        raise UsageError(
            f"measure: start_hz must be below stop_hz, got {start_hz:g} and {stop_hz:g} Hz"
        )
    octaves = math.log(stop_hz / start_hz)
    turns = round(start_hz * duration_s / octaves)
    if turns < 1:
        raise UsageError(
            f"measure: duration_s must be at least {octaves / start_hz:.3g} s for this range, "
            f"got {duration_s:g} s"
        )
    constant = turns / start_hz
    time = np.arange(int(constant * octaves * sample_rate_hz) + 1) / sample_rate_hz
    # Whole turns are taken off before the sine: large arguments would cost it digits.
    phase = np.mod(turns * np.exp(time / constant), 1.0)
    samples = amplitude_v * np.sin(2.0 * np.pi * phase)
    return SynchronisedSweep(samples, sample_rate_hz, start_hz, stop_hz, amplitude_v, constant)


def harmonic_responses(
    response: ArrayLike, sweep: SynchronisedSweep, count: int = 5
) -> HarmonicResponses:
    """Separate the harmonics of a response to a synchronised sweep.

    Parameters
    ----------
    response : (samples,)
        Aligned with the sweep, at its sample rate; may go on after it with the decay.
    sweep : SynchronisedSweep
    count : int
        Harmonics to report. Higher ones than that are set apart, not folded in.

    Returns
    -------
    HarmonicResponses

    Raises
    ------
    UsageError
        If the response is shorter than the sweep.

    Notes
    -----
    The response is multiplied by the analytic inverse of the sweep's spectrum,
    2 sqrt(f/L) exp(-j 2 pi f L (1 - ln(f/f1)) + j pi/4), which puts the impulse response of
    harmonic n at -L ln n. Each is moved to zero by that exact time, cut out with half-cosine
    edges and transformed. Windows are L ln((N+1)/N) long: a longer sweep resolves finer.
    Close to the ends of the sweep the responses ripple.
    """
    record = mono_record(response, "response")
    if count < 1:
        raise UsageError(f"measure: count of harmonics must be >= 1, got {count}")
    if len(record) < len(sweep.samples):
        raise UsageError(
            f"measure: response must be as long as the sweep, {len(sweep.samples)} samples, "
            f"got {len(record)}"
        )
    rate, constant = sweep.sample_rate_hz, sweep.time_constant_s
    window = int(constant * math.log((count + 1) / count) * rate)
    padded = len(record) + int(constant * math.log(count + 2) * rate) + window
    size = 1 << (padded - 1).bit_length()
    frequency = bin_frequencies(size, rate)
    spectrum = np.fft.rfft(record, size) * _inverse(frequency, sweep) / rate
    shape, lead = _edges(window), int(_BEFORE * window)
    impulses = np.empty((count, window))
    for order in range(1, count + 1):
        delay = constant * math.log(order)
        impulse = np.fft.irfft(spectrum * np.exp(-2j * np.pi * frequency * delay), size)
        impulses[order - 1] = np.roll(impulse, lead)[:window] * shape
    bins = bin_frequencies(window, rate)
    responses = np.fft.rfft(impulses, axis=1) * np.exp(2j * np.pi * bins * lead / rate)
    return HarmonicResponses(bins, responses, impulses, lead, rate, sweep.start_hz, sweep.stop_hz)


def _inverse(frequency: FloatArray, sweep: SynchronisedSweep) -> ComplexArray:
    constant = sweep.time_constant_s
    inverse = np.zeros(len(frequency), dtype=np.complex128)
    f = frequency[1:]  # DC stays zero: the sweep never gets there
    turns = np.mod(f * constant * (1.0 - np.log(f / sweep.start_hz)), 1.0)
    inverse[1:] = 2.0 * np.sqrt(f / constant) * np.exp(1j * (np.pi / 4.0 - 2.0 * np.pi * turns))
    return np.asarray(inverse / sweep.amplitude_v)


def _edges(window: int) -> FloatArray:
    """Build a flat window with half-cosine edges, the leading one ending at the arrival."""
    shape = np.ones(window)
    edge = int(_BEFORE * window / 2)
    rise = np.sin(0.5 * np.pi * (np.arange(edge) + 0.5) / edge) ** 2
    shape[:edge], shape[window - edge :] = rise, rise[::-1]
    return shape
