"""Names of outputs, formats in and out, and sidecars as designs.

Authority: the contract of ``vadist render`` (its ``--help``), outputs read with soundfile.
"""

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from render_runs import names, run, take

__all__ = ["take"]  # a fixture


def test_several_designs_in_one_command(take, tmp_path, capsys):
    """Each as by itself; a name tells the take, the design and what was set in it."""
    designs = ["--design", "led_clipper", "--design", "soft_clipper"]
    run(take, *designs, "--set", "drive=70%", "--set", "level=0.8", "--out", tmp_path / "all")
    ending = "--drive=70pct--level=0.8.wav"
    made = [f"take-{design}{ending}" for design in ("led_clipper", "soft_clipper")]
    told = capsys.readouterr().out.splitlines()
    assert [Path(line.split("  ")[0]).name for line in told] == made
    assert names(tmp_path / "all") == sorted([*made, *(f"{name}.json" for name in made)])
    run(take, *designs[2:], "--set", "drive=0.7", "--set", "level=0.8", "--out",
        tmp_path / "alone.wav")  # fmt: skip
    assert (tmp_path / "all" / made[1]).read_bytes() == (tmp_path / "alone.wav").read_bytes()
    run(take, *designs, "--out", tmp_path / "one.wav", expect=2)
    assert "give a folder for 2 takes" in capsys.readouterr().err
    run(take, *designs[2:], *designs[2:], "--out", tmp_path / "twice", expect=2)
    assert "as an earlier one would" in capsys.readouterr().err


def test_two_values_never_share_an_output(take, tmp_path):
    for drive in ("0.2", "0.9"):
        run(take, "--design", "led_clipper", "--set", f"drive={drive}", "--out", tmp_path / "out")
    made = [f"take-led_clipper--drive={drive}.wav" for drive in ("0.2", "0.9")]
    assert names(tmp_path / "out") == sorted([*made, *(f"{name}.json" for name in made)])


def test_a_long_name_is_cut_and_stays_its_own(take, tmp_path):
    long = tmp_path / f"{'n' * 240}.wav"
    long.write_bytes(take.read_bytes())
    for drive in ("0.2", "0.9"):
        run(long, "--design", "led_clipper", "--set", f"drive={drive}", "--out", tmp_path / "out")
    assert len(names(tmp_path / "out")) == 4
    assert max(map(len, names(tmp_path / "out"))) <= 255


def test_flac_holds_the_same_samples(take, tmp_path, capsys):
    for name in ("a.wav", "a.flac"):
        run(take, "--design", "led_clipper", "--out", tmp_path / name)
    assert soundfile.info(tmp_path / "a.flac").format == "FLAC"
    (wav, rate), (flac, _) = (soundfile.read(tmp_path / name) for name in ("a.wav", "a.flac"))
    np.testing.assert_array_equal(wav, flac)
    assert rate == 48_000
    capsys.readouterr()
    float_flac = ["--out", tmp_path / "b.flac", "--bits", "float"]
    run(take, "--design", "led_clipper", *float_flac, expect=2)
    assert "FLAC holds 16 or 24 bits" in capsys.readouterr().err
    run(take, "--design", "led_clipper", "--out", tmp_path / "c.mp3", expect=2)
    assert "c.mp3: output is WAV or FLAC" in capsys.readouterr().err
    assert names(tmp_path) == ["a.flac", "a.flac.json", "a.wav", "a.wav.json", "take.wav"]


def test_every_output_that_exists_is_named_before_the_work(take, tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    takes = [tmp_path / f"{k}.wav" for k in range(4)]
    for path in takes:
        path.write_bytes(take.read_bytes())
    there = [out / "1-treble_boost.wav", out / "3-treble_boost.wav"]
    for path in there:
        path.write_text("kept")
    run(*takes, "--design", "treble_boost", "--out", out, expect=2)
    said = capsys.readouterr()
    assert said.err == (
        f"vadist: {there[0]}, {there[1]}: exist; give another --out or --overwrite\n"
    )
    assert said.out == ""
    assert names(out) == [path.name for path in there]


def test_a_sidecar_is_a_design(take, tmp_path):
    """What was set is in it."""
    first, again = tmp_path / "first.wav", tmp_path / "again.wav"
    run(take, "--design", "led_clipper", "--set", "drive=0.3", "--out", first)
    run(take, "--design", f"{first}.json", "--out", again)
    assert again.read_bytes() == first.read_bytes()


def test_patterns_no_shell_filled_in(take, tmp_path, monkeypatch, capsys):
    (tmp_path / "b[1].wav").write_bytes(take.read_bytes())
    monkeypatch.chdir(tmp_path)
    run("t*.wav", "b[1].wav", "--design", "treble_boost", "--out", "out")
    made = ["b[1]-treble_boost.wav", "take-treble_boost.wav"]
    assert names(tmp_path / "out") == sorted([*made, *(f"{name}.json" for name in made)])
    run("*.aif", "--design", "treble_boost", expect=2)
    assert capsys.readouterr().err.endswith("vadist: *.aif: no file has such a name\n")


def test_names_that_are_no_text_or_would_steer_a_terminal(take, tmp_path, capsys):
    """Rendered like any other, and shown as escapes."""
    odd = os.fsdecode(os.fsencode(tmp_path) + b"/\xff\x1b[2J.wav")
    Path(odd).write_bytes(take.read_bytes())
    run(odd, "--design", "treble_boost", "--out", tmp_path / "out")
    said = capsys.readouterr()
    assert said.out.startswith(f"{tmp_path}/out/\\xff\\x1b[2J-treble_boost.wav  ")
    made = os.fsdecode(b"\xff\x1b[2J-treble_boost.wav")
    assert soundfile.info(os.fsencode(tmp_path / "out" / made)).frames == 24_000
    Path(odd).write_bytes(b"no audio")
    run(odd, "--design", "treble_boost", "--out", tmp_path / "out2", expect=2)
    said = capsys.readouterr()
    assert said.err.startswith(f"vadist: {tmp_path}/\\xff\\x1b[2J.wav: not an audio file")


@pytest.mark.parametrize("form", ["WAV", "AIFF", "FLAC"])
def test_takes_of_8_bits(take, tmp_path, form):
    """Equal to the same steps in 16 bits."""
    steps = np.round(soundfile.read(take)[0] * 127) / 128
    paths = [tmp_path / "eight", tmp_path / "sixteen"]
    soundfile.write(paths[0], steps, 48_000, format=form,
                    subtype="PCM_U8" if form == "WAV" else "PCM_S8")  # fmt: skip
    soundfile.write(paths[1], steps, 48_000, format="WAV", subtype="PCM_16")
    for path in paths:
        run(path, "--design", "treble_boost", "--out", path.with_suffix(".wav"))
    assert (tmp_path / "eight.wav").read_bytes() == (tmp_path / "sixteen.wav").read_bytes()
