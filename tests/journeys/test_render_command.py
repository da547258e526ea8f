"""A musician renders takes from the command line.

Authority: the contract of ``vadist render`` (its ``--help``), the output files measured from
outside with soundfile and with the loudness meter that the tests of standards hold to ITU-R
BS.1770, and the design and settings of a sidecar, which must make the same bytes again.
"""

import hashlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from render_runs import RIFF, STEP_24, names, run, sidecar, take
from scipy.signal import resample_poly

from vadist.cli import CAUTION, join_negative
from vadist.designs.files import load_design, parse_design, preset_path
from vadist.measure import integrated_loudness
from vadist.rendering.arrays import render
from vadist.rendering.files import render_file
from vadist.rendering.settings import FileSettings
from vadist.rendering.spans import SPAN_SAMPLES
from vadist.sessions.plan import jobs_at_once

__all__ = ["take"]  # a fixture


def test_a_demonstration_take_with_defaults(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    run(RIFF, "--design", "soft_clipper")
    output = tmp_path / "palm_muted_riff-soft_clipper.wav"
    assert names(tmp_path) == [output.name, output.name + ".json"]
    dry, wet = soundfile.info(RIFF), soundfile.info(output)
    assert (wet.format, wet.subtype) == ("WAV", "PCM_24")
    assert (wet.frames, wet.samplerate, wet.channels) == (dry.frames, dry.samplerate, dry.channels)
    told = capsys.readouterr()
    assert told.err == f"{CAUTION}\n"
    assert told.out.count("\n") == 2
    assert told.out.startswith(output.name)
    # Volts are kept: full scale of the file is 1 V, and the file is the render to half a step.
    heard = render(load_design("soft_clipper"), soundfile.read(RIFF)[0], dry.samplerate).volts
    np.testing.assert_allclose(soundfile.read(output)[0], heard[:, 0], rtol=0, atol=STEP_24 / 1.99)
    assert sidecar(output)["output"]["peak_v"] == pytest.approx(np.abs(heard).max(), rel=1e-12)


@pytest.mark.parametrize(
    "options",
    [
        ["--set", "drive=0.9", "--set", "blend.low_capacitor=22n", "--bits", "float"],
        ["--oversample", "4", "--full-scale", "12dBu", "--output-full-scale", "500mV"],
        ["--normalise", "-18LUFS", "--threads", "1"],
        ["--from-power-up", "--set", "supply.ripple=20mV 120Hz", "--oversample", "4"],
    ],
    ids=["values", "levels", "loudness", "supply"],
)
def test_a_sidecar_is_enough_to_make_the_same_bytes(take, tmp_path, options):
    output = tmp_path / "first.wav"
    run(take, "--design", "soft_clipper", "--out", output, *options)
    told = sidecar(output)
    assert told["take"] == {
        "file": str(take), "sha256": hashlib.sha256(take.read_bytes()).hexdigest(),
        "sample_rate_hz": 48_000, "frames": 24_000, "channels": 1,
        "subtype": "PCM_24",
    }  # fmt: skip
    assert set(told["made_with"]) >= {"vadist", "numpy", "numba", "soxr", "soundfile"}
    assert set(told) >= {"output", "method", "stages", "newton", "seams"}
    again = tmp_path / "again.wav"
    design = parse_design(told["design"], "sidecar")
    render_file(design, Path(told["take"]["file"]), again, FileSettings(**told["settings"]))
    assert again.read_bytes() == output.read_bytes()
    assert sidecar(again)["output"]["peak_v"] == told["output"]["peak_v"]


def test_a_take_from_power_up_has_a_name_of_its_own(take, tmp_path, monkeypatch):
    """And thumps: louder than the take."""
    monkeypatch.chdir(tmp_path)
    for options in ([], ["--from-power-up"]):
        run(take, "--design", "treble_boost", *options)
    made = [name for name in names(tmp_path) if name.startswith("take-")]
    usual, switched = sorted(name for name in made if name.endswith(".wav"))[::-1]
    assert switched == usual.replace(".wav", "--from=power-up.wav")
    told = [sidecar(tmp_path / name) for name in (usual, switched)]
    assert [each["settings"]["from_power_up"] for each in told] == [False, True]
    assert told[1]["output"]["peak_v"] > 1.5 * told[0]["output"]["peak_v"]


def test_set_changes_the_design_that_is_rendered(take, tmp_path):
    low, high = tmp_path / "low.wav", tmp_path / "high.wav"
    run(take, "--design", "led_clipper", "--set", "level=0.2", "--out", low)
    run(take, "--design", "led_clipper", "--set", "level=0.9", "--out", high)
    assert parse_design(sidecar(low)["design"], "sidecar").value("level") == 0.2
    assert np.abs(soundfile.read(low)[0]).max() < 0.5 * np.abs(soundfile.read(high)[0]).max()


def test_a_wanted_accuracy_is_reached(take, tmp_path):
    """Held against 128 times oversampling; 6 dB for what an estimate on excerpts may miss."""
    output = tmp_path / "accurate.wav"
    run(take, "--design", "soft_clipper", "--accuracy", "-90dB", "--bits", "float", "--out", output)
    assert sidecar(output)["method"]["error_estimate_db"] <= -90.0
    samples, rate = soundfile.read(take)
    truth = render(load_design("soft_clipper"), samples, rate, oversample=128).volts[:, 0]
    error = soundfile.read(output)[0] - truth
    ratio_db = 10 * np.log10(np.sum(error**2) / np.sum((truth - truth.mean()) ** 2))
    assert ratio_db < -84.0


def test_normalising_to_a_peak(take, tmp_path):
    output = tmp_path / "peak.wav"
    run(take, "--design", "led_clipper", "--normalise", "-1dBFS", "--out", output)
    assert np.abs(soundfile.read(output)[0]).max() == pytest.approx(10 ** (-1 / 20), abs=STEP_24)
    told = sidecar(output)["output"]
    assert told["peak_v"] * 10 ** (told["normalising_gain_db"] / 20) == pytest.approx(
        10 ** (-1 / 20), rel=1e-9
    )
    assert names(tmp_path) == ["peak.wav", "peak.wav.json", "take.wav"]


@pytest.mark.parametrize("full_scale", ["1V", "100mV"])
def test_normalising_to_a_loudness(take, tmp_path, full_scale):
    """Whatever the volts of full scale; 0.001 LU: 24 bits."""
    output = tmp_path / "loud.wav"
    run(
        take, "--design", "led_clipper", "--normalise", "-18LUFS", "--out", output,
        "--output-full-scale", full_scale,
    )  # fmt: skip
    assert integrated_loudness(*soundfile.read(output)) == pytest.approx(-18.0, abs=1e-3)


def test_loudness_gives_way_to_true_peaks(tmp_path, capsys):
    """A quiet note with one loud stroke: its true peak, by scipy's resampling, is -1 dBTP.

    0.05 dB: the two filters differ between the samples.
    """
    samples, rate = soundfile.read(RIFF, start=16_000, frames=48_000)
    samples *= 0.02
    samples[20_000:20_400] *= 40.0
    take, output = tmp_path / "take.wav", tmp_path / "loud.wav"
    soundfile.write(take, samples, rate, subtype="PCM_24")
    run(take, "--design", "treble_boost", "--normalise", "-10LKFS", "--out", output)
    heard = soundfile.read(output)[0]
    told, said = sidecar(output)["output"], capsys.readouterr()
    assert 20 * np.log10(np.abs(resample_poly(heard, 16, 1)).max()) == pytest.approx(-1, abs=0.05)
    assert told["clipped_samples"] == 0
    missed = told["loudness_missed_db"]
    assert missed > 1.0
    assert integrated_loudness(heard, rate) == pytest.approx(-10.0 - missed, abs=1e-2)
    assert f"a gain of {told['normalising_gain_db']:+.1f} dB" in said.out
    assert f"{missed:.1f} dB below the -10 asked for" in said.err


def test_nothing_clips_at_a_peak_of_full_scale(take, tmp_path, capsys):
    for design in ("led_clipper", "treble_boost", "soft_clipper"):
        run(take, "--design", design, "--normalise", "-0dBFS", "--out", tmp_path / "p.wav",
            "--overwrite")  # fmt: skip
        assert sidecar(tmp_path / "p.wav")["output"]["clipped_samples"] == 0
    assert "clipped" not in capsys.readouterr().err


def test_a_draft_has_a_name_of_its_own(take, tmp_path):
    """What another program may be writing under any fixed name stays as it is."""
    other = tmp_path / ".peak.wav.draft.wav"
    other.write_text("of another program")
    run(take, "--design", "treble_boost", "--normalise", "-1dBFS", "--out", tmp_path / "peak.wav")
    assert other.read_text() == "of another program"
    assert names(tmp_path) == [other.name, "peak.wav", "peak.wav.json", "take.wav"]


def test_output_full_scale_is_a_plain_factor(take, tmp_path):
    one, half = tmp_path / "one.wav", tmp_path / "half.wav"
    run(take, "--design", "led_clipper", "--out", one, "--bits", "float")
    run(take, "--design", "led_clipper", "--out", half, "--bits", "float",
        "--output-full-scale", "0.5V")  # fmt: skip
    np.testing.assert_array_equal(soundfile.read(half)[0], 2 * soundfile.read(one)[0])
    assert soundfile.info(one).subtype == "FLOAT"


def test_clipping_is_told_and_counted(take, tmp_path, capsys):
    small = ["--design", "led_clipper", "--output-full-scale", "10mV"]
    run(take, *small, "--out", tmp_path / "hot.wav")
    hot = capsys.readouterr().err
    run(take, *small, "--out", tmp_path / "kept.wav", "--bits", "float")
    kept = capsys.readouterr().err
    beyond = np.abs(soundfile.read(tmp_path / "kept.wav")[0]) > 1.0
    assert beyond.any()
    for name, said in (("hot.wav", hot), ("kept.wav", kept)):
        assert sidecar(tmp_path / name)["output"]["clipped_samples"] == beyond.sum()
        assert said.count("\n") == 2  # and the caution
        assert f"{beyond.sum()} samples" in said
    assert "were clipped" in hot
    assert "floats keep them" in kept
    assert np.abs(soundfile.read(tmp_path / "hot.wav")[0]).max() == 1.0


def test_a_broken_take_does_not_stop_the_others(take, tmp_path, capsys):
    broken = tmp_path / "broken.wav"
    broken.write_bytes(take.read_bytes()[:5000])
    later = tmp_path / "later.flac"
    soundfile.write(later, soundfile.read(take)[0][:4800], 48_000)
    out = tmp_path / "out"
    run(take, broken, later, "--design", "treble_boost", "--out", out, expect=2)
    made = ["later-treble_boost.wav", "take-treble_boost.wav"]
    assert names(out) == sorted(made + [f"{name}.json" for name in made])
    told = capsys.readouterr()
    assert f"\nvadist: {broken}: cut short" in told.err
    assert told.err.endswith(f"found 1652\n{CAUTION}\n")
    assert told.err.count("\n") == 3
    assert told.out.count("\n") == 2


def test_an_existing_output_is_kept_unless_it_may_be_replaced(take, tmp_path, capsys):
    output = tmp_path / "mine.wav"
    output.write_text("not to be lost")
    run(take, "--design", "treble_boost", "--out", output, expect=2)
    assert (
        capsys.readouterr().err == f"vadist: {output}: exists; give another --out or --overwrite\n"
    )
    assert output.read_text() == "not to be lost"
    run(take, "--design", "treble_boost", "--out", output, "--overwrite")
    assert soundfile.info(output).frames == 24_000
    output.unlink()  # the sidecar alone is somebody's, too
    run(take, "--design", "treble_boost", "--out", output, expect=2)
    assert names(tmp_path) == ["mine.wav.json", "take.wav"]


def test_takes_side_by_side_come_out_as_alone(take, tmp_path, capsys):
    """Seven takes of different lengths, told in the order given, equal to each by itself."""
    samples, rate = soundfile.read(take)
    takes = [tmp_path / f"take{k}.wav" for k in (3, 1, 6, 2, 5, 4, 0)]
    for k, path in enumerate(takes):
        soundfile.write(path, samples[: 10_000 + 2_000 * k], rate, subtype="PCM_24")
    assert jobs_at_once(takes, 4) == 4
    run(*takes, "--design", "soft_clipper", "--out", tmp_path / "all", "--threads", "4")
    told = capsys.readouterr().out.splitlines()
    assert [Path(line.split()[0]).stem for line in told] == [
        f"{t.stem}-soft_clipper" for t in takes
    ]
    for path in takes:
        run(path, "--design", "soft_clipper", "--out", tmp_path / "one", "--threads", "1")
        name = f"{path.stem}-soft_clipper.wav"
        assert (tmp_path / "all" / name).read_bytes() == (tmp_path / "one" / name).read_bytes()


def test_long_takes_are_rendered_one_at_a_time(tmp_path):
    """Those at once hold no more than one span of a long take does."""
    short, long = tmp_path / "short.wav", tmp_path / "long.wav"
    for path, size in ((short, SPAN_SAMPLES // 3), (long, SPAN_SAMPLES // 2 + 1)):
        with path.open("wb") as file:
            file.truncate(size)
    assert jobs_at_once([short] * 9, 8) == 3
    assert jobs_at_once([short] * 2, 8) == 2
    assert jobs_at_once([short] * 9, 1) == 1
    assert jobs_at_once([short, long], 8) == 1
    assert jobs_at_once([tmp_path / "missing.wav"], 8) == 1


def test_two_takes_never_share_an_output(take, tmp_path, capsys):
    (tmp_path / "b").mkdir()
    twin = tmp_path / "b/take.wav"
    twin.write_bytes(take.read_bytes())
    run(take, twin, "--design", "treble_boost", "--out", tmp_path / "out", expect=2)
    assert f"vadist: {twin} through treble boost: would be written to" in capsys.readouterr().err
    run(take, twin, "--design", "treble_boost", "--out", tmp_path / "out.wav", expect=2)
    assert "give a folder for 2 takes" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_name_of_a_design_never_leaves_the_folder(take, tmp_path):
    text = preset_path("treble_boost").read_text(encoding="utf-8")
    named = tmp_path / "named.toml"
    named.write_text(text.replace('name = "treble boost"', 'name = "../a b/c"', 1))
    run(take, "--design", named, "--out", tmp_path / "out")
    assert names(tmp_path / "out") == ["take-.._a_b_c.wav", "take-.._a_b_c.wav.json"]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--full-scale", "-3V"], "--full-scale must be a level above 0 V (got '-3V'"),
        (["--output-full-scale", "0V"], "--output-full-scale must be a level above 0 V (got '0V'"),
        (["--normalise", "1dBFS"], "--normalise must be a number at or below 0 (got '1dBFS')"),
        (["--normalise=-infdBFS"], "--normalise must be a number at or below 0"),
        (["--normalise=-nanLUFS"], "--normalise must be a number at or below 0"),
        (["--normalise", "-3"], "--normalise must be like -1dBFS or -18LUFS (got '-3')"),
        (["--accuracy", "-90dBu"], "--accuracy must be decibels like -90dB (got '-90dBu')"),
        (["--accuracy", "-999dB"], "out of reach: the best estimate"),
        (["--accuracy", "nan"], "accuracy must be below 0 dB"),
        (["--oversample", "0"], "oversample must be within 1..256 (got 0)"),
        (["--threads", "0"], "threads must be at least 1 (got 0)"),
        (["--set", "drive=2"], "drive"),
        (["--set", "dirve=0.5"], "drive"),
        (["--out", "x.flac/y.wav"], None),
        (["--out", f"{'n' * 300}.wav"], "cannot be written (File name too long)"),
        (["--design", "n" * 300], "no preset and no file named"),
        (["--set", "gain.diodes=" + "[" * 5000], "must be a known diode"),
        (["--set", "drive=\0"], "holds a NUL character"),
    ],
)
def test_settings_that_cannot_be_are_told_in_one_line(
    take, tmp_path, monkeypatch, capsys, options, told
):
    monkeypatch.chdir(tmp_path)
    if told is None:
        (tmp_path / "x.flac").write_text("a file where a folder is wanted")
        told = "x.flac/y.wav: its folder cannot be made"
    before = names(tmp_path)
    run("take.wav", "--design", "soft_clipper", *options, expect=2)
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("vadist: ")
    assert said.err.count("\n") == 1
    assert told in said.err
    assert names(tmp_path) == before


def test_values_that_begin_with_a_minus_are_no_options():
    words = ["a.wav", "--accuracy", "-90dB", "--full-scale", "-.5dBu", "--overwrite", "--out", "x"]
    assert join_negative(words) == [
        "a.wav", "--accuracy=-90dB", "--full-scale=-.5dBu", "--overwrite", "--out", "x",
    ]  # fmt: skip


def test_as_a_program_of_its_own(take, tmp_path):
    words = [sys.executable, "-m", "vadist", "render", "take.wav", "--design", "treble_boost"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, f"{CAUTION}\n")
    own = tmp_path / "take-treble_boost.wav"
    run(take, "--design", "treble_boost", "--out", tmp_path / "here.wav")
    assert own.read_bytes() == (tmp_path / "here.wav").read_bytes()
    again = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (again.returncode, again.stdout) == (2, "")
    assert again.stderr.count("\n") == 1
