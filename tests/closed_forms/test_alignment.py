"""Alignment and error figures against signals whose delay, gain and error are known exactly.

Authority: sums of Gaussian-windowed sines written down as functions of time, sampled at whatever
rate and delay is wanted; elementary algebra for the error-to-signal ratio.
"""

import math

import numpy as np
import pytest

from vadist.captures.align import Freedom, align
from vadist.captures.compare import compare, noise_above
from vadist.captures.waveform import Waveform, grid_times, high_passed, top_of_band
from vadist.errors import CaptureError, UsageError
from vadist.measure import PRE_EMPHASIS

SECONDS = 0.06
TONES_HZ = (220.0, 500.0, 1310.0, 3700.0, 7100.0)


def burst(t):
    """Five tones under a Gaussian: below 1e-2 at the ends, nothing above 8 kHz."""
    waves = sum(np.sin(2 * np.pi * f * t + k) / (1 + k) for k, f in enumerate(TONES_HZ))
    return waves * np.exp(-(((t - 0.03) / 0.012) ** 2))


def waveform(function, rate_hz, top_hz, seconds=SECONDS):
    return Waveform(function(np.arange(int(seconds * rate_hz)) / rate_hz), rate_hz, top_hz)


@pytest.mark.parametrize(("model_hz", "scope_hz"), [(44_100, 250_000), (48_000, 48_000)])
@pytest.mark.parametrize(("noise_db", "bound"), [(-40.0, 0.01), (-20.0, 0.1)])
def test_delay_sign_gain_and_offset(model_hz, scope_hz, noise_db, bound):
    """Delays to 0.01 sample at 40 dB and 0.1 sample at 20 dB, in samples of the model."""
    generator = np.random.default_rng(4)
    top = top_of_band(20e3, model_hz, scope_hz)
    model, worst = waveform(burst, model_hz, top), 0.0
    for case in range(6):
        whole = case < 2
        delay = -7 / scope_hz if whole else generator.uniform(-4e-3, 4e-3)
        sign, gain = (-1) ** case, generator.uniform(0.98, 1.02)
        t = np.arange(int(SECONDS * scope_hz)) / scope_hz
        clean = sign * gain * burst(t - delay) + 0.01
        noise = generator.normal(0.0, clean.std() * 10 ** (noise_db / 20), len(t))
        found = align(Waveform(clean + noise, scope_hz, top), model, Freedom(), top)
        worst = max(worst, abs(found.delay_s - delay) * model_hz)
        assert found.sign == sign
        # Standard errors of gain and offset are below noise/sqrt(samples of the band) = 0.3 %.
        assert found.gain == pytest.approx(gain, abs=0.012)
        assert found.at_bound == ()
    print(f"{model_hz} against {scope_hz} Hz at {-noise_db:g} dB: delay within {worst:.2g} samples")
    assert worst < bound


def test_clock_difference():
    """One second at 50 ppm slips by 2.4 samples of 48 kHz; it is found to 0.1 ppm without noise."""

    def long(t):
        return np.sin(2 * np.pi * (200.0 * t + 400.0 * t**2)) * np.sin(np.pi * np.clip(t, 0, 1))

    model = waveform(long, 48_000, 20e3, 1.0)
    measured = waveform(lambda t: long((t - 2e-3) * (1 + 50e-6)), 192_000, 20e3, 0.99)
    found = align(measured, model, Freedom(clock_ppm=200.0), 20e3)
    assert found.clock_ppm == pytest.approx(50.0, abs=0.1)
    assert found.delay_s == pytest.approx(2e-3, abs=1e-7)
    t = np.linspace(0.1, 0.9, 999)
    # 0.1 ppm over half a second is 50 ns of a tone below 1 kHz.
    assert np.abs(found.apply(model, t) - measured.at(t)).max() < 5e-4


def test_bounds_hold_and_are_told():
    model = waveform(burst, 48_000, 20e3)
    measured = waveform(lambda t: 1.2 * burst(t) + 0.3, 48_000, 20e3)
    found = align(measured, model, Freedom(gain=0.05, offset_v=0.1), 20e3)
    assert found.gain == pytest.approx(1.05, abs=1e-9)
    # The gain's bound moves volts at rest too: the burst starts at some millivolts.
    assert found.offset_v == pytest.approx(0.1 + 0.05 * abs(burst(0.0)), abs=1e-6)
    assert set(found.at_bound) == {"gain", "offset"}
    held = align(measured, model, Freedom(gain=0.0, offset_v=0.0, sign=1), 20e3)
    assert (held.gain, held.offset_v, held.sign) == (1.0, 0.0, 1)
    with pytest.raises(CaptureError, match="silent"):
        align(waveform(np.zeros_like, 48_000, 20e3), model, Freedom(), 20e3)
    with pytest.raises(CaptureError, match="no delay within the bounds"):
        align(measured, model, Freedom(delay_s=(5.0, 6.0)), 20e3)
    with pytest.raises(UsageError, match="gain tolerance"):
        Freedom(gain=2.0)


def test_level_steps_are_not_mistaken_for_each_other():
    """A capture of the louder of two like bursts lies where its level says, gain being bounded."""

    def two(t):
        return burst(t) + 0.5 * burst(t - 0.06)

    model = waveform(two, 48_000, 20e3, 0.12)
    found = align(waveform(lambda t: 0.5 * burst(t), 48_000, 20e3), model, Freedom(), 20e3)
    assert found.delay_s == pytest.approx(-0.06, abs=1e-5)


def test_waveform_between_samples():
    """A tone at half the band is met to 1e-7 between samples, its slope to 1e-6 of 2 pi f.

    Cause: the quintic spline on ten samples a period of the top has (pi/10)^6/30240 = 3e-8 there.
    """
    wave = waveform(lambda t: np.cos(2 * np.pi * 10e3 * t), 44_100, 19e3)
    t = np.linspace(0.02, 0.04, 999)
    assert np.abs(wave.at(t) - np.cos(2 * np.pi * 10e3 * t)).max() < 1e-6
    slope = wave.slope_at(t) / (2 * np.pi * 10e3)
    assert np.abs(slope + np.sin(2 * np.pi * 10e3 * t)).max() < 1e-5


def test_band_limit_is_alike_for_all_rates():
    """A tone above the band vanishes (-100 dB), one within stays (0.001 dB)."""
    for rate in (96_000, 250_000):
        t = np.linspace(0.02, 0.04, 500)
        above = waveform(lambda t: np.sin(2 * np.pi * 30e3 * t), rate, 20e3)
        within = waveform(lambda t: np.sin(2 * np.pi * 5e3 * t), rate, 20e3)
        assert np.abs(above.at(t)).max() < 1e-5
        assert np.abs(within.at(t) - np.sin(2 * np.pi * 5e3 * t)).max() < 1e-4


def test_ac_coupling_is_a_first_order_high_pass():
    """Step response exp(-2 pi f t), to 1e-4 by the bilinear rule at 48 kHz."""
    found = high_passed(np.ones(4800), 48_000.0, 5.0)
    t = np.arange(4800) / 48_000
    assert np.abs(found - np.exp(-2 * np.pi * 5.0 * t)).max() < 5e-4


T = np.arange(4800) / 48e3
SINE = np.sin(2 * np.pi * 100.0 * T)
THIRD = np.sin(2 * np.pi * 300.0 * T)


def emphasis(hz):
    """Gain of 1 - 0.85 z^-1."""
    return abs(1.0 - PRE_EMPHASIS * np.exp(-2j * np.pi * hz / 48e3))


@pytest.mark.parametrize(
    ("predicted", "esr"),
    [
        (0.9 * SINE, 0.01),
        (SINE + 0.1 * THIRD, 0.01),
        (SINE + 0.02 * np.cos(2 * np.pi * 100.0 * T), 0.0004),
        (-SINE, 4.0),
    ],
)
def test_error_to_signal_ratio_of_perturbations(predicted, esr):
    """Whole periods: the ratio of squares, to 1e-9."""
    found = compare(SINE, predicted, T)
    assert 10 ** (found.esr_db / 10) == pytest.approx(esr, rel=1e-9)
    assert found.rms_error_v == pytest.approx(math.sqrt(esr / 2), rel=1e-9)
    assert found.rms_error_dbv == pytest.approx(10 * math.log10(esr / 2), abs=1e-8)


def emphasised_energy(hz):
    """Energy of a sine of whole periods after the filter, whose first sample has no past."""
    missing = PRE_EMPHASIS * math.sin(2 * math.pi * hz * T[1])
    return 0.5 * len(T) * emphasis(hz) ** 2 - missing**2


def test_pre_emphasis():
    """Third harmonic added: energies of both sines after the filter, to 1e-9."""
    found = compare(SINE, SINE + 0.1 * THIRD, T)
    wanted = 0.01 * emphasised_energy(300.0) / emphasised_energy(100.0)
    assert 10 ** (found.pre_emphasised_esr_db / 10) == pytest.approx(wanted, rel=1e-9)


def test_clip_levels_asymmetry_dc_and_largest_error():
    clipped = np.clip(SINE, -0.5, 0.7)
    found = compare(clipped + 0.2, np.clip(SINE, -0.5, 0.5), T, offset_v=0.05)
    middle = clipped.mean()
    assert found.upper_v == pytest.approx(0.7 - middle, abs=1e-12)
    assert found.lower_v == pytest.approx(-0.5 - middle, abs=1e-12)
    assert found.dc_v == pytest.approx(0.2 + middle + 0.05, abs=1e-12)
    up, down = 0.7 - middle, 0.5 + middle
    assert found.asymmetry == pytest.approx((up - down) / (up + down), abs=1e-12)
    assert found.clip_level == pytest.approx(max(abs(up - 0.5), abs(down - 0.5)) / 0.6, rel=1e-9)
    spiked = SINE.copy()
    spiked[1234] += 1.0
    spike = compare(spiked, SINE, T)
    assert spike.max_error_v == pytest.approx(1.0 - 1.0 / 4800, abs=1e-12)
    assert spike.max_error_s == pytest.approx(1234 / 48e3)


def test_noise_is_told_from_above_the_band():
    """White noise: sigma sqrt(band/Nyquist), to 10 %; the quietest of parts errs low."""
    generator = np.random.default_rng(2)
    t = np.arange(50_000) / 250e3
    volts = np.sin(2 * np.pi * 1e3 * t) + generator.normal(0.0, 0.01, len(t))
    found = noise_above(volts, 250e3, 20e3)
    assert found == pytest.approx(0.01 * math.sqrt(20e3 * 1.075 / 125e3), rel=0.1)
    assert noise_above(volts, 48e3, 20e3) is None
    silence = np.where(t < 0.05, 0.0, np.sin(2 * np.pi * 1e3 * t))[::5]
    grid = grid_times(0.19, 20e3)[: len(silence)]
    noisy = silence[: len(grid)] + generator.normal(0.0, 0.01, len(grid))
    figures = compare(noisy, silence[: len(grid)], grid)
    assert figures.noise_db == pytest.approx(figures.esr_db, abs=0.5)
