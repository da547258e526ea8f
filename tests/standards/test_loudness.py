"""Integrated loudness against ITU-R BS.1770-4 and EBU Tech 3341.

Authority: the filter coefficients and the gating of BS.1770-4 Annex 1, transcribed here; the
test signals of EBU Tech 3341 (2023), synthesised, with its tolerance of 0.1 LU. pyloudnorm, a
general-purpose meter whose filters alone the package uses, is a second opinion on the gating.
"""

import math

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import freqz, lfilter

from vadist.errors import UsageError
from vadist.measure import LoudnessMeter, integrated_loudness

SHELF = (
    [1.53512485958697, -2.69169618940638, 1.19839281085285],
    [1.0, -1.69065929318241, 0.73248077421585],
)
HIGH_PASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])
"""BS.1770-4 Annex 1, tables 1 and 2, for 48 kHz."""


def tone(seconds, peak_dbfs, rate=48_000, frequency_hz=1000.0):
    time = np.arange(round(seconds * rate)) / rate
    return 10 ** (peak_dbfs / 20) * np.sin(2 * np.pi * frequency_hz * time)


def k_gain_db(frequency_hz):
    response = [freqz(*f, [frequency_hz], fs=48_000)[1][0] for f in (SHELF, HIGH_PASS)]
    return 20 * math.log10(abs(response[0] * response[1]))


def written_out(channels, gains):
    """BS.1770-4 equations 1 to 7, word for word, at 48 kHz."""
    power = [lfilter(*HIGH_PASS, lfilter(*SHELF, channel)) ** 2 for channel in channels]
    starts = range(0, len(channels[0]) - 19_200 + 1, 4800)
    z = np.array([[np.mean(p[s : s + 19_200]) for s in starts] for p in power])
    loudness = -0.691 + 10 * np.log10(gains @ z)
    kept = loudness > -70
    relative = -0.691 + 10 * np.log10(gains @ z[:, kept].mean(axis=1)) - 10
    kept &= loudness > relative
    return -0.691 + 10 * np.log10(gains @ z[:, kept].mean(axis=1))


TECH_3341 = pytest.mark.parametrize(
    ("sections", "expected"),
    [
        ([(20, -23)], -23.0),
        ([(20, -33)], -33.0),
        ([(10, -36), (60, -23), (10, -36)], -23.0),
        ([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0),
        ([(20, -26), (20.1, -20), (20, -26)], -23.0),
    ],
    ids=["case 1", "case 2", "case 3", "case 4", "case 5"],
)


@TECH_3341
def test_tech_3341_integrated(sections, expected):
    """1 kHz in phase on both channels; seconds and peak dBFS of each section."""
    programme = np.concatenate([tone(*section) for section in sections])
    found = integrated_loudness(np.stack([programme, programme], axis=1), 48_000)
    print(f"{found:.3f} LUFS, wanted {expected:g}: {found - expected:+.3f} LU")
    assert found == pytest.approx(expected, abs=0.1)


def test_tech_3341_case_6_five_channels():
    """1 kHz for 20 s at -28 (left, right), -24 (centre) and -30 dBFS (surrounds) reads -23.0 LUFS.

    Levels from memory, not located; the sum of BS.1770 bears them out: 2 x 10^-2.8 + 10^-2.4 +
    2 x 1.41 x 10^-3 is 0.023 dB under the 2 x 10^-2.3 of case 1. Without the weights it reads
    -23.4, which fails.
    """
    levels_dbfs = (-28.0, -28.0, -24.0, -30.0, -30.0)
    programme = np.stack([tone(20, level) for level in levels_dbfs], axis=1)
    found = integrated_loudness(programme, 48_000)
    print(f"case 6: {found:.3f} LUFS, wanted -23: {found + 23:+.3f} LU")
    assert found == pytest.approx(-23.0, abs=0.1)


def test_full_scale_sine_in_one_channel():
    """BS.1770-4: a 0 dBFS 997 Hz sine in one front channel reads -3.01 LKFS."""
    one = tone(2, 0, frequency_hz=997.0)
    assert integrated_loudness(one, 48_000) == pytest.approx(-3.01, abs=0.005)
    assert integrated_loudness(np.stack([0 * one, one], axis=1), 48_000) == pytest.approx(
        -3.01, abs=0.005
    )


@pytest.mark.parametrize("frequency_hz", [50.0, 100.0, 500.0, 997.0, 2000.0, 10_000.0, 20_000.0])
def test_frequency_weighting_is_the_tabulated_one(frequency_hz):
    """Tolerance 0.005 LU: whole blocks of the slowest tone, and the filters' settling."""
    found = integrated_loudness(tone(3, -20, frequency_hz=frequency_hz), 48_000)
    expected = -0.691 - 20 - 10 * math.log10(2) + k_gain_db(frequency_hz)
    assert found == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    "rate", [8000, 11_025, 16_000, 22_050, 32_000, 44_100, 88_200, 96_000, 192_000, 384_000]
)
@pytest.mark.parametrize("frequency_hz", [50.0, 997.0, 3500.0])
def test_other_rates_weigh_alike(rate, frequency_hz):
    """Within 0.02 LU of the response at 48 kHz: the bilinear transform's warping."""
    found = integrated_loudness(tone(2, -20, rate, frequency_hz), rate)
    expected = -0.691 - 20 - 10 * math.log10(2) + k_gain_db(frequency_hz)
    assert found == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("samples", [19_200, 24_000, 100_000, 211_199])
def test_gating_written_out_word_for_word(samples):
    """Noise of rising level in three channels, down to a level that both gates reject.

    The last, incomplete block must not count. Tolerance: block limits rounded to a sample.
    """
    rng = np.random.default_rng(samples)
    envelope = 10 ** (np.linspace(-80, -10, samples) / 20)
    channels = rng.standard_normal((samples, 3)) * envelope[:, np.newaxis] * [0.5, 0.3, 0.2]
    expected = written_out(channels.T, np.ones(3))
    assert integrated_loudness(channels, 48_000) == pytest.approx(expected, abs=1e-3)


def test_surround_channels_weigh_more():
    """G = 1.41 for the surrounds: 1.5 dB."""
    surround = np.zeros((48_000, 5))
    surround[:, 4] = tone(1, -20)
    front = np.zeros((48_000, 5))
    front[:, 2] = tone(1, -20)
    difference = integrated_loudness(surround, 48_000) - integrated_loudness(front, 48_000)
    assert difference == pytest.approx(10 * math.log10(1.41), abs=1e-6)


@pytest.mark.parametrize("level_dbfs", [-math.inf, -90.0])
def test_what_no_gate_passes_is_minus_infinity(level_dbfs):
    assert integrated_loudness(tone(1, level_dbfs), 48_000) == -math.inf


def test_the_clip_is_left_alone():
    clip = tone(1, -20)
    before = clip.copy()
    integrated_loudness(clip, 48_000)
    assert np.array_equal(clip, before)


@pytest.mark.parametrize(
    ("clip", "rate", "message"),
    [
        (np.zeros(19_199), 48_000, r"at least 400 ms, got 400.0 ms; pad it"),
        (np.zeros(4800), 48_000, r"at least 400 ms, got 100.0 ms; pad it"),
        (np.zeros((48_000, 6)), 48_000, r"at most 5 channels, got 6"),
        (np.zeros(48_000), 7999, r"8000 to 384000 Hz for loudness, got 7999 Hz"),
        (np.full(48_000, np.nan), 48_000, r"samples must hold finite samples only"),
    ],
)
def test_what_cannot_be_measured_is_explained(clip, rate, message):
    with pytest.raises(UsageError, match=message):
        integrated_loudness(clip, rate)


def metered(clip, rate, sizes):
    """Loudness of a clip handed over in pieces of the sizes, again and again."""
    meter, start, turn = LoudnessMeter(rate, clip.shape[1]), 0, 0
    while start < len(clip):
        meter.add(clip[start : start + sizes[turn % len(sizes)]])
        start += sizes[turn % len(sizes)]
        turn += 1
    return meter.integrated()


@TECH_3341
def test_tech_3341_piece_by_piece(sections, expected):
    """Odd sizes, none of which divides a hop; 0 stands for an empty piece."""
    programme = np.concatenate([tone(*section) for section in sections])
    found = metered(np.stack([programme, programme], axis=1), 48_000, [4799, 0, 1, 30_011, 7])
    assert found == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("rate", [8000, 11_025, 22_050, 44_056, 44_100, 48_000, 96_000])
def test_pieces_do_not_matter(rate):
    """Rounding only, 1e-9 LU; also where hops have a fraction, and at rates resampled first."""
    rng = np.random.default_rng(rate)
    clip = rng.standard_normal((int(1.73 * rate), 2)) * [0.2, 0.01]
    whole = integrated_loudness(clip, rate)
    for sizes in ([len(clip)], [997, 1, 5000], [333]):
        assert metered(clip, rate, sizes) == pytest.approx(whole, abs=1e-9)


def test_a_general_purpose_meter_agrees():
    """At 48 kHz, where nothing is corrected; 1e-9 LU: rounding."""
    samples = 48_000 * 3
    envelope = 10 ** (np.linspace(-75, -10, samples) / 20)  # both gates have work to do
    clip = np.random.default_rng(5).standard_normal((samples, 2)) * envelope[:, np.newaxis]
    expected = pyloudnorm.Meter(48_000, filter_class="DeMan").integrated_loudness(clip)
    assert integrated_loudness(clip, 48_000) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("samples", [0, 100, 19_199])
def test_a_take_shorter_than_a_block_has_no_loudness(samples):
    meter = LoudnessMeter(48_000, 1)
    meter.add(np.ones((samples, 1)))
    assert meter.integrated() == -math.inf


def test_a_meter_keeps_no_samples():
    """Its memory is ten energies a second: 12.5 s leave 125."""
    meter = LoudnessMeter(8000, 1)
    for _ in range(100):
        meter.add(np.ones((1000, 1)))
    held = [v for v in vars(meter).values() if isinstance(v, list | tuple | np.ndarray)]
    assert sum(np.size(v) for v in held if not isinstance(v, tuple)) <= 125 + 2 * 2
    assert metered(np.zeros((8000, 1)), 8000, [8000]) == -math.inf


def test_a_meter_is_read_as_often_as_wanted_but_not_refilled():
    meter = LoudnessMeter(22_050, 1)
    meter.add(tone(1, -20, rate=22_050)[:, np.newaxis])
    assert meter.integrated() == meter.integrated()
    with pytest.raises(UsageError, match="was read"):
        meter.add(np.zeros((10, 1)))


@pytest.mark.parametrize("piece", [np.zeros(10), np.zeros((10, 1)), np.zeros((10, 3))])
def test_pieces_of_another_shape_are_refused(piece):
    with pytest.raises(UsageError, match=r"shape \(samples, 2\), got \("):
        LoudnessMeter(48_000, 2).add(piece)


def test_a_piece_that_is_not_finite_is_refused():
    with pytest.raises(UsageError, match="sample 3"):
        LoudnessMeter(48_000, 1).add([[0.0], [0.0], [0.0], [np.inf]])
