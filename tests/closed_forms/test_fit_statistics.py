"""Covariances under correlation and comparisons of explanations, against closed forms.

Authorities: Fejer's identity for sums with triangular weights (any textbook on Fourier series);
the long-run variance of a first-order autoregression, s^2 (1 + r)/(1 - r), and of its triangular
window (elementary time series); Newey and West, Econometrica 55(3), 1987, for the weights; linear
regression; the chi-squared law of twice a log likelihood ratio (Wilks, Annals of Mathematical
Statistics 9, 1938).
"""

import math

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import chi2

from vadist.fitting.statistics import certainty, long_run, noise_of, weigh

TOP_HZ = 20e3
LAGS = 48  # a millisecond of a comparison at 2.4 samples a period of 20 kHz


@pytest.mark.parametrize("lags", [1, 4, 48])
@pytest.mark.parametrize("turn", [0.0, 0.5, 1.4, 2.7])
def test_weights_of_lags(lags, turn):
    """Of a cosine the triangular sum of covariances is Fejer's kernel.

    sum (1 - |l|/(L+1)) cos(w l) = [sin((L+1) w/2) / sin(w/2)]^2 / (L+1), l from -L to L. The record
    holds whole periods; that lag l has n - l products changes 48 lags by 48/24000.
    """
    samples = 24_000
    omega = 2 * np.pi * round(samples * turn / (2 * np.pi * (lags + 1))) / samples
    series = np.cos(omega * np.arange(samples) + 0.3)[:, None] if omega else np.ones((samples, 1))
    half = 0.5 * omega
    kernel = (math.sin((lags + 1) * half) / math.sin(half)) ** 2 / (lags + 1) if omega else lags + 1
    power = 0.5 if omega else 1.0
    assert long_run(series, lags)[0, 0] == pytest.approx(samples * power * kernel, rel=4e-3)


def test_two_series_are_summed_both_ways():
    """A shock and its echo three samples later: covariance w_3 from either side."""
    shock = np.random.default_rng(1).normal(size=400_000)
    both = np.stack([shock[3:], shock[:-3]], axis=1)
    found = long_run(both, 7) / len(both)
    # Four deviations of sqrt((2 + 4 sum w_l^2)/n), sum w_l^2 = 140/64.
    assert found == pytest.approx(np.array([[1.0, 1 - 3 / 8], [1 - 3 / 8, 1.0]]), abs=0.021)


@pytest.mark.parametrize("r", [0.5, 0.9])
def test_intervals_grow_with_correlation(r):
    """A constant fitted to autoregressive noise: sigma^2/n times the window's long-run factor."""
    samples = 400_000
    shocks = np.random.default_rng(2).normal(size=samples)
    residual = lfilter([math.sqrt(1 - r * r)], [1.0, -r], shocks)
    residual -= residual.mean()
    column = np.ones((samples, 1))
    sure = certainty(column, residual, ["a"], TOP_HZ, 0.99)
    lag = np.arange(1, LAGS + 1)
    window = 1 + 2 * float(np.sum((1 - lag / (LAGS + 1)) * r**lag))
    assert 0.8 < window / ((1 + r) / (1 - r)) < 1.0  # what the window leaves of the whole
    # The long-run factor is known to sqrt(4/3 * 48/400000), 1.3 %, and its root to half of that.
    assert sure.deviations[0] == pytest.approx(
        float(residual.std()) * math.sqrt(window / samples), rel=0.02
    )
    assert sure.reach[0] == pytest.approx(1 / math.sqrt(samples), rel=1e-12)


def test_correlation_never_narrows_an_interval():
    """Of noise that changes its sign at every sample the plain width stays."""
    residual = np.where(np.arange(48_000) % 2 == 0, 1.0, -1.0)
    sure = certainty(np.ones((48_000, 1)), residual, ["a"], TOP_HZ, 0.99)
    assert sure.deviations[0] == pytest.approx(noise_of(residual, 1) / math.sqrt(48_000), rel=1e-9)


def test_an_explanation_that_is_as_good_is_equal():
    """Right model against right model with one value off: equal until the odds are 1 to 100.

    Moving a value by d standard deviations adds d^2 to the sum of squares over the variance; the
    odds fall below 1 to 100 beyond d^2 = -2 ln 0.01, the 99.8 % point of Wilks's chi-squared.
    """
    generator = np.random.default_rng(3)
    samples = 20_000
    x = np.sin(0.7 * np.arange(samples))
    noise = generator.normal(size=samples)
    noise -= x * float(x @ noise) / float(x @ x)
    unit = noise_of(noise, 0) / np.linalg.norm(x)
    limit = math.sqrt(-2 * math.log(0.01))
    assert chi2.cdf(limit**2, 1) == pytest.approx(0.9976, abs=1e-4)
    for d, verdict in ((0.9 * limit, 0), (1.1 * limit, 1)):
        theirs = noise + d * unit * x
        found = weigh(noise, theirs, 0, TOP_HZ, 0.99, only_noise=(True, True))
        assert found == verdict
        assert weigh(theirs, noise, 0, TOP_HZ, 0.99, only_noise=(True, True)) == -verdict
    # A further value is charged 2: what was worse by 0.81 of the limit now is worse by more.
    near = noise + math.sqrt(limit**2 - 1.0) * unit * x
    assert weigh(noise, near, 0, TOP_HZ, 0.99, only_noise=(True, True)) == 0
    assert weigh(noise, near, 1, TOP_HZ, 0.99, only_noise=(True, True)) == 1
    nearer = noise + math.sqrt(limit**2 - 2.5) * unit * x
    assert weigh(noise, nearer, 1, TOP_HZ, 0.99, only_noise=(True, True)) == 0


def test_only_one_that_leaves_noise_alone_wins():
    noise = np.random.default_rng(4).normal(size=2000)
    assert weigh(noise, noise, 0, TOP_HZ, 0.99, only_noise=(True, False)) == 1
    assert weigh(noise, noise, 0, TOP_HZ, 0.99, only_noise=(False, True)) == -1


def test_a_steady_difference_is_no_chance():
    """Errors of 1 and of 1.2 V throughout: their energies differ by 0.44 without any scatter."""
    ours = np.where(np.arange(1200) % 2 == 0, 1.0, -1.0)
    assert weigh(ours, 1.2 * ours, 0, TOP_HZ, 0.99, only_noise=(False, False)) == 1
    assert weigh(1.2 * ours, ours, 0, TOP_HZ, 0.99, only_noise=(False, False)) == -1


def test_wrong_against_wrong_allows_for_chance():
    """Two wrong models, alike on average: told apart in a hundredth of cases, not in all.

    Errors are slow random walks of their own, some 2.4 ms long; the difference of their energies
    is zero on average. Without the sum over lags the same comparison calls three quarters of them
    different.
    """
    generator = np.random.default_rng(5)
    decided = 0
    for _ in range(200):
        shocks = generator.normal(size=(2, 24_000))
        ours, theirs = lfilter([1.0], [1.0, -0.95], shocks, axis=1)
        decided += weigh(ours, theirs, 0, TOP_HZ, 0.99, only_noise=(False, False)) != 0
    # 2 expected; correlation cut off at a millisecond lets through some more.
    assert decided <= 9
    ours = lfilter([1.0], [1.0, -0.95], generator.normal(size=24_000))
    assert weigh(ours, 2.0 * ours, 0, TOP_HZ, 0.99, only_noise=(False, False)) == 1
