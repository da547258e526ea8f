"""Convolution with an impulse response, block by block.

Authority: direct summation of the convolution's definition (numpy.convolve in extended precision);
the transfer functions of a Butterworth low-pass and a resonance in the complex frequency; a delay
as its own closed form.
"""

import numpy as np
import pytest
import soundfile

from vadist.errors import AudioFileError, UsageError
from vadist.rendering.through import (
    CORNER_HZ,
    RESONANCE_DB,
    RESONANCE_HZ,
    RESONANCE_QUALITY,
    Response,
    load_response,
)


def heard(response: Response, samples: np.ndarray, cuts: list[int]) -> np.ndarray:
    blocks = list(response.through(iter(np.split(samples, cuts))))
    return np.concatenate(blocks)


@pytest.mark.parametrize("cuts", [[], [1, 2, 700], [4000], list(range(300, 5000, 300))])
@pytest.mark.parametrize(("taps", "channels"), [(1, 1), (37, 2), (3000, 1)])
def test_blocks_against_direct_summation(cuts, taps, channels):
    """-140 dB is asked for; double precision gives far less."""
    rng = np.random.default_rng(5)
    response = Response("ir", rng.standard_normal((taps, channels)), delay=taps // 3)
    samples = rng.standard_normal((5000, 2 if channels == 2 else 1))
    found = heard(response, samples, cuts)
    assert found.shape == samples.shape
    for k in range(samples.shape[1]):
        kernel = response.taps[:, min(k, channels - 1)].astype(np.longdouble)
        whole = np.convolve(samples[:, k].astype(np.longdouble), kernel)
        truth = whole[response.delay : response.delay + len(samples)]
        error = float(np.sum((found[:, k] - truth) ** 2) / np.sum(truth**2))
        assert 10 * np.log10(error + 1e-40) < -140.0
        print(f"{taps} taps: {10 * np.log10(error + 1e-40):.0f} dB")


def test_a_take_shorter_than_the_delay():
    response = Response("ir", np.arange(1.0, 101.0)[:, None], delay=90)
    samples = np.ones((30, 1))
    truth = np.convolve(samples[:, 0], response.taps[:, 0])[90:120]
    np.testing.assert_allclose(heard(response, samples, [10])[:, 0], truth, rtol=1e-12)


@pytest.mark.parametrize("silence", [0, 1234])
def test_a_unit_impulse_leaves_every_bit(tmp_path, silence):
    """Wherever it stands in its file: its delay is taken out."""
    path = tmp_path / "ir.wav"
    soundfile.write(path, np.r_[np.zeros(silence), 1.0, np.zeros(50)], 48_000, subtype="FLOAT")
    response = load_response(str(path), 48_000, 2)
    samples = np.random.default_rng(2).standard_normal((3000, 2))
    np.testing.assert_array_equal(heard(response, samples, [1000]), samples)


def test_a_response_of_another_rate_keeps_gain_and_place(tmp_path):
    """A low-passed impulse of 96 kHz at 44.1 kHz: the same curve, the same time zero."""
    path = tmp_path / "ir.wav"
    time = np.arange(-200, 201)
    kernel = np.sinc(time / 8.0) / 8.0 * np.hanning(401)  # 6 kHz
    soundfile.write(path, kernel, 96_000, subtype="DOUBLE")
    response = load_response(str(path), 44_100, 1)
    tap = np.arange(len(response.taps)) - response.delay
    frequencies = np.array([100.0, 1000.0, 5000.0])
    turn = np.exp(-2j * np.pi * np.outer(frequencies, tap) / 44_100)
    there = np.exp(-2j * np.pi * np.outer(frequencies, time) / 96_000)
    np.testing.assert_allclose(turn @ response.taps[:, 0], there @ kernel, atol=2e-4)


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
def test_the_roll_off_is_what_it_says(rate):
    """Fourth-order Butterworth and a peak, against their transfer functions; 0.1 dB."""
    response = load_response("roll-off", rate, 1)
    frequencies = np.array([20.0, 110.0, 440.0, 1500.0, 3000.0, 5000.0, 8000.0, 12_000.0])
    frequencies = frequencies[frequencies < 0.4 * rate]
    tap = np.arange(len(response.taps))
    found = np.exp(-2j * np.pi * np.outer(frequencies, tap) / rate) @ response.taps[:, 0]
    low = 1.0 / np.sqrt(1.0 + (frequencies / CORNER_HZ) ** 8)
    s, amplitude = 1j * frequencies / RESONANCE_HZ, 10 ** (RESONANCE_DB / 40)
    peak = (s**2 + s * amplitude / RESONANCE_QUALITY + 1) / (
        s**2 + s / amplitude / RESONANCE_QUALITY + 1
    )
    np.testing.assert_allclose(
        20 * np.log10(np.abs(found)), 20 * np.log10(low * np.abs(peak)), atol=0.1
    )


@pytest.mark.parametrize(
    ("samples", "fault", "told"),
    [
        (np.zeros(100), AudioFileError, "is silent"),
        (np.ones(48_000 * 21), AudioFileError, "lasts at most 20 s"),
        (np.ones((100, 3)), UsageError, "one channel, or the 2 of the take"),
    ],
)
def test_what_is_no_impulse_response(tmp_path, samples, fault, told):
    path = tmp_path / "ir.wav"
    soundfile.write(path, samples, 48_000, subtype="FLOAT")
    with pytest.raises(fault, match=told):
        load_response(str(path), 48_000, 2)
