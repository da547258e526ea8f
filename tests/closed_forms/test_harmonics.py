"""Harmonic levels against closed forms: polynomials, Fourier series, exact sums of the tail.

Authority: trigonometric identities for a polynomial of a sine; Fourier series of the square and
the triangle wave; the tails of their sums by the polygamma function.
Tolerance of 1e-6 relative: what the measurement promises; rounding alone is some 1e-12.
"""

import math

import numpy as np
import pytest
from scipy.special import polygamma

from vadist.errors import UsageError
from vadist.measure import (
    Harmonics,
    harmonics,
    thd_fundamental,
    thd_plus_noise,
    thd_rms,
    without_harmonics_above,
)

RATE = 48_000.0
EXACT = 1e-6


def sine(frequency_hz, samples, amplitude=1.0, phase=0.0):
    return amplitude * np.sin(2 * np.pi * frequency_hz * np.arange(samples) / RATE + phase)


def odd_series(fundamental_hz, samples, terms, power):
    """First terms of sum sin(n x)/n^power over odd n, the signs of the triangle left out."""
    return sum(sine(n * fundamental_hz, samples, n**-power) for n in range(1, 2 * terms, 2))


@pytest.mark.parametrize("samples", [4800, 4801, 5003, 20_011])
@pytest.mark.parametrize("amplitude", [0.1, 1.0, 4.5])
def test_polynomial_of_a_sine(samples, amplitude):
    """For x + a x^2 + b x^3: H1 = A + 3bA^3/4, H2 = aA^2/2, H3 = bA^3/4, DC = aA^2/2."""
    a, b = 0.2, -0.07
    x = sine(997.0, samples, amplitude, phase=0.4)
    found = harmonics(x + a * x**2 + b * x**3, RATE, 997.0, count=5)
    h1, h2, h3 = (
        abs(amplitude + 0.75 * b * amplitude**3),
        a * amplitude**2 / 2,
        abs(b) * amplitude**3 / 4,
    )
    assert found.levels_v[:3] == pytest.approx([h1, h2, h3], rel=EXACT)
    assert found.levels_v[3:] == pytest.approx([0.0, 0.0], abs=EXACT * amplitude)
    assert found.dc_v == pytest.approx(a * amplitude**2 / 2, rel=EXACT)
    assert thd_fundamental(found) == pytest.approx(math.hypot(h2, h3) / h1, rel=EXACT)
    assert thd_rms(found) == pytest.approx(math.hypot(h2, h3) / math.hypot(h1, h2, h3), rel=EXACT)


def test_phases_of_a_polynomial():
    """sin^2 p = 1/2 - cos(2p)/2, so H2 stands at 2 phi - 90 degrees; -sin^3 gives +sin(3p)/4."""
    phase = 0.4
    x = sine(997.0, 5003, phase=phase)
    found = harmonics(x + 0.2 * x**2 - 0.07 * x**3, RATE, 997.0, count=3)
    expected = [phase, 2 * phase - np.pi / 2, 3 * phase]
    assert found.phases_rad == pytest.approx(expected, abs=EXACT)


@pytest.mark.parametrize(
    ("power", "tail", "limit_percent"),
    [
        # sum of 1/n^2 over odd n > 2K - 1 is polygamma(1, K + 1/2)/4; of 1/n^4 polygamma(3, .)/96
        (1, lambda K: polygamma(1, K + 0.5) / 4, 48.3426),
        (2, lambda K: polygamma(3, K + 0.5) / 96, 12.1153),
    ],
    ids=["square", "triangle"],
)
@pytest.mark.parametrize("samples", [9600, 9731])
def test_square_and_triangle_wave(power, tail, limit_percent, samples):
    """The truncated series has its exact THD; with the exact tail it is that of the whole wave."""
    terms = 20
    found = harmonics(odd_series(500.0, samples, terms, power), RATE, 500.0, count=2 * terms)
    partial = sum(n ** (-2.0 * power) for n in range(3, 2 * terms, 2))
    measured = thd_fundamental(found)
    assert measured == pytest.approx(math.sqrt(partial), rel=EXACT)
    whole = math.sqrt(measured**2 + tail(terms))
    assert 100 * whole == pytest.approx(limit_percent, abs=6e-5)  # computed to four decimals
    closed = {1: math.pi**2 / 8 - 1, 2: math.pi**4 / 96 - 1}[power]
    assert whole == pytest.approx(math.sqrt(closed), rel=EXACT)


def test_lines_left_out_of_the_fit_do_not_leak_in():
    """Ten harmonics of twenty odd ones: those above the tenth hardly move those below it.

    The record ends inside a period. The transform of sin^4 weights d bins off is
    4/(pi d (d^2 - 1)(d^2 - 4)), 4e-6 at the least distance of 12.8 bins; the neighbour left out
    is 1/11.
    """
    wave = odd_series(500.0, 1231, 20, 1)
    found = harmonics(wave, RATE, 500.0, count=10)
    expected = [1 / n if n % 2 else 0.0 for n in range(1, 11)]
    assert found.levels_v == pytest.approx(expected, abs=EXACT)


def test_harmonics_above_half_the_rate_are_zero():
    """A record at 48 kHz holds no third harmonic of 9 kHz: it is reported as nothing."""
    found = harmonics(sine(9000.0, 4800), RATE, 9000.0, count=4)
    assert found.levels_v.shape == (4,)
    assert found.levels_v == pytest.approx([1.0, 0.0, 0.0, 0.0], abs=EXACT)


def test_band_limit_drops_harmonics():
    tone = Harmonics(8000.0, 0.0, np.array([1.0, 0.3, 0.4]), np.zeros(3))
    assert thd_fundamental(without_harmonics_above(tone, 20e3)) == pytest.approx(0.3)
    assert thd_fundamental(without_harmonics_above(tone, 24e3)) == pytest.approx(0.5)


def test_thd_plus_noise_counts_harmonics_and_noise_in_the_band():
    """Two lines and white noise of known variance; what lies above 20 kHz and DC do not count.

    Noise power in 20 Hz to 20 kHz is the share 19 980/24 000 of its variance. Tolerance: the
    variance of noise power over the some 20 000 bins that the weights leave, four sigma is 4 %;
    halved by the root, and the noise is half of the residual.
    """
    samples, sigma = 48_000, 3e-3
    noise = sigma * np.random.default_rng(7).standard_normal(samples)
    lines = sine(997.0, samples) + sine(3001.0, samples, 3e-3) + sine(23e3, samples, 0.5)
    found = thd_plus_noise(lines + noise + 0.2, RATE, 997.0)
    rest = (3e-3) ** 2 / 2 + sigma**2 * 19_980 / 24_000
    assert found == pytest.approx(math.sqrt(rest / (0.5 + rest)), rel=0.015)


def test_thd_plus_noise_of_harmonics_alone_is_thd():
    """Without noise THD+N and THD_R agree; weights leak below 1e-9 of the tone."""
    x = sine(997.0, 20_011)
    y = x + 0.02 * x**2 + 0.01 * x**3
    assert thd_plus_noise(y, RATE, 997.0) == pytest.approx(
        thd_rms(harmonics(y, RATE, 997.0)), rel=EXACT
    )


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: harmonics(np.zeros((9, 2)), RATE, 997.0), r"signal must have one channel"),
        (lambda: harmonics(np.zeros(4800), RATE, 24e3), r"fundamental_hz must be below half"),
        (lambda: harmonics(np.zeros(4800), RATE, 997.0, count=0), r"count .* >= 1, got 0"),
        (lambda: harmonics(np.zeros(100), RATE, 997.0), r"need a record of 4 turns"),
        (lambda: harmonics(np.full(4800, np.nan), RATE, 997.0), r"finite .* sample 0 is nan"),
        (lambda: thd_rms(harmonics(np.zeros(4800), RATE, 997.0)), r"level is 0 V"),
        (lambda: thd_plus_noise(np.zeros(4800), RATE, 997.0), r"must not be silent"),
        (lambda: thd_plus_noise(np.zeros(4800), RATE, 10.0), r"must lie in the band"),
    ],
)
def test_what_cannot_be_measured_is_explained(call, message):
    with pytest.raises(UsageError, match=message):
        call()
