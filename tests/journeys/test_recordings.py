"""Real guitars through every preset.

Authority: recordings of electric guitars that are no part of this project (see
tests/support/recordings.py); what a listener and a bench would demand of the output: rest before
the first note, no DC into the amplifier, more overtones with more drive.

Full scale is 0.3 V peak: the recordings are normalised near -3 dBFS, so that they peak near
0.2 V, inside the 0.1 V to 1 V that is quoted for guitars (common practice, no published source).
"""

import numpy as np
import pytest
from recordings import FIFTHS, HARMONICS, LOW_A, LOW_E, SLIDE, channel, recordings

from vadist.designs.files import load_design, preset_names
from vadist.rendering.arrays import render
from vadist.stepping.resampling import REACH

pytestmark = pytest.mark.network

FULL_SCALE_V = 0.3
SECONDS, SILENCE_S = 0.8, 0.05
RATE_HZ = 44_100
ONSET = round(SILENCE_S * RATE_HZ)

# A file of 24 bits cannot hold less; the solver's own tolerance is far below.
REST_RATIO = 1e-7
# The asymmetric spectrum of a note that has begun is no DC, but it moves the mean of a second, and
# so does a bias rail that settles in a quarter of one: 9 mV at most.
LARGEST_DC_V = 1e-2


@pytest.fixture(scope="module")
def folder(pytestconfig, tmp_path_factory):
    kept = getattr(pytestconfig, "cache", None)  # pytest may run without its cache
    return recordings(kept.mkdir("vadist") if kept else tmp_path_factory.mktemp("vadist"))


def excerpt(folder, *names):
    """Beginnings of recordings side by side, after silence that shows what comes before them."""
    columns = []
    for name in names:
        samples, rate = channel(folder / name, round(SECONDS * RATE_HZ))
        assert rate == RATE_HZ
        assert np.flatnonzero(np.abs(samples) > 0.01)[0] < 1e-2 * rate  # it starts at once
        columns.append(np.concatenate([np.zeros(ONSET), samples]))
    return np.stack(columns, axis=1)


def treble_db(volts):
    """Share of the energy that lies above 3 kHz, where the notes themselves have little."""
    power = np.abs(np.fft.rfft(volts * np.hanning(len(volts)))) ** 2
    above = np.fft.rfftfreq(len(volts), 1.0 / RATE_HZ) > 3000.0
    return 10.0 * np.log10(power[above].sum() / power.sum())


def crest_db(volts):
    return 20.0 * np.log10(np.abs(volts).max() / np.sqrt(np.mean(np.square(volts))))


PLAYED = ((SLIDE,), (HARMONICS,), (FIFTHS,), (LOW_E, LOW_A))


@pytest.mark.parametrize(
    ("preset", "names"),
    [
        (preset, PLAYED[(k + turn) % 4])
        for k, preset in enumerate(preset_names())
        for turn in (0, 1)
    ],
)
def test_a_recording_through_a_preset(folder, preset, names):
    """Two of the four playing styles each; every style meets five presets."""
    dry = excerpt(folder, *names)
    design = load_design(preset)
    result = render(design, dry, RATE_HZ, full_scale_v=FULL_SCALE_V)
    assert result.volts.shape == dry.shape
    assert np.isfinite(result.volts).all()
    for side in result.volts.T:
        peak = np.abs(side).max()
        assert 0.03 < peak < 9.0  # audible, and within the supply
        # The oversampling filters are linear-phase: they may ring so long before an onset.
        assert np.abs(side[: ONSET - REACH]).max() < REST_RATIO * peak
        assert abs(side.mean()) < LARGEST_DC_V
    assert result.diagnostics.error_db < -50.0


@pytest.mark.parametrize(
    "preset", [p for p in preset_names() if "drive" in load_design(p).controls]
)
def test_more_drive_means_more_overtones(folder, preset):
    """Two notes, left and right; a low E gains over 6 dB of treble, and loses its crest."""
    design = load_design(preset)
    dry = excerpt(folder, LOW_E, LOW_A)
    low, high = (
        render(design.with_value("drive", drive), dry, RATE_HZ, full_scale_v=FULL_SCALE_V).volts
        for drive in (0.0, 1.0)
    )
    for side in range(2):
        dry_db, low_db, high_db = (treble_db(v[ONSET:, side]) for v in (dry, low, high))
        assert high_db > low_db + 6.0
        assert high_db > dry_db + 10.0
        assert crest_db(low[ONSET:, side]) < crest_db(dry[ONSET:, side])
        assert crest_db(high[ONSET:, side]) < crest_db(dry[ONSET:, side]) - 6.0


def test_left_and_right_do_not_mix(folder):
    """Each side as it is alone: seams differ by no more than their tolerance of 1e-7 V."""
    design = load_design("boosted_hard_clipper")
    both = excerpt(folder, SLIDE, LOW_A)
    stereo = render(design, both, RATE_HZ, full_scale_v=FULL_SCALE_V).volts
    for side in range(2):
        alone = render(design, both[:, side], RATE_HZ, full_scale_v=FULL_SCALE_V).volts[:, 0]
        # A difference of states passes the stages that follow: ten times the tolerance.
        np.testing.assert_allclose(stereo[:, side], alone, rtol=0, atol=1e-6)
