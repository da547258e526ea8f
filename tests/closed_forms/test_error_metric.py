"""Error-to-signal ratio, null depth, third octaves and centroid against closed forms.

Authority: the definitions worked by hand on signals of known power (Wright & Valimaki,
arXiv:1911.08922, for the ratio); IEC 61260-1 for band centres and edges (nominal frequencies
from memory, not located). Tolerances: rounding, unless a test says otherwise.
"""

import math

import numpy as np
import pytest

from vadist.errors import UsageError
from vadist.measure import (
    PRE_EMPHASIS,
    dc_error_ratio_db,
    error_to_signal_ratio_db,
    null_depth_db,
    spectral_centroid_hz,
    third_octave_levels,
)

RATE = 48_000.0


def tone(cycles, samples=48_000):
    return np.sin(2 * np.pi * cycles * np.arange(samples) / samples)


def test_one_per_cent_is_minus_twenty_decibels():
    """An orthogonal error of a tenth of the amplitude has a hundredth of the power."""
    y = tone(100)
    assert error_to_signal_ratio_db(y, y + 0.1 * tone(700)) == pytest.approx(-20.0)
    assert error_to_signal_ratio_db(y, np.zeros_like(y)) == pytest.approx(0.0)
    assert error_to_signal_ratio_db(y, y) == -math.inf


def test_the_target_is_the_denominator():
    y = tone(100)
    assert error_to_signal_ratio_db(y, 3 * y) == pytest.approx(20 * math.log10(2))
    assert error_to_signal_ratio_db(3 * y, y) == pytest.approx(20 * math.log10(2 / 3))


def test_pre_emphasis_weighs_by_its_gain():
    """|1 - c e^(-jw)|^2 = 1 + c^2 - 2c cos w at the error and at the tone.

    Tolerance: the first sample has no predecessor, one of 48 000.
    """
    y, error = tone(100), 0.1 * tone(7000)
    gain = [
        1 + PRE_EMPHASIS**2 - 2 * PRE_EMPHASIS * math.cos(2 * math.pi * k / 48_000)
        for k in (100, 7000)
    ]
    expected = -20 + 10 * math.log10(gain[1] / gain[0])
    found = error_to_signal_ratio_db(y, y + error, pre_emphasis=PRE_EMPHASIS)
    assert found == pytest.approx(expected, abs=1e-2)
    assert expected > -10.0  # so the filter matters here


def test_dc_term_sees_the_offset_alone():
    """An offset d against a sine of power 1/2: 2 d^2."""
    y = tone(100)
    found = dc_error_ratio_db(y, y + 0.01 + 0.3 * tone(50))
    assert found == pytest.approx(10 * math.log10(2e-4))


def test_channels_count_together():
    """An error in one of two alike channels weighs half."""
    y = tone(100)
    both = np.stack([y, y], axis=1)
    found = error_to_signal_ratio_db(both, np.stack([y, 0.9 * y], axis=1))
    assert found == pytest.approx(-20 + 10 * math.log10(0.5))
    opposed = np.stack([y + 0.1, y - 0.1], axis=1)  # offsets do not cancel across channels
    assert dc_error_ratio_db(both, opposed) == pytest.approx(10 * math.log10(0.02))


@pytest.mark.parametrize("gain", [1.0, 0.5, -4.0])
def test_null_of_a_scaled_copy_is_perfect(gain):
    """Powers of two scale without rounding, so nothing at all is left."""
    y = np.random.default_rng(3).standard_normal(1000)
    assert null_depth_db(y, gain * y) == -math.inf


@pytest.mark.parametrize("ratio", [1e-6, 0.1, 1.0])
def test_null_depth_is_what_is_orthogonal(ratio):
    """Of r against r + e, e orthogonal with power q, the best gain leaves q/(1 + q)."""
    y, error = tone(100), math.sqrt(ratio) * tone(700)
    found = null_depth_db(y, 0.37 * (y + error))
    assert found == pytest.approx(10 * math.log10(ratio / (1 + ratio)), abs=1e-6)


def test_null_against_silence_or_a_stranger_is_none():
    y = tone(100)
    assert null_depth_db(y, np.zeros_like(y)) == pytest.approx(0.0)
    assert null_depth_db(y, tone(700)) == pytest.approx(0.0, abs=1e-9)


def test_third_octave_centres():
    """31 nominal frequencies from 20 Hz to 20 kHz, exact ones 10^(n/10): within 1.3 % of them."""
    bands = third_octave_levels(np.ones(100), RATE)
    nominal = [20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800]
    nominal += [1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10_000, 12_500]
    nominal += [16_000, 20_000]
    assert bands.nominal_hz == pytest.approx(nominal)
    assert bands.centres_hz == pytest.approx([10 ** (n / 10) for n in range(13, 44)])
    assert bands.centres_hz == pytest.approx(nominal, rel=0.013)


@pytest.mark.parametrize("rate", [44_100.0, 48_000.0, 192_000.0])
@pytest.mark.parametrize("index", [3, 12, 17, 28])
def test_tone_at_a_centre_fills_its_band(rate, index):
    """-3.01 dB in its band but for what the ends of the record spread: 1/(pi^2 B T) of the power.

    That share of a tone cut to T seconds lies more than B Hz off it; B is half the band's width.
    Tolerance 0.002 dB: the band's edges lie unevenly about the tone and on no bin.
    """
    frequency = 10 ** ((13 + index) / 10)
    x = np.sin(2 * np.pi * frequency * np.arange(round(10 * rate)) / rate)
    levels = third_octave_levels(x, rate).levels_db
    half_width_hz = frequency * (10**0.05 - 10**-0.05) / 2
    spread = 1 / (math.pi**2 * half_width_hz * 10)
    expected = 10 * math.log10(0.5 * (1 - spread))
    assert levels[index] == pytest.approx(expected, abs=0.002)
    others = np.sum(10 ** (np.delete(levels, index) / 10))
    assert others < 1.2 * 0.5 * spread


@pytest.mark.parametrize("edge", [1.65, 2.05, 3.55])
def test_tone_on_the_edge_of_two_bands_is_shared(edge):
    """Half of its power either side. Tolerance: the edge lies on no bin, bins are 0.7 Hz."""
    x = np.sin(2 * np.pi * 10**edge * np.arange(480_000) / RATE)
    levels = third_octave_levels(x, RATE).levels_db
    lower = round(10 * edge - 13.5)
    assert levels[lower : lower + 2] == pytest.approx([-6.02, -6.02], abs=0.4)


def test_white_noise_rises_a_decibel_a_band():
    """Bandwidth grows by 10^0.1. Tolerance: four sigma of noise power in the widest bands."""
    noise = np.random.default_rng(5).standard_normal(480_000)
    bands = third_octave_levels(noise, RATE)
    expected = 10 * np.log10(bands.centres_hz * (10**0.05 - 10**-0.05) / 24e3)
    spread = 4.34 / np.sqrt(bands.centres_hz * 0.23 * 10)  # of 10 log10 of a mean, 10 s of noise
    assert (np.abs(bands.levels_db - expected) < 4.5 * spread).all()


def test_bands_keep_the_energy_of_a_burst():
    """A burst at the very end of a record counts in full: bands sum to its mean square."""
    x = np.zeros(48_000)
    burst = np.sin(2 * np.pi * 1000 * np.arange(4800) / RATE) * np.hanning(4800)
    x[-4800:] = burst
    levels = third_octave_levels(x, RATE).levels_db
    total = np.sum(10 ** (levels / 10))
    assert total == pytest.approx(np.mean(x**2), rel=1e-4)  # what lies outside 18 Hz to 22 kHz
    moved = third_octave_levels(np.roll(x, -20_000), RATE).levels_db
    assert moved[10:24] == pytest.approx(levels[10:24], abs=0.05)  # bins against the hop


def test_bands_above_half_the_rate_are_left_out():
    assert third_octave_levels(tone(100, 8000), 8000.0).nominal_hz[-1] == 3150.0


def test_channel_powers_are_averaged():
    y = tone(1000)
    both = third_octave_levels(np.stack([y, 0 * y], axis=1), RATE).levels_db
    assert both[17] == pytest.approx(third_octave_levels(y, RATE).levels_db[17] - 3.0103, abs=1e-4)


def test_centroid_of_two_tones():
    """Weighted by power: 500 Hz at 2 and 5 kHz at 1 gives (4 * 500 + 5000)/5.

    Tolerance: the ends of the record spread 1e-4 of the power upwards.
    """
    x = 2 * tone(5000, 480_000) + tone(50_000, 480_000)
    assert spectral_centroid_hz(x, RATE) == pytest.approx(1400.0, rel=2e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda y: error_to_signal_ratio_db(0 * y, y), r"target must not be silent"),
        (lambda y: error_to_signal_ratio_db(y, y[1:]), r"must have one shape .* align and cut"),
        (lambda y: error_to_signal_ratio_db(y, y, 1.0), r"pre_emphasis must be >= 0 and < 1"),
        (lambda y: null_depth_db(y, np.full_like(y, np.inf)), r"estimate must hold finite"),
        (lambda y: null_depth_db(y[:0], y[:0]), r"target must hold at least one sample"),
        (lambda y: spectral_centroid_hz(0 * y, RATE), r"no centroid without power"),
        (lambda y: third_octave_levels(y, 30.0), r"must hold the 20 Hz band, got 30 Hz"),
        (lambda y: third_octave_levels(y, -1.0), r"sample_rate_hz must be > 0 Hz, got -1"),
    ],
)
def test_what_cannot_be_measured_is_explained(call, message):
    with pytest.raises(UsageError, match=message):
        call(tone(100))
