"""The demonstration takes are what their script makes, and what their README says.

Authority: ISO 16 (A4 = 440 Hz) with equal temperament and the standard tuning E2 A2 D3 G3 B3 E4;
for spectra and decay the ideal plucked string, whose velocity harmonics do not rise, and common
practice, no published source, for what a guitar does.
"""

import importlib.util
import random
import sys
import wave
from pathlib import Path

import numpy as np
import pytest

FOLDER = Path(__file__).parents[2] / "demo_audio"
PEAKS_DBFS = {
    "single_notes.wav": -7.0,
    "chords.wav": -6.5,
    "palm_muted_riff.wav": -7.0,
    "volume_swell.wav": -8.5,
}
STANDARD_TUNING = (64, 59, 55, 50, 45, 40)


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_demo_audio", FOLDER / "make_demo_audio.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def steps(path: Path) -> np.ndarray:
    """Integers of a 24-bit mono 48 kHz WAV."""
    with wave.open(str(path), "rb") as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 3, 48_000)
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, 3)
    wide = np.zeros((len(raw), 4), np.uint8)
    wide[:, 1:] = raw
    return wide.view("<i4")[:, 0] >> 8


def levels_db(samples, window=960):
    """Rms of each 20 ms."""
    whole = len(samples) // window * window
    return 10 * np.log10(np.mean(samples[:whole].reshape(-1, window) ** 2, axis=1) + 1e-20)


def test_the_committed_takes_come_from_the_script(script, tmp_path):
    """One step of 24 bits is allowed: another processor may round the last bit of a sine else."""
    script.main(tmp_path)
    assert sorted(p.name for p in FOLDER.glob("*.wav")) == sorted(PEAKS_DBFS)
    for name in PEAKS_DBFS:
        made, committed = steps(tmp_path / name), steps(FOLDER / name)
        assert len(made) == len(committed)
        assert np.abs(made - committed).max() <= 1, name


def test_the_folder_stays_small():
    assert sum(path.stat().st_size for path in FOLDER.glob("*.wav")) < 3_000_000


@pytest.mark.parametrize("name", PEAKS_DBFS)
def test_length_level_silence_and_fade(name):
    samples = steps(FOLDER / name) / 2**23
    assert 3.0 <= len(samples) / 48_000 <= 6.0
    # Rounding to 24 bits moves a peak of -9 dBFS by less than 2e-6 dB.
    assert 20 * np.log10(np.abs(samples).max()) == pytest.approx(PEAKS_DBFS[name], abs=1e-5)
    assert not samples[: int(0.09 * 48_000)].any()
    assert samples[int(0.09 * 48_000) : int(0.12 * 48_000)].any()
    assert samples[-1] == 0
    # The last millisecond of a half-cosine fade of 0.3 s is below 2.8e-5 of what it fades.
    assert np.abs(samples[-48:]).max() < 3e-5 * np.abs(samples).max()
    assert abs(samples.mean()) < 1e-4  # combs and pickup pass no direct voltage


def test_each_note_is_in_tune(script):
    """Within 5 cents: the interpolation and the two motions (0.8 cents apart) take under 1."""
    samples = steps(FOLDER / "single_notes.wav") / 2**23
    assert len({(note.string, note.fret) for note in script.PHRASE}) == 9
    for note in script.PHRASE:
        wanted_hz = 440 * 2 ** ((STANDARD_TUNING[note.string - 1] + note.fret - 69) / 12)
        start, end = (int(48_000 * t) for t in (note.start_s + 0.1, note.start_s + note.length_s))
        part = samples[start:end] * np.hanning(len(samples[start:end]))
        spectrum = np.abs(np.fft.rfft(part, 2**19))
        near = np.abs(np.fft.rfftfreq(2**19, 1 / 48_000) / wanted_hz - 1) < 0.05
        peak = np.flatnonzero(near)[np.argmax(spectrum[near])]
        before, at, after = np.log(spectrum[peak - 1 : peak + 2])
        found_hz = (peak + 0.5 * (before - after) / (before - 2 * at + after)) * 48_000 / 2**19
        assert abs(1200 * np.log2(found_hz / wanted_hz)) < 5, note


@pytest.mark.parametrize("name", PEAKS_DBFS)
def test_the_spectrum_falls_as_a_guitars_does(name):
    samples = steps(FOLDER / name) / 2**23
    power = np.abs(np.fft.rfft(samples)) ** 2
    frequency_hz = np.fft.rfftfreq(len(samples), 1 / 48_000)

    def band_db(low_hz, high_hz):
        band = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
        return 10 * np.log10(power[band].sum() / power.sum())

    assert band_db(0, 60) < -30  # nothing below the open low string
    assert band_db(80, 1500) > -1  # most of the energy: fundamentals and the first overtones
    assert -50 < band_db(3000, 6000) < -10  # some bite
    assert band_db(8000, 24_000) < -30  # the pickup and its cable let little through


def test_attacks(script):
    """A pick sounds at once and peaks within 10 ms; a swell rises slowly."""
    notes = steps(FOLDER / "single_notes.wav") / 2**23
    for note in script.PHRASE:
        start = round(note.start_s * 48_000)
        before = np.abs(notes[start - 480 : start]).max()
        assert np.abs(notes[start : start + 480]).max() > 2 * before
    swell = levels_db(steps(FOLDER / "volume_swell.wav") / 2**23)
    loudest = np.argmax(swell[: int(1.7 / 0.02)]) * 0.02
    assert 0.4 < loudest - 0.1 < 0.9
    assert swell[6] < swell.max() - 20


def test_open_strings_ring_for_seconds_and_muted_ones_do_not(script):
    def time_to_fall_s(fall_db, **how):
        note = script.Note(0.0, 6, 0, 4.0, **how)
        level = levels_db(script.pluck(note, random.Random(0)))
        return 0.02 * np.flatnonzero(level < level[0] - fall_db)[0]

    assert 2.0 < time_to_fall_s(30) < 4.0
    assert 0.1 < time_to_fall_s(60, muted=True) < 0.3
    level = levels_db(steps(FOLDER / "single_notes.wav") / 2**23)
    last = int(script.PHRASE[-1].start_s / 0.02)
    assert level[last + 60] - level[last + 5] > -20  # 1.1 s later the low E still sounds
    riff = levels_db(steps(FOLDER / "palm_muted_riff.wav") / 2**23)
    first = int(script.RIFF[0].start_s / 0.02)
    assert riff[first + 10] < riff[first] - 30  # quiet before the next eighth, at + 11.9


def test_the_readme_states_what_there_is():
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    for name, peak_dbfs in PEAKS_DBFS.items():
        row = next(line for line in text.splitlines() if line.startswith(f"| `{name}`"))
        assert f"| {len(steps(FOLDER / name)) / 48_000:.1f} s |" in row
        assert row.endswith(f"| {peak_dbfs:.1f} dBFS |")
    assert "python demo_audio/make_demo_audio.py" in text
    assert "--full-scale 1.0V" in text
    assert "MIT" in text
