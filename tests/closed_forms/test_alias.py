"""Alias power of a hard clip against its definition, at several oversampling factors.

Authority: the clipped sine sampled directly; ideal decimation by cutting its exact spectrum. The
figures in dB were computed from the definition, independently of this code; they are not
published.
"""

import math

import numpy as np
import pytest

from vadist.errors import UsageError
from vadist.measure import alias_power_db, coherent_frequency

RATE = 44_100.0
SAMPLES = 44_100


def clipped_sine(frequency_hz, amplitude, factor):
    """Clip at +-1 at factor times the rate, then keep the lines below half the rate."""
    time = np.arange(SAMPLES * factor) / (RATE * factor)
    clipped = np.clip(amplitude * np.sin(2 * np.pi * frequency_hz * time), -1.0, 1.0)
    spectrum = np.fft.rfft(clipped)[: SAMPLES // 2 + 1] / factor
    spectrum[-1] = 0.0
    return np.fft.irfft(spectrum, SAMPLES)


@pytest.mark.parametrize(
    ("frequency_hz", "amplitude", "wanted_to_alias_db"),
    [
        (1249.0, 10.0, (31.1, 45.6, 57.4, 69.2)),
        (1249.0, 2.0, (44.3, 58.9, 71.7, 83.4)),
        (4999.0, 10.0, (11.8, 24.1, 42.9, 51.4)),
    ],
)
def test_hard_clip(frequency_hz, amplitude, wanted_to_alias_db):
    """At 1x, 2x, 4x, 8x. Tolerance: the figures are rounded to 0.1 dB."""
    found = [
        alias_power_db(clipped_sine(frequency_hz, amplitude, factor), RATE, frequency_hz)
        for factor in (1, 2, 4, 8)
    ]
    assert found == pytest.approx([-db for db in wanted_to_alias_db], abs=0.06)


def test_one_line_of_known_level():
    """A tone with two harmonics, DC, and a line at -80 dB of their power; lines out of band."""
    n = 4096
    turn = 2 * np.pi * np.arange(n) / n
    wanted = np.sin(101 * turn) + 0.5 * np.sin(202 * turn) + 0.3
    line = math.sqrt(1.25) * 1e-4 * np.sin(333 * turn)
    outside = 0.2 * np.sin(turn) + 0.2 * np.sin(1800 * turn)  # 11.7 Hz and 21.1 kHz
    found = alias_power_db(wanted + line + outside, 48e3, 101 * 48e3 / n)
    assert found == pytest.approx(-80.0, abs=1e-6)  # rounding


def test_a_clean_tone_has_no_aliases():
    """The floor is that of double precision, not of a window."""
    frequency = coherent_frequency(1000.0, 48e3, 8192)
    tone = np.sin(2 * np.pi * frequency * np.arange(8192) / 48e3)
    assert alias_power_db(tone, 48e3, frequency) < -250.0


def test_direct_current_is_neither():
    """Not even in a band that begins at 0 Hz."""
    turn = 2 * np.pi * np.arange(4096) / 4096
    tone = np.sin(101 * turn) + 1e-3 * np.sin(150 * turn)
    frequency = 101 * 48e3 / 4096
    found = alias_power_db(tone + 7.0, 48e3, frequency, band_hz=(0.0, 24e3))
    assert found == pytest.approx(-60.0, abs=1e-6)


@pytest.mark.parametrize("target_hz", [41.2, 1000.0, 4186.0, 23_999.0])
@pytest.mark.parametrize("samples", [4096, 48_000, 65_536, 1_000_003])
def test_coherent_frequency(target_hz, samples):
    """Whole turns, coprime to the length, and no other such frequency lies nearer."""
    found = coherent_frequency(target_hz, 48e3, samples)
    turns = found * samples / 48e3
    whole = round(turns)
    assert turns == pytest.approx(whole, rel=1e-12)
    assert 0 < found < 24e3
    assert math.gcd(whole, samples) == 1
    wanted = target_hz * samples / 48e3
    reach = math.ceil(abs(whole - wanted))
    for other in range(max(1, round(wanted) - reach), min(samples // 2, round(wanted) + reach)):
        if math.gcd(other, samples) == 1 and 2 * other < samples:
            assert abs(whole - wanted) <= abs(other - wanted) + 1e-9


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda x: alias_power_db(x, 48e3, 1000.5), r"whole number of periods .* 1000.5; take"),
        (lambda x: alias_power_db(x, 48e3, 1000.0), r"1024 phases .* got 48; take"),
        (lambda x: alias_power_db(x, 48e3, 1001.0), r"must hold a harmonic of 1001 Hz"),
        (lambda x: coherent_frequency(1000.0, 48e3, 1000), r"samples must be >= 1024, got 1000"),
        (lambda x: coherent_frequency(24e3, 48e3, 4096), r"target_hz must be below half"),
    ],
)
def test_what_cannot_be_measured_is_explained(call, message):
    with pytest.raises(UsageError, match=message):
        call(np.zeros(48_000))
