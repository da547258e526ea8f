"""Writing takes keeps its contract: whole or untouched, rounded and counted, one line if refused.

Authority: PCM steps are x = k / 2^(bits-1); the bytes are read back by the standard library. The
chunk layout of RIFF/WAVE (RF64: EBU Tech 3306) is from memory, not located.
"""

import os
import resource
import struct
import subprocess
import time
import wave

import numpy as np
import pytest
import soundfile
from audio_checks import RATE_HZ, only, refusal

from vadist import audio_files
from vadist.audio_files import TakeReader, TakeWriter
from vadist.files import KEPT_S, draft_path, same_file, write_text_atomically


@pytest.fixture
def noise():
    return np.random.default_rng(7).uniform(-0.9, 0.9, (5000, 2))


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24)])
def test_integers_are_rounded_limited_and_counted(tmp_path, subtype, bits):
    path, step = tmp_path / "t.wav", 2.0 ** (1 - bits)
    columns = np.array(
        [
            [0.3 * step, 0.7 * step, -0.7 * step, 1.0, 1.0 + step, -1.0, 0.0],
            [5 * step, -1.0 - step, 2.0, -3.0, 1.0 - step, 0.5, -0.5],
        ]
    ).T
    with TakeWriter(path, RATE_HZ, 2, subtype) as take:
        take.write(columns[:3])
        take.write(columns[3:])
    half, top = 2 ** (bits - 2), 2 ** (bits - 1) - 1
    wanted = np.array(
        [[0, 1, -1, top, top, -top - 1, 0], [5, -top - 1, top, -top - 1, top, half, -half]]
    ).T
    with wave.open(str(path), "rb") as file:  # the standard library's own reading of the bytes
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (
            2,
            bits // 8,
            RATE_HZ,
        )
        raw = np.frombuffer(file.readframes(99), np.uint8).reshape(7, 2, bits // 8)
    got = np.zeros((7, 2), np.int64)
    for k in range(bits // 8):
        got |= raw[..., k].astype(np.int64) << (8 * k)
    got = np.where(got > top, got - 2 * (top + 1), got)
    np.testing.assert_array_equal(got, wanted)
    np.testing.assert_array_equal(take.clipped_samples, [1, 3])
    np.testing.assert_array_equal(take.peak, [1.0 + step, 3.0])


def test_integer_takes_pass_unchanged(tmp_path):
    steps = np.concatenate([np.arange(-(2**23), 2**23, 997), [2**23 - 1]])[:, None] / 2.0**23
    with TakeWriter(tmp_path / "t.wav", RATE_HZ, 1, "PCM_24") as take:
        take.write(steps)
    with TakeReader(tmp_path / "t.wav") as back:
        np.testing.assert_array_equal(back.read(10**6), steps)


@pytest.mark.parametrize(("subtype", "kind"), [("FLOAT", np.float32), ("DOUBLE", np.float64)])
def test_floats_keep_what_is_beyond_full_scale(tmp_path, noise, subtype, kind):
    with TakeWriter(tmp_path / "t.wav", RATE_HZ, 2, subtype) as take:
        take.write(3 * noise)
    with TakeReader(tmp_path / "t.wav") as back:
        assert (back.subtype, back.frames) == (subtype, 5000)
        np.testing.assert_array_equal(back.read(5000), (3 * noise).astype(kind))
    np.testing.assert_array_equal(take.clipped_samples, np.sum(np.abs(3 * noise) > 1, axis=0))
    assert take.clipped_samples.min() > 0


@pytest.mark.parametrize("subtype", audio_files.WRITABLE_SUBTYPES)
@pytest.mark.parametrize("frames", [None, 2**31])
def test_equal_takes_are_equal_bytes(tmp_path, noise, subtype, frames):
    written = []
    for name in ("a.wav", "b.wav"):
        with TakeWriter(tmp_path / name, RATE_HZ, 2, subtype, frames=frames) as take:
            take.write(noise)
        written.append((tmp_path / name).read_bytes())
    assert written[0] == written[1]
    assert b"PEAK" not in written[0][:200]  # the chunk that would hold the time


def test_a_peak_chunk_would_hold_the_time(tmp_path, noise):
    """The reason for switching it off: its second word is libsndfile's clock in seconds."""
    soundfile.write(tmp_path / "t.wav", noise, RATE_HZ, subtype="FLOAT")
    raw = (tmp_path / "t.wav").read_bytes()
    stamp = struct.unpack("<I", raw[raw.index(b"PEAK") + 12 :][:4])[0]
    assert abs(stamp - time.time()) < 60


def test_a_long_take_is_rf64_from_the_start(tmp_path):
    frame_bytes = 6
    limit = audio_files.WAV_LIMIT_BYTES // frame_bytes
    for frames, container in ((limit, "WAV"), (limit + 1, "RF64")):
        path = tmp_path / f"{container}.wav"
        with TakeWriter(path, RATE_HZ, 2, frames=frames) as take:
            take.write(np.full((10, 2), 0.25))
        with TakeReader(path) as back:
            assert (back.container, back.frames) == (container, 10)


def test_a_plain_wav_stops_at_its_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(audio_files, "WAV_LIMIT_BYTES", 300)

    def write(count):
        with TakeWriter(tmp_path / "t.wav", RATE_HZ, 1, overwrite=True) as take:
            take.write(np.zeros((count, 1)))

    write(100)
    assert "passes 4 GiB; state the frames" in refusal(lambda: write(101))


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_an_interruption_leaves_the_folder_as_it_was(tmp_path, noise, error):
    (tmp_path / "t.wav").write_text("older")
    names = []

    def write():
        with TakeWriter(tmp_path / "t.wav", RATE_HZ, 2, overwrite=True) as take:
            take.write(noise)
            names.extend(only(tmp_path))
            raise error

    with pytest.raises(error):
        write()
    hidden = next(name for name in names if name != "t.wav")
    assert hidden.startswith(".")
    assert hidden.endswith(".part")
    assert only(tmp_path) == ["t.wav"]
    assert (tmp_path / "t.wav").read_text() == "older"


def test_an_existing_target_is_refused_before_any_work_or_replaced(tmp_path, noise):
    path = tmp_path / "t.wav"
    path.write_text("older")
    assert "exists already" in refusal(lambda: TakeWriter(path, RATE_HZ, 2))
    assert path.read_text() == "older"
    with TakeWriter(path, RATE_HZ, 2, overwrite=True) as take:
        take.write(noise)
        assert path.read_text() == "older"  # until the last moment
    assert only(tmp_path) == ["t.wav"]
    with TakeReader(path) as back:
        assert back.frames == 5000


def test_a_target_that_appears_meanwhile_is_kept(tmp_path, noise):
    def write():
        with TakeWriter(tmp_path / "t.wav", RATE_HZ, 2) as take:
            take.write(noise)
            (tmp_path / "t.wav").write_text("newer")

    assert "exists already" in refusal(write)
    assert only(tmp_path) == ["t.wav"]
    assert (tmp_path / "t.wav").read_text() == "newer"


def test_missing_folders_are_made_or_told(tmp_path, noise):
    with TakeWriter(tmp_path / "a/b/t.wav", RATE_HZ, 2) as take:
        take.write(noise)
    assert only(tmp_path / "a/b") == ["t.wav"]
    (tmp_path / "file").write_text("")
    message = refusal(lambda: TakeWriter(tmp_path / "file/t.wav", RATE_HZ, 2))
    assert message.startswith(f"{tmp_path / 'file/t.wav'}: its folder cannot be made (")
    (tmp_path / "folder.wav").mkdir()
    assert "must be a file" in refusal(
        lambda: TakeWriter(tmp_path / "folder.wav", RATE_HZ, 2, overwrite=True)
    )


def test_the_rest_of_what_a_writer_refuses(tmp_path, noise):
    path = tmp_path / "t.wav"
    assert "end in .wav" in refusal(lambda: TakeWriter(tmp_path / "t.aiff", RATE_HZ, 2))
    flac = tmp_path / "t.flac"
    assert "(got FLOAT, 2 channels)" in refusal(lambda: TakeWriter(flac, RATE_HZ, 2, "FLOAT"))
    assert "(got PCM_24, 9 channels)" in refusal(lambda: TakeWriter(flac, RATE_HZ, 9))
    assert "(got PCM_32)" in refusal(lambda: TakeWriter(path, RATE_HZ, 2, "PCM_32"))

    def write(samples):
        with TakeWriter(path, RATE_HZ, 2) as take:
            take.write(noise)
            take.write(samples)

    assert "shape (frames, 2) (got (5000,))" in refusal(lambda: write(noise[:, 0]))
    noise_with_hole = noise.copy()
    noise_with_hole[17, 0] = np.nan
    assert "got nan at frame 5017, channel 1" in refusal(lambda: write(noise_with_hole))
    assert only(tmp_path) == []


def write_much(path):
    with TakeWriter(path, RATE_HZ, 2) as take:
        for _ in range(20):
            take.write(np.random.default_rng(5).uniform(-0.9, 0.9, (5000, 2)))


@pytest.mark.parametrize("name", ["t.wav", "t.flac"])
def test_a_file_that_may_not_grow_leaves_nothing(tmp_path, name):
    """A limit on file size makes writes fall short as a full disk does, for every user."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        message = refusal(lambda: write_much(tmp_path / name))
        text = refusal(lambda: write_text_atomically(tmp_path / "t.json", "x" * 200_000))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert message.startswith(f"{tmp_path / name}: cannot be written; is the disk full?")
    assert text.startswith(f"{tmp_path / 't.json'}: cannot be written (File too large")
    assert only(tmp_path) == []


@pytest.mark.parametrize(
    ("name", "told"),
    [("t.wav", "(20000 of 30000 bytes are there)"), ("t.flac", "of 5000 frames are there)")],
)
def test_samples_lost_behind_the_writers_back_are_noticed(tmp_path, noise, name, told):
    def write():
        with TakeWriter(tmp_path / name, RATE_HZ, 2) as take:
            take.write(noise)
            os.truncate(tmp_path / only(tmp_path)[0], 20_000)

    assert told in refusal(write)
    assert only(tmp_path) == []


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk takes root")
@pytest.mark.parametrize(
    ("option", "told"),
    [("size=64k", "cannot be written; is the disk full?"), ("ro", "Read-only file system")],
)
def test_a_full_or_protected_disk_leaves_nothing(tmp_path, option, told):
    mount = ["mount", "-t", "tmpfs", "-o", option, "tmpfs", str(tmp_path)]
    if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("this system does not let root mount a disk in memory")
    try:
        assert told in refusal(lambda: write_much(tmp_path / "t.wav"))
        assert only(tmp_path) == []
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)


def test_what_a_killed_program_left_is_cleared_away_a_day_later(tmp_path):
    old, young = draft_path(tmp_path), draft_path(tmp_path)
    wave_draft = draft_path(tmp_path, "draft.wav")
    others = [tmp_path / ".vadist-notes.part", tmp_path / ".mine.part"]
    for path in (old, young, wave_draft, *others):
        path.write_text("")
    past = time.time() - KEPT_S - 60.0
    for path in (old, wave_draft, *others):
        os.utime(path, (past, past))
    write_text_atomically(tmp_path / "t.txt", "")
    assert only(tmp_path) == sorted([young.name, "t.txt", *(path.name for path in others)])


def test_text_is_written_by_the_same_rules(tmp_path):
    path = tmp_path / "a/t.json"
    write_text_atomically(path, "größer\nals\r\n")
    assert path.read_bytes() == "größer\nals\r\n".encode()
    assert "exists already" in refusal(lambda: write_text_atomically(path, "new"))
    write_text_atomically(path, "new", overwrite=True)
    assert path.read_text() == "new"
    assert "cannot be written" in refusal(lambda: write_text_atomically(path, "\ud800", True))
    assert only(path.parent) == ["t.json"]
    assert path.read_text() == "new"


def test_same_file_sees_through_links(tmp_path):
    a, b = tmp_path / "a.wav", tmp_path / "b.wav"
    a.write_text("a")
    assert not same_file(a, b)
    (tmp_path / "hard.wav").hardlink_to(a)
    (tmp_path / "soft.wav").symlink_to(a)
    (tmp_path / "dangling.wav").symlink_to(b)
    (tmp_path / "folder").symlink_to(tmp_path)
    assert same_file(a, tmp_path / "hard.wav")
    assert same_file(tmp_path / "soft.wav", str(a))
    assert same_file(tmp_path / "folder/a.wav", a)
    assert same_file(b, tmp_path / "dangling.wav")
    assert same_file(tmp_path / "folder/b.wav", b)
    b.write_text("a")
    assert not same_file(a, b)
