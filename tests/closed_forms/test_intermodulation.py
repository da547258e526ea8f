"""Intermodulation products against the closed form of a polynomial of two sines.

Authority: trigonometric identities. For x = P sin p + Q sin q and y = x + a x^2 + b x^3:
q +- p: a P Q; q +- 2p: 3/4 b P^2 Q; 2q +- p: 3/4 b P Q^2; P + b(3/4 P^3 + 3/2 P Q^2), likewise Q.
Tolerance of 1e-6 relative: what the measurement promises.
"""

import math

import numpy as np
import pytest

from vadist.errors import UsageError
from vadist.measure import (
    DIN_250_8000,
    SMPTE_DIN,
    TWIN_TONE,
    TonePair,
    difference_percent,
    intermodulation,
    modulation_percent,
    total_percent,
)

RATE = 192_000.0
A, B = 0.12, -0.05
EXACT = 1e-6


def distorted(pair, peak_v, seconds):
    x = pair.samples(RATE, round(RATE * seconds), peak_v)
    high = peak_v / (1 + pair.low_to_high)
    return x + A * x**2 + B * x**3, high * pair.low_to_high, high


def tone(own, other):
    return own + B * (0.75 * own**3 + 1.5 * own * other**2)


@pytest.mark.parametrize("pair", [SMPTE_DIN, DIN_250_8000, TWIN_TONE, TonePair(441.0, 5003.0, 0.7)])
def test_products_of_a_polynomial(pair):
    """Every product of second and third order, and nothing of fourth and fifth."""
    y, low, high = distorted(pair, 1.3, seconds=0.2003)  # no whole number of periods
    table = intermodulation(y, RATE, pair.low_hz, pair.high_hz, order=5)
    assert table.low_v == pytest.approx(tone(low, high), rel=EXACT)
    assert table.high_v == pytest.approx(tone(high, low), rel=EXACT)
    expected = {
        (1, 1): A * low * high,
        (-1, 1): A * low * high,
        (2, 1): 0.75 * abs(B) * low**2 * high,
        (-2, 1): 0.75 * abs(B) * low**2 * high,
        (1, 2): 0.75 * abs(B) * low * high**2,
        (-1, 2): 0.75 * abs(B) * low * high**2,
    }
    for orders, level in expected.items():
        assert table.level_v(*orders) == pytest.approx(level, rel=EXACT), orders
    assert {(p.low_order, p.high_order) for p in table.products if p.order <= 3} == set(expected)
    higher = [p.level_v for p in table.products if p.order > 3]
    fourth_and_fifth = [(m, n) for n in (1, 2, 3, 4) for m in (4 - n, 5 - n, n - 4, n - 5) if m]
    lines = [abs(m * pair.low_hz + n * pair.high_hz) for m, n in fourth_and_fifth]
    assert len(higher) == sum(line < RATE / 2 for line in lines)
    assert higher == pytest.approx([0.0] * len(higher), abs=1e-9)
    for product in table.products:
        line = product.low_order * pair.low_hz + product.high_order * pair.high_hz
        assert product.frequency_hz == pytest.approx(abs(line))


@pytest.mark.parametrize("pair", [SMPTE_DIN, DIN_250_8000])
def test_modulation_percentage(pair):
    """Sidebands add in pairs: 2aPQ and 2(3/4)bP^2Q over the high tone."""
    y, low, high = distorted(pair, 1.3, seconds=0.2)
    table = intermodulation(y, RATE, pair.low_hz, pair.high_hz)
    expected = math.hypot(2 * A * low * high, 1.5 * B * low**2 * high) / tone(high, low)
    assert modulation_percent(table) == pytest.approx(100 * expected, rel=EXACT)


def test_modulation_percentage_is_the_depth_of_amplitude_modulation():
    """(1 + m sin p) sin q has sidebands m/2 each: the figure is m, here 7 %."""
    t = np.arange(38_400) / RATE
    y = (1 + 0.07 * np.sin(2 * np.pi * 60 * t)) * np.sin(2 * np.pi * 7000 * t)
    assert modulation_percent(intermodulation(y, RATE, 60.0, 7000.0)) == pytest.approx(7.0)


def test_twin_tone_percentages():
    """d2 = aPQ/(P+Q) and d3 = 2 (3/4) b P^3/(P+Q) with the tones as they come out."""
    y, level, _ = distorted(TWIN_TONE, 1.3, seconds=0.1)
    table = intermodulation(y, RATE, TWIN_TONE.low_hz, TWIN_TONE.high_hz)
    second, third, out = A * level**2, 0.75 * abs(B) * level**3, tone(level, level)
    assert difference_percent(table) == pytest.approx(
        100 * math.hypot(second, 2 * third) / (2 * out), rel=EXACT
    )
    # Up to 20 kHz: 1 kHz and 18 kHz; 21 kHz and the sums lie above.
    assert total_percent(table, limit_hz=20e3) == pytest.approx(
        100 * math.hypot(second, third) / math.hypot(out, out), rel=EXACT
    )
    assert total_percent(table) == pytest.approx(
        100 * math.hypot(*[second] * 2, *[third] * 4) / math.hypot(out, out), rel=EXACT
    )


def test_a_line_shared_by_several_products_counts_once():
    """1 and 2 kHz: products fall on harmonics and on each other, each frequency stands once."""
    x = TonePair(1000.0, 2000.0).samples(RATE, 19_200, 1.0)
    table = intermodulation(x + 0.1 * x**3, RATE, 1000.0, 2000.0, order=5)
    lines = [p.frequency_hz for p in table.products]
    assert len(lines) == len(set(lines))
    assert not {1000.0, 2000.0} & set(lines)


def test_products_above_half_the_rate_are_left_out():
    table = intermodulation(TWIN_TONE.samples(48e3, 4800, 1.0), 48e3, 19e3, 20e3, order=3)
    assert [p.frequency_hz for p in table.products] == [1000.0, 18_000.0, 21_000.0]


def test_a_pair_peaks_at_the_level_asked_for():
    """4:1 of 1 V peak: 0.8 and 0.2 V."""
    table = intermodulation(SMPTE_DIN.samples(RATE, 38_400, 1.0), RATE, 60.0, 7000.0)
    assert [table.low_v, table.high_v] == pytest.approx([0.8, 0.2], rel=EXACT)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((RATE, 7000.0, 60.0), r"low_hz must be below high_hz, got 7000 and 60 Hz"),
        ((RATE, 60.0, 96e3), r"high_hz must be below half"),
        ((RATE, 60.0, 7000.0, 1), r"order of intermodulation must be >= 2, got 1"),
        ((RATE, 60.0, 7000.0), r"60 Hz apart need a record of 4 turns"),
    ],
)
def test_what_cannot_be_measured_is_explained(arguments, message):
    with pytest.raises(UsageError, match=message):
        intermodulation(np.zeros(9600), *arguments)
