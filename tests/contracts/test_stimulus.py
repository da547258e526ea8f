"""Stimuli: what their files and sidecars promise.

Authority: the promises in ``vadist.captures.stimulus``; frequencies and levels by a fit of sines.
"""

import json

import numpy as np
import pytest
import soundfile

from vadist.captures.capture import Reading
from vadist.captures.reading import read_capture
from vadist.captures.sidecar import read_stimulus
from vadist.captures.stimulus import (
    GAP_S,
    KINDS,
    LEAD_IN_S,
    LEVEL_STEPS,
    MARKER_S,
    TAIL_S,
    make_stimulus,
)
from vadist.captures.stimulus_files import write_stimulus
from vadist.cli import main
from vadist.errors import AudioFileError, CaptureError, UsageError
from vadist.measure import fit_sines


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_every_kind(kind, rate):
    """Peak as stated; silence, marker, silence, body, silence; passages cover all of it."""
    made = make_stimulus(kind, peak_v=0.25, sample_rate_hz=rate, seconds=0.2)
    assert np.abs(made.volts).max() == pytest.approx(0.25, rel=1e-12)
    assert not made.volts[: int(LEAD_IN_S * rate)].any()
    assert not made.volts[-int(TAIL_S * rate) :].any()
    gap = int((LEAD_IN_S + MARKER_S) * rate) + 2
    assert not made.volts[gap : gap + int(GAP_S * rate) - 4].any()
    end = made.passages[-1].start_s + made.passages[-1].duration_s
    assert end == pytest.approx(len(made.volts) / rate, abs=1.1 / rate)
    for before, after in zip(made.passages, made.passages[1:], strict=False):
        assert before.start_s + before.duration_s == pytest.approx(after.start_s, abs=2 / rate)


def test_marker_has_one_peak_of_correlation():
    made = make_stimulus("level-ramp", seconds=0.5)
    start = round(made.marker_s * made.sample_rate_hz)
    marker = made.volts[start : start + round(MARKER_S * made.sample_rate_hz)]
    products = np.abs(np.correlate(made.volts, marker, "valid"))
    assert int(np.argmax(products[: start + 2000])) == start
    near = np.abs(np.arange(len(products)) - start) > 0.5e-3 * made.sample_rate_hz
    assert products[: start + 2000][near[: start + 2000]].max() < 0.4 * products[start]


def test_steps_are_the_tones_they_say():
    made = make_stimulus("stepped-sines", peak_v=0.1, seconds=0.05, frequencies_hz=[440.0, 3000.0])
    tones = [p for p in made.passages if p.kind == "tone"]
    assert len(tones) == 2 * len(LEVEL_STEPS)
    for tone in tones:
        first = round((tone.start_s + 5e-3) * 48_000)
        last = round((tone.start_s + tone.duration_s - 5e-3) * 48_000)
        fit = fit_sines(made.volts[first:last], 48e3, [tone.frequency_hz])
        assert fit.levels_v[0] == pytest.approx(tone.level_v, rel=1e-9)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"kind": "noise"}, "must be one of stepped-sines"),
        ({"peak_v": 0.0}, "peak must be above 0"),
        ({"peak_v": float("nan")}, "peak must be above 0"),
        ({"sample_rate_hz": 100}, "sample rate must be 8000"),
        ({"seconds": 0.0}, "seconds must be within"),
        ({"frequencies_hz": [30_000.0]}, "0.45 of the rate"),
        ({"kind": "sweep", "frequencies_hz": [100.0]}, "from a lower to a higher"),
        ({"kind": "two-tone", "frequencies_hz": [100.0]}, "two frequencies"),
    ],
)
def test_what_cannot_be_made_gets_one_line(options, message):
    with pytest.raises(UsageError, match=message):
        make_stimulus(**{"kind": "square", **options})


def test_files_are_read_back(tmp_path):
    """WAV by its sidecar to half a step of 24 bits; CSV by the reader of captures."""
    made = make_stimulus("sweep", peak_v=0.3, seconds=0.2)
    wav, sidecar = write_stimulus(made, tmp_path / "a.wav", 1.5)
    found = read_stimulus(wav)
    assert np.abs(found.volts[:, 0] - made.volts).max() <= 0.51 * 1.5 * 2.0**-23
    assert found.passages == made.passages
    told = json.loads(sidecar.read_text())
    assert (told["peak_v"], told["full_scale_v"], told["kind"]) == (0.3, 1.5, "sweep")
    assert "headphones" in told["caution"]
    csv, _ = write_stimulus(made, tmp_path / "b.csv")
    capture = read_capture(csv)
    assert capture.sample_rate_hz == pytest.approx(48_000, rel=1e-6)
    assert np.abs(capture.volts[:, 0] - made.volts).max() < 1e-7
    assert write_stimulus(made, wav, 1.5, overwrite=True)[0].read_bytes() == wav.read_bytes()


def test_sidecar_and_file_must_belong_together(tmp_path):
    made = make_stimulus("square", seconds=0.05)
    wav, sidecar = write_stimulus(made, tmp_path / "a.wav")
    soundfile.write(wav, np.zeros(100), 48_000, "PCM_24")
    with pytest.raises(CaptureError, match="holds 100 frames"):
        read_stimulus(wav)
    sidecar.write_text(sidecar.read_text().replace('"full_scale_v"', '"full_scale"'))
    with pytest.raises(CaptureError, match="is damaged"):
        read_stimulus(wav)
    sidecar.unlink()
    assert read_stimulus(wav) is None
    assert read_capture(wav, Reading(full_scale_v=1.0)).channels == ("CH1",)


def test_nothing_is_overwritten_and_nothing_clips(tmp_path):
    made = make_stimulus("square", peak_v=1.0, seconds=0.05)
    with pytest.raises(AudioFileError, match="beyond full scale"):
        write_stimulus(made, tmp_path / "a.wav", 0.5)
    with pytest.raises(AudioFileError, match=r"written as \.wav or \.csv"):
        write_stimulus(made, tmp_path / "a.mp3")
    write_stimulus(made, tmp_path / "a.wav")
    with pytest.raises(AudioFileError, match="exists already"):
        write_stimulus(made, tmp_path / "a.wav")


def test_command(tmp_path, capsys):
    out = str(tmp_path / "tone.wav")
    arguments = ["stimulus", "stepped-sines", "--out", out, "--peak", "200mV", "--seconds", "0.02"]
    assert main([*arguments, "--frequencies", "1kHz,3kHz", "--full-scale", "2V"]) == 0
    printed = capsys.readouterr().out
    assert "peak 0.2 V" in printed
    assert "a full-scale sample is 2 V peak" in printed
    assert "never listen" in printed
    assert read_stimulus(out).volts.max() == pytest.approx(0.2, rel=1e-3)
    assert main(arguments) == 2
    assert "exists already" in capsys.readouterr().err
