"""Harmonic responses from a synchronised sweep against systems whose responses are known.

Authority: trigonometric identities for a memoryless polynomial (harmonics flat with frequency)
and the transfer function of a digital filter in front of or behind it.
Tolerance of 0.1 dB over the mid band, one octave and more inside the sweep: the ripple that the
abrupt ends of the sweep leave; in the middle it is below 0.01 dB.
"""

import math

import numpy as np
import pytest
from scipy.signal import freqz, lfilter

from vadist.errors import UsageError
from vadist.measure import harmonic_responses, synchronised_sweep

RATE = 96_000.0
MID_BAND_HZ = np.geomspace(80.0, 6000.0, 60)
MIDDLE_HZ = np.geomspace(300.0, 3000.0, 30)


@pytest.fixture(scope="module")
def sweep():
    return synchronised_sweep(20.0, 12_000.0, 4.0, RATE, amplitude_v=0.8)


def decibels(ratio):
    return 20 * np.log10(np.abs(ratio))


def test_sweep_is_the_synchronised_one(sweep):
    """f1 L integer; starts at zero; reaches f2 at the end; phase 2 pi f1 L e^(t/L)."""
    turns = sweep.start_hz * sweep.time_constant_s
    assert turns == pytest.approx(round(turns), abs=1e-9)
    assert sweep.samples[0] == pytest.approx(0.0, abs=1e-12)
    end_s = (len(sweep.samples) - 1) / RATE
    stop = sweep.start_hz * math.exp(end_s / sweep.time_constant_s)
    assert stop == pytest.approx(sweep.stop_hz, rel=1e-4)  # the last sample is cut to the grid
    assert end_s == pytest.approx(4.0, rel=0.1)
    time = np.arange(2000) / RATE
    expected = 0.8 * np.sin(2 * np.pi * turns * np.exp(time / sweep.time_constant_s))
    assert sweep.samples[:2000] == pytest.approx(expected, abs=1e-9)


def test_harmonic_is_the_sweep_itself_earlier():
    """sin(3 phase(t)) = sweep at t + L ln 3, phase included: the property the method rests on."""
    sweep = synchronised_sweep(20.0, 4000.0, 1.0, RATE)
    time = np.arange(1000) / RATE + sweep.time_constant_s * math.log(3)
    phase = 2 * np.pi * sweep.start_hz * sweep.time_constant_s
    third = np.sin(phase * np.exp(time / sweep.time_constant_s))
    # sin 3p = 3 sin p - 4 sin^3 p
    x = sweep.samples[:1000]
    assert 3 * x - 4 * x**3 == pytest.approx(third, abs=1e-9)


def test_memoryless_polynomial(sweep):
    """For x + a x^2 + b x^3: flat harmonics of known level and phase, none above the third."""
    a, b, level = 0.3, 0.2, sweep.amplitude_v
    x = sweep.samples
    found = harmonic_responses(x + a * x**2 + b * x**3, sweep, count=5)
    expected = [1 + 0.75 * b * level**2, -0.5j * a * level, -0.25 * b * level**2]
    for order, value in enumerate(expected, start=1):
        band = found.at_input(order, MID_BAND_HZ)
        assert decibels(band / value) == pytest.approx(np.zeros(60), abs=0.1)
        middle = found.at_input(order, MIDDLE_HZ)
        assert decibels(middle / value) == pytest.approx(np.zeros(30), abs=0.01)
        assert np.angle(middle / value) == pytest.approx(np.zeros(30), abs=0.005)
    for order in (4, 5):
        assert decibels(found.at_input(order, MIDDLE_HZ)).max() < -100.0


@pytest.mark.parametrize("behind", [True, False], ids=["filter behind", "filter before"])
def test_filter_with_a_polynomial(sweep, behind):
    """Behind, the filter acts at n f, on harmonic n; before, at f and to the n-th power."""
    numerator, denominator = [0.2, 0.1], [1.0, -0.7]
    a = 0.25
    if behind:
        x = sweep.samples
        y = lfilter(numerator, denominator, x + a * x**2)
    else:
        x = lfilter(numerator, denominator, sweep.samples)
        y = x + a * x**2
    found = harmonic_responses(y, sweep, count=3)
    linear = freqz(numerator, denominator, MID_BAND_HZ, fs=RATE)[1]
    if behind:
        at_double = freqz(numerator, denominator, 2 * MID_BAND_HZ, fs=RATE)[1]
    else:
        at_double = linear**2
    second = -0.5j * a * sweep.amplitude_v * at_double
    assert decibels(found.at_input(1, MID_BAND_HZ) / linear) == pytest.approx(np.zeros(60), abs=0.1)
    assert decibels(found.at_input(2, MID_BAND_HZ) / second) == pytest.approx(np.zeros(60), abs=0.1)
    middle = (MID_BAND_HZ > 300) & (MID_BAND_HZ < 3000)
    turned = np.angle(found.at_input(2, MID_BAND_HZ) / second)[middle]
    assert turned == pytest.approx(np.zeros(middle.sum()), abs=0.01)


def test_echo_inside_the_window(sweep):
    """An echo 50 ms late makes a comb of 20 Hz, in both harmonics: 1 + e^(-jwD)/2.

    The response goes on after the sweep until the echo is over.
    """
    x = np.concatenate([sweep.samples, np.zeros(4800)])
    dry = x + 0.3 * x**2
    wet = dry.copy()
    wet[4800:] += 0.5 * dry[:-4800]
    found = harmonic_responses(wet, sweep, count=3)
    for order, level in ((1, 1.0), (2, -0.15j * sweep.amplitude_v)):
        comb = 1 + 0.5 * np.exp(-2j * np.pi * order * MIDDLE_HZ * 0.05)
        band = found.at_input(order, MIDDLE_HZ)
        assert decibels(band / (level * comb)) == pytest.approx(np.zeros(30), abs=0.1)


def test_bins_and_single_frequencies_agree(sweep):
    """At a bin's frequency the two ways to read a response give one value, up to rounding."""
    found = harmonic_responses(sweep.samples, sweep, count=2)
    bins = slice(100, 400, 50)
    read = found.at_input(2, found.frequencies_hz[bins] / 2)
    assert read == pytest.approx(found.responses[1, bins], abs=1e-9)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda s: synchronised_sweep(20.0, 48e3, 1.0, RATE), r"stop_hz must be below half"),
        (lambda s: synchronised_sweep(2e3, 20.0, 1.0, RATE), r"start_hz must be below stop_hz"),
        (lambda s: synchronised_sweep(20.0, 2e3, 0.1, RATE), r"duration_s must be at least 0.23 s"),
        (lambda s: harmonic_responses(s.samples[:-1], s), r"response must be as long as the sweep"),
        (lambda s: harmonic_responses(s.samples, s, 0), r"count of harmonics must be >= 1, got 0"),
        (
            lambda s: harmonic_responses(s.samples, s, 2).at_input(3, 100.0),
            r"order must be 1 to 2, the harmonics measured, got 3",
        ),
    ],
)
def test_what_cannot_be_measured_is_explained(sweep, call, message):
    with pytest.raises(UsageError, match=message):
        call(sweep)
