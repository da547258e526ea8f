"""The worst that can be handed to ``vadist render``.

Authority: its contract. Each case ends in a good file, or in one clear line and the documented
exit code (2 for bad input, 1 if the equations have no solution, 130 when interrupted), and leaves
no partial file behind.
"""

import json
import os
import resource
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import numpy as np
import pytest
import soundfile
from permissions import bound

from vadist.cli import main
from vadist.designs.files import preset_names

RATE_HZ = 48_000


def render(take, output, *options, design="led_clipper"):
    words = ["render", str(take), "--design", design, "--out", str(output), *map(str, options)]
    return main(words)


def rendered(tmp_path, samples, *options, rate=RATE_HZ, subtype="DOUBLE", design="led_clipper"):
    """Output of samples and its sidecar; the folder holds them and the take only."""
    take, output = tmp_path / "take.wav", tmp_path / "out.wav"
    soundfile.write(take, samples, rate, subtype=subtype)
    assert render(take, output, "--bits", "float", *options, design=design) == 0
    assert names(tmp_path) == ["out.wav", "out.wav.json", "take.wav"]
    volts, wet_rate = soundfile.read(output, always_2d=True)
    assert (len(volts), wet_rate) == (len(samples), rate)
    assert np.isfinite(volts).all()
    return volts, json.loads((tmp_path / "out.wav.json").read_text(encoding="utf-8"))


def refused(tmp_path, capsys, action, left=(), code=2) -> str:
    """Line told; the folder holds only what is named."""
    assert action() == code
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("vadist: ")
    assert said.err.count("\n") == 1
    assert names(tmp_path) == sorted(left)
    return said.err


def names(folder) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def tone(frequency_hz, samples, rate=RATE_HZ):
    return np.sin(2 * np.pi * frequency_hz * np.arange(samples) / rate)


# --- signals ------------------------------------------------------------------------------------


@pytest.mark.parametrize("design", preset_names())
def test_silence_stays_silent(tmp_path, capsys, design):
    """No thump, no drift: within 1e-12 V, rounding of operating points of some volts."""
    volts, told = rendered(tmp_path, np.zeros((4800, 1)), design=design)
    assert np.abs(volts).max() < 1e-12
    assert told["method"]["error_estimate_db"] is None
    assert "silent" in capsys.readouterr().out


def test_silence_is_not_normalised(tmp_path, capsys):
    """What is left of rounding must not be scaled up to full scale."""
    soundfile.write(tmp_path / "take.wav", np.zeros(24_000), RATE_HZ)
    for level in ("-1dBFS", "-18LUFS"):
        action = lambda level=level: render(  # noqa: E731
            tmp_path / "take.wav", tmp_path / "out.wav", "--normalise", level
        )
        line = refused(tmp_path, capsys, action, ["take.wav"])
        assert line.startswith(f"vadist: {tmp_path / 'take.wav'}: a silent render")


def test_an_impulse(tmp_path):
    """Nothing before it but the resampler's ringing, and rest again after it."""
    samples = np.zeros((9600, 1))
    samples[2400] = 1.0
    volts, _ = rendered(tmp_path, samples)
    peak = np.abs(volts).max()
    assert peak > 1e-3
    # Cause of 1e-6: linear-phase filters ring before a click; 1000 samples are far beyond them.
    assert np.abs(volts[:1400]).max() < 1e-6 * peak
    assert np.abs(volts[-100:]).max() < 0.05 * peak


@pytest.mark.parametrize("design", preset_names())
def test_a_square_of_a_kilovolt(tmp_path, design):
    """Solved at every sample, with the rescue at the edges only."""
    square = np.where(tone(100.0, 1200)[:, np.newaxis] >= 0.0, 1.0, -1.0)
    volts, told = rendered(tmp_path, square, "--full-scale", "1000V", design=design)
    solved = 1200 * told["method"]["oversample"]
    for section in told["newton"]:
        assert section["newton_steps"] < 10
        assert section["rescued"] < 0.05 * solved  # 5 edges of 1200 frames, which ring
    if design != "treble_boost":  # the last op-amp and the diodes cannot pass the supply of 9 V
        assert np.abs(volts).max() * 1000.0 < 9.0


@pytest.mark.parametrize("design", ["boosted_hard_clipper", "soft_clipper"])
def test_twenty_kilohertz_at_full_scale(tmp_path, design):
    volts, told = rendered(tmp_path, tone(20_000.0, 1200)[:, np.newaxis], design=design)
    assert np.abs(volts).max() < 9.0
    assert all(section["newton_steps"] < 20 for section in told["newton"])


@pytest.mark.parametrize("level", [5e-324, 1e-310, 1e-40])
def test_denormal_numbers_are_silence(tmp_path, level):
    """No sample takes more Newton steps than silence does; no clock, which would be noise."""
    noise = level * np.sign(np.random.default_rng(3).standard_normal((4800, 1)))
    volts, told = rendered(tmp_path, noise)
    assert np.abs(volts).max() < 1e-12
    for section in told["newton"]:
        assert section["newton_steps"] <= 1.0
        assert section["rescued"] == 0


def test_a_note_that_dies_away_costs_no_more_than_silence(tmp_path):
    """States pass through all magnitudes on the way to rest."""
    samples = np.zeros((24_000, 1))
    samples[:480, 0] = tone(1000.0, 480)
    _, told = rendered(tmp_path, samples)
    assert all(section["newton_steps"] < 1.5 for section in told["newton"])


def test_a_take_of_one_sample(tmp_path):
    volts, _ = rendered(tmp_path, np.ones((1, 1)))
    assert volts.shape == (1, 1)


@pytest.mark.parametrize("rate", [8000, 384_000])
def test_the_lowest_and_the_highest_rate(tmp_path, rate):
    """A low tone sounds alike at both, to the default accuracy of about -60 dB."""
    samples = round(0.05 * rate)
    volts, told = rendered(tmp_path, 0.1 * tone(200.0, samples, rate)[:, np.newaxis], rate=rate)
    assert told["method"]["oversample"] * rate >= 352_800
    (tmp_path / "48k").mkdir()
    wanted, _ = rendered(tmp_path / "48k", 0.1 * tone(200.0, 2400)[:, np.newaxis])
    quarter = slice(len(volts) // 2, None), slice(1200, None)
    levels = [
        np.sqrt(np.mean(v[part] ** 2)) for v, part in zip((volts, wanted), quarter, strict=True)
    ]
    # 2 %: harmonics above 4 kHz are not in the take at 8 kHz.
    assert levels[0] == pytest.approx(levels[1], rel=0.02)


def test_eight_channels_are_eight_takes(tmp_path):
    """Equal to the roundings of single precision, in one lane and in sixteen."""
    levels = np.array([0.0, 0.01, 0.03, 0.1, 0.2, 0.4, 0.7, 1.0])
    samples = tone(440.0, 2400)[:, np.newaxis] * levels
    together, _ = rendered(tmp_path, samples)
    for channel in (0, 3, 7):
        folder = tmp_path / str(channel)
        folder.mkdir()
        alone, _ = rendered(folder, samples[:, [channel]])
        np.testing.assert_allclose(together[:, [channel]], alone, rtol=1e-6, atol=2e-6)
        for path in folder.iterdir():
            path.unlink()


def test_loudness_of_eight_channels_is_refused_before_the_work(tmp_path, capsys):
    soundfile.write(tmp_path / "t.wav", np.full((48_000, 8), 0.1), RATE_HZ)
    action = lambda: render(tmp_path / "t.wav", tmp_path / "o.wav", "--normalise", "-18LUFS")  # noqa: E731
    assert "at most 5 channels, got 8" in refused(tmp_path, capsys, action, ["t.wav"])


# --- files --------------------------------------------------------------------------------------


def bad_number(value):
    def write(path):
        samples = np.zeros((9000, 2))
        samples[7000, 1] = value
        soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")

    return write


def cut(path):
    soundfile.write(path, np.zeros(9000), RATE_HZ)
    path.write_bytes(path.read_bytes()[:9044])


BROKEN = {
    "not a number": (bad_number(np.nan), "got nan at frame 7000, channel 2"),
    "infinite": (bad_number(-np.inf), "got -inf at frame 7000, channel 2"),
    "no samples": (lambda path: soundfile.write(path, np.zeros(0), RATE_HZ), "holds no samples"),
    "empty": (lambda path: path.write_bytes(b""), "not an audio file"),
    "cut short": (cut, "promises 9000 frames, found 4500"),
    "text": (lambda path: path.write_text("hello"), "not an audio file"),
    "random": (lambda path: path.write_bytes(b"RIFF" + bytes(range(256)) * 9), "not an audio file"),
    "missing": (lambda path: None, "No such file"),
    "folder": (lambda path: path.mkdir(), "it is a folder"),
    "7999 Hz": (lambda path: soundfile.write(path, np.zeros(9), 7999), "8000 to 384000 Hz"),
    "385 kHz": (lambda path: soundfile.write(path, np.zeros(9), 385_000), "8000 to 384000 Hz"),
}


@pytest.mark.parametrize("options", [[], ["--normalise", "-1dBFS"]], ids=["volts", "normalised"])
@pytest.mark.parametrize("kind", BROKEN)
def test_a_take_that_cannot_be_used(tmp_path, capsys, kind, options):
    write, told = BROKEN[kind]
    take = tmp_path / "take.wav"
    write(take)
    before = names(tmp_path)
    line = refused(tmp_path, capsys, lambda: render(take, tmp_path / "out.wav", *options), before)
    assert line.startswith(f"vadist: {take}: ")
    assert told in line


# --- places -------------------------------------------------------------------------------------


@pytest.fixture
def take(tmp_path):
    """A take whose render cannot be read as silence."""
    path = tmp_path / "take.wav"
    soundfile.write(path, 0.3 * tone(440.0, 24_000), RATE_HZ, subtype="PCM_24")
    return path


@pytest.mark.parametrize("link", ["itself", "roundabout", "symbolic", "hard", "other take"])
def test_no_take_is_overwritten(tmp_path, take, capsys, link):
    """Not even on request, by whatever way the output leads to it."""
    other = tmp_path / "other.wav"
    takes = [str(take)]
    if link == "symbolic":
        other.symlink_to(take)
    elif link == "hard":
        other.hardlink_to(take)
    elif link == "roundabout":
        other = tmp_path / "folder/../take.wav"
        (tmp_path / "folder").mkdir()
    elif link == "other take":  # what the first take would be written to is the second
        other = tmp_path / "take-led_clipper.wav"
        other.write_bytes(take.read_bytes())
        takes.append(str(other))
    else:
        other = take
    before, content = names(tmp_path), take.read_bytes()
    out = tmp_path if link == "other take" else other
    words = ["render", *takes, "--design", "led_clipper", "--out", str(out), "--overwrite"]
    line = refused(tmp_path, capsys, lambda: main(words), before)
    assert "is a take to render; give another --out" in line
    assert take.read_bytes() == content == other.read_bytes()


def test_a_file_where_a_folder_is_wanted(tmp_path, take, capsys):
    (tmp_path / "file").write_text("")
    action = lambda: render(take, tmp_path / "file/out.wav")  # noqa: E731
    line = refused(tmp_path, capsys, action, ["file", "take.wav"])
    assert line.startswith(f"vadist: {tmp_path / 'file/out.wav'}: its folder cannot be made (")


def test_a_folder_without_permission(tmp_path, take):
    (tmp_path / "shut").mkdir(mode=0o500)
    words = [*bound(), sys.executable, "-m", "vadist", "render", str(take), "--design"]
    words += ["led_clipper", "--out", str(tmp_path / "shut/out.wav")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert done.stderr.startswith(f"vadist: {tmp_path / 'shut/out.wav'}: ")
    assert "Permission denied" in done.stderr
    assert names(tmp_path) == ["shut", "take.wav"]
    assert names(tmp_path / "shut") == []


@contextmanager
def mounted(folder, option):
    """A disk in memory, which takes root."""
    if os.geteuid() != 0:
        pytest.skip("mounting a small disk takes root")
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", option, "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("this system does not let root mount a disk in memory")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize("normalised", [False, True])
@pytest.mark.parametrize(
    ("option", "told"), [("size=40k", "is the disk full?"), ("ro", "Read-only file system")]
)
def test_a_full_or_protected_disk(tmp_path, take, capsys, option, told, normalised):
    disk = tmp_path / "disk"
    options = ["--normalise", "-1dBFS"] if normalised else []
    with mounted(disk, option):
        action = lambda: render(take, disk / "out.wav", *options)  # noqa: E731
        line = refused(tmp_path, capsys, action, ["disk", "take.wav"])
        assert told in line
        assert names(disk) == []


@pytest.mark.parametrize(
    ("limit", "options"),
    [(40_000, []), (40_000, ["--normalise", "-1dBFS"]), (1500, ["--set", "drive=0.2"])],
    ids=["audio", "draft", "short"],
)
def test_files_that_may_not_grow(tmp_path, take, capsys, limit, options):
    """For every user, what a full disk does: writes fall short at a size."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    render(take, tmp_path / "warm.wav", *options)  # compiles its kernels before files are limited
    for path in tmp_path.glob("warm*"):
        path.unlink()
    capsys.readouterr()
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        code = render(take, tmp_path / "out.wav", *options)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    said = capsys.readouterr().err
    assert (code, said.count("\n")) == (2, 1)
    assert "cannot be written" in said
    assert names(tmp_path) == ["take.wav"]


def test_a_sidecar_that_cannot_be_written_takes_its_audio_with_it(tmp_path, capsys):
    """A tiny take fits where its sidecar of some kilobytes does not."""
    take = tmp_path / "take.wav"
    soundfile.write(take, 0.3 * tone(440.0, 100), RATE_HZ, subtype="PCM_24")
    render(take, tmp_path / "warm.wav")
    for path in tmp_path.glob("warm*"):
        path.unlink()
    capsys.readouterr()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        code = render(take, tmp_path / "out.wav")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert code == 2
    assert f"{tmp_path / 'out.wav.json'}: cannot be written" in capsys.readouterr().err
    assert names(tmp_path) == ["take.wav"]


@pytest.mark.parametrize(
    ("takes", "options"),
    [(1, []), (1, ["--normalise", "-1dBFS"]), (3, ["--threads", "2"])],
    ids=["volts", "normalised", "side by side"],
)
def test_an_interrupt_in_the_middle(tmp_path, takes, options):
    """A minute at 128 times the rate, called off as soon as its partial file is there."""
    words = [sys.executable, "-m", "vadist", "render", "--design", "led_clipper"]
    for k in range(takes):
        take = tmp_path / f"take{k}.wav"
        soundfile.write(take, 0.3 * tone(440.0, 60 * RATE_HZ // takes), RATE_HZ)
        words.append(str(take))
    words += ["--out", str(tmp_path / "out"), "--oversample", "128", *options]
    # A child of a shell's background job would inherit an ignored interrupt; a user's does not.
    child = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    try:
        deadline = time.monotonic() + 60
        while not list(tmp_path.glob("out/.*.part")):
            assert child.poll() is None, child.communicate()
            assert time.monotonic() < deadline, "no partial file appeared"
            time.sleep(0.01)
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=30)
    finally:
        child.kill()
    assert child.returncode == 130
    *plan, last = err.splitlines()
    assert (out, last) == ("", "vadist: interrupted; unfinished files were removed")
    assert [line.split(",")[0] for line in plan] == ["vadist: takes: 3"] * (takes > 1)
    assert names(tmp_path / "out") == []
