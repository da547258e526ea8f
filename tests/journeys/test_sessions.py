"""A session's worth of takes: many takes, many designs and settings, in one command.

Authority: the contract of ``vadist render`` (its ``--help``); outputs held against those of
separate commands, byte for byte; manifests read with the standard library; loudness by the meter
that the tests of standards hold to ITU-R BS.1770, true peaks by scipy's resampling.
"""

import csv
import dataclasses
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from render_runs import RIFF, names, run, sidecar
from scipy.signal import resample_poly

from vadist.designs.files import load_design
from vadist.measure import integrated_loudness
from vadist.rendering.arrays import render
from vadist.rendering.diagnostics import Diagnostics
from vadist.rendering.method import Method


@pytest.fixture
def takes(tmp_path):
    """Half a second of one take, and a longer, louder, stereo one at another rate."""
    samples, rate = soundfile.read(RIFF, start=16_000, frames=40_000)
    folder = tmp_path / "takes"
    folder.mkdir()
    soundfile.write(folder / "a.wav", 0.2 * samples[:24_000], rate, subtype="PCM_24")
    stereo = np.stack([samples[:24_000], samples[8_000:32_000]], axis=1)
    soundfile.write(folder / "b.wav", stereo, 44_100, subtype="PCM_16")
    return [folder / "a.wav", folder / "b.wav"]


def files(folder: Path) -> dict[str, bytes]:
    """Bytes of every file below a folder but what a kill left, by its name from there."""
    every = (p for p in folder.rglob("*") if p.is_file())
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in every
        if not str(p.relative_to(folder)).startswith(".vadist")
    }


def test_values_tried_and_groups_are_what_separate_commands_make(takes, tmp_path, capsys):
    out = tmp_path / "all"
    run(*takes, "--design", "led_clipper", "--design", "treble_boost", "--set", "level=0.5",
        "--try", "level=0.2,0.9", "--group", "level=0.3", "--out", out)  # fmt: skip
    wavs = [name for name in names(out) if name.endswith(".wav")]
    assert wavs == sorted(
        f"{take}-{design}--level={level}.wav"
        for take in "ab" for design in ("led_clipper", "treble_boost") for level in (0.2, 0.3, 0.9)
    )  # fmt: skip
    plan = capsys.readouterr().err.splitlines()[0]
    assert plan.startswith("vadist: takes: 2, designs and settings: 6; 12 renders, 6 s of audio, ")
    written = sum((out / name).stat().st_size - 44 for name in wavs)
    assert f"{written / 1e6:.3g} MB on disk" in plan
    for take, level in (("a", "0.9"), ("b", "0.3")):
        alone = tmp_path / f"{take}.wav"
        run(takes["ab".index(take)], "--design", "led_clipper", "--set", f"level={level}",
            "--out", alone)  # fmt: skip
        assert alone.read_bytes() == (out / f"{take}-led_clipper--level={level}.wav").read_bytes()


def test_names_of_ones_own(takes, tmp_path, capsys):
    options = ["--design", "treble_boost", "--out", tmp_path / "out"]
    run(*takes, *options, "--name", "{design}/{number}_{take}_{settings}", "--format", "flac",
        "--try", "level=1")  # fmt: skip
    run(*takes, *options, "--name", "{design}/{folder}-{take}_{settings}")
    made = ["1_a_level=1.flac", "2_b_level=1.flac", "takes-a.wav", "takes-b.wav"]
    assert names(tmp_path / "out" / "treble_boost") == sorted([*made, *(f"{n}.json" for n in made)])
    capsys.readouterr()
    for pattern, told in (
        ("{tak}", "there is no field {tak}; did you mean 'take'?; known: {take}, {folder}"),
        ("{take", "a brace stands alone"),
        ("../{take}", "must stay within the folder of --out"),
    ):
        run(takes[0], *options, "--name", pattern, expect=2)
        assert told in capsys.readouterr().err


def test_collisions_are_named_at_once_before_any_work(takes, tmp_path, capsys):
    """Also where capitals alone would tell two files apart."""
    other = tmp_path / "other"
    other.mkdir()
    twins = [other / "A.wav", other / "b.wav"]
    for take, twin in zip(takes, twins, strict=True):
        twin.write_bytes(take.read_bytes())
    run(*takes, *twins, "--design", "treble_boost", "--out", tmp_path / "out", expect=2)
    told = capsys.readouterr().err.splitlines()
    assert [line.split(":")[0] for line in told[1:2]] == [f"{twins[1]} through treble boost"]
    assert told[0].startswith(f"vadist: {twins[0]} through treble boost: would be written to")
    assert "--name" in told[2]
    assert not (tmp_path / "out").exists()


def test_what_is_there_is_left_by_content(takes, tmp_path, capsys):
    """A name alone, a file changed since, or another version, is no reason to leave it."""
    out, manifest = tmp_path / "out", tmp_path / "session"
    command = [*takes, "--design", "treble_boost", "--out", out, "--skip-existing",
               "--manifest", manifest]  # fmt: skip
    run(*command)
    first, stamps = files(out), [p.stat().st_mtime_ns for p in sorted(out.iterdir())]
    capsys.readouterr()
    run(*command)
    told = capsys.readouterr()
    assert told.out == ""
    assert "0 renders" in told.err
    assert "2 are there already" in told.err
    assert [p.stat().st_mtime_ns for p in sorted(out.iterdir())] == stamps
    listed = json.loads(manifest.with_name("session.json").read_text())["files"]
    assert [each["state"] for each in listed] == ["there already"] * 2
    run(*command[2:], takes[0], "--set", "level=0.9", "--name", "{take}-treble_boost", expect=2)
    assert "a-treble_boost.wav: made otherwise, or changed since" in capsys.readouterr().err
    spoilt = out / "a-treble_boost.wav"
    spoilt.write_bytes(spoilt.read_bytes()[:-3] + b"abc")
    run(*command, expect=2)
    assert "a-treble_boost.wav: made otherwise" in capsys.readouterr().err
    run(*command, "--overwrite")
    assert capsys.readouterr().out.count("\n") == 1
    assert files(out) == first
    told = sidecar(spoilt)
    told["made_with"]["numpy"] = "0.1"
    spoilt.with_name(spoilt.name + ".json").write_text(json.dumps(told))
    run(*command, expect=2)


def test_a_manifest_lists_every_file_and_every_fault(takes, tmp_path):
    broken = tmp_path / "takes" / "c.wav"
    broken.write_bytes(takes[0].read_bytes()[:5000])
    manifest = tmp_path / "tuesday"
    run(*takes, broken, "--design", "led_clipper", "--try", "drive=0.9", "--out", tmp_path / "out",
        "--through", "roll-off", "--normalise", "-20LUFS", "--manifest", manifest,
        expect=2)  # fmt: skip
    listed = json.loads(manifest.with_name("tuesday.json").read_text())["files"]
    with manifest.with_name("tuesday.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["file"] for row in rows] == [each["file"] for each in listed]
    assert [row["state"] for row in rows] == ["rendered"] * 4 + ["failed"] * 2
    assert "cut short" in rows[-1]["error"]
    for row in rows[:4]:
        samples, rate = soundfile.read(row["file"])
        assert row["changes"] == "drive=0.9"
        assert float(row["seconds"]) == pytest.approx(len(samples) / rate)
        if row["loudness_lufs"]:
            heard = integrated_loudness(samples, rate)
            assert float(row["loudness_lufs"]) == pytest.approx(heard, abs=0.01)
        assert Path(row["file"]).with_name(Path(row["file"]).name + ".json").is_file()


@pytest.mark.parametrize("options", [[], ["--together", "--normalise", "-22LUFS"]])
def test_a_killed_session_goes_on_to_the_same_bytes(takes, tmp_path, options):
    """``kill -9`` at random moments; then the same command, until it ends by itself."""
    out = tmp_path / "cut"
    command = [*takes, "--design", "led_clipper", "--design", "treble_boost", "--try", "level=0.9",
               "--skip-existing", *options]  # fmt: skip
    run(*command, "--out", tmp_path / "whole")
    whole = files(tmp_path / "whole")
    line = [sys.executable, "-m", "vadist", "render", *map(str, command), "--out", str(out)]
    chance = random.Random(1)
    for _ in range(2):
        process = subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        begun = time.monotonic()
        while not out.exists() and process.poll() is None and time.monotonic() - begun < 60.0:
            time.sleep(0.02)
        time.sleep(chance.uniform(0.0, 0.5))
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        for path in out.glob("*.wav"):  # what has its name is whole
            assert path.read_bytes() == whole[path.name]
    run(*command, "--out", out)
    assert files(out) == whole
    assert not list(out.glob(".vadist-session-*"))


@pytest.mark.parametrize("together", ["session", "design"])
def test_one_gain_keeps_the_balance_of_takes(takes, tmp_path, together):
    """All of a group in one row have the loudness asked for, and no true peak passes -1 dBTP."""
    out = tmp_path / "out"
    levels = {}
    for bits in ("float", "24"):
        run(*takes, "--design", "treble_boost", "--design", "led_clipper", "--channels", "1",
            "--out", out / bits, "--bits", bits, "--tail", "0.4s",
            *([] if bits == "float" else ["--normalise", "-20LUFS", "--together", together]),
        )  # fmt: skip
        for path in (out / bits).glob("*.wav"):
            levels[bits, path.name] = soundfile.read(path)
    ratios: dict[str, set[float]] = {}
    for name in {name for _, name in levels}:
        dry, wet = levels["float", name][0], levels["24", name][0]
        ratio = round(float(np.vdot(dry, wet) / np.vdot(dry, dry)), 4)
        ratios.setdefault("all" if together == "session" else name[2:], set()).add(ratio)
        assert 20 * np.log10(np.abs(resample_poly(wet, 16, 1)).max()) < -0.95
    assert all(len(found) == 1 for found in ratios.values())
    assert len(ratios) == (1 if together == "session" else 2)
    assert len({r for found in ratios.values() for r in found}) == len(ratios)


def test_what_a_draft_says_of_itself_survives_json():
    samples = soundfile.read(RIFF, frames=4800)[0]
    found = render(load_design("led_clipper"), samples, 48_000).diagnostics
    found = dataclasses.replace(found, method=Method(8, (("gain", "clipper"),)))
    read = Diagnostics.from_table(json.loads(json.dumps(dataclasses.asdict(found))))
    assert read == found


def test_together_needs_a_level(takes, tmp_path, capsys):
    run(*takes, "--design", "treble_boost", "--together", "--out", tmp_path / "out", expect=2)
    assert "--together needs --normalise" in capsys.readouterr().err
