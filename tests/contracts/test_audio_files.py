"""Audio files keep their contract: whole or untouched, nothing invented, one line when refused.

Authority: the chunk layout of RIFF/WAVE (RF64: EBU Tech 3306), AIFF and FLAC, from memory, not
located; the files here are built or cut byte by byte. PCM steps are x = k / 2^(bits-1).
"""

import os
import resource
import struct
import subprocess
import time
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile

from vadist import audio_files
from vadist.audio_files import TakeReader, TakeWriter, same_file, write_text_atomically
from vadist.errors import AudioFileError

RATE_HZ = 48_000


@pytest.fixture
def noise():
    return np.random.default_rng(7).uniform(-0.9, 0.9, (5000, 2))


def promised_and_found(message: str) -> list[int]:
    return [int(word.strip(",")) for word in message.split() if word.strip(",").isdigit()]


def refusal(action) -> str:
    with pytest.raises(AudioFileError) as caught:
        action()
    assert "\n" not in str(caught.value)
    return str(caught.value)


def only(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def wav_bytes(data: bytes, data_size=None, riff_size=None, after=b"") -> bytes:
    """16-bit mono WAV with any sizes in its header."""
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, RATE_HZ, 2 * RATE_HZ, 2, 16)
    data_size = len(data) if data_size is None else data_size
    body = b"WAVE" + fmt + struct.pack("<4sI", b"data", data_size) + data + after
    return struct.pack("<4sI", b"RIFF", len(body) if riff_size is None else riff_size) + body


# --- reading ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "container", "subtype", "step"),
    [
        ("t.wav", "WAV", "PCM_16", 2**-15),
        ("t.wav", "WAV", "PCM_24", 2**-23),
        ("t.wav", "WAV", "PCM_32", 2**-31),
        ("t.wav", "WAV", "FLOAT", 2**-24),
        ("t.wav", "WAVEX", "DOUBLE", 2**-53),
        ("t.wav", "WAVEX", "PCM_24", 2**-23),
        ("t.wav", "RF64", "PCM_24", 2**-23),
        ("t.flac", "FLAC", "PCM_24", 2**-23),
        ("t.flac", "FLAC", "PCM_16", 2**-15),
        ("t.aiff", "AIFF", "PCM_16", 2**-15),
        ("t.aiff", "AIFF", "FLOAT", 2**-24),
    ],
)
def test_reads_each_format_and_notices_when_it_is_cut(
    tmp_path, noise, name, container, subtype, step
):
    path = tmp_path / name
    soundfile.write(path, noise, RATE_HZ, subtype=subtype, format=container)
    with TakeReader(path) as take:
        assert (take.sample_rate_hz, take.channels, take.frames) == (RATE_HZ, 2, 5000)
        assert (take.container, take.subtype) == (container, subtype)
        samples = np.concatenate([take.read(1999), take.read(1999), take.read(1999)])
        assert take.read(10).shape == (0, 2)
    assert samples.dtype == np.float64
    # One step of the format: libsndfile, which wrote the file, may round down.
    np.testing.assert_allclose(samples, noise, rtol=0, atol=step)

    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    message = refusal(lambda: TakeReader(path))
    promised, found = promised_and_found(message)
    assert str(path) in message
    assert promised == 5000
    # Half the file, less the header; FLAC of noise is nearly incompressible and ends at a block.
    assert 2500 - (2500 if container == "FLAC" else 50) <= found < 2500


def test_frames_found_in_a_cut_wav_are_exact(tmp_path):
    path = tmp_path / "cut.wav"
    path.write_bytes(wav_bytes(bytes(200))[:-37])  # 163 bytes of samples are left: 81 frames
    assert refusal(lambda: TakeReader(path)).endswith("promises 100 frames, found 81")


def test_frames_found_in_a_cut_flac_are_what_its_blocks_hold(tmp_path):
    path = tmp_path / "cut.flac"
    noise = np.random.default_rng(1).uniform(-0.9, 0.9, 20_000)
    soundfile.write(path, noise, RATE_HZ, subtype="PCM_16")
    raw = path.read_bytes()
    path.write_bytes(raw[:-9000])
    promised, found = promised_and_found(refusal(lambda: TakeReader(path)))
    block = int.from_bytes(raw[8:10], "big")  # STREAMINFO starts with the block size
    assert promised == 20_000
    assert found > 0
    assert found % block == 0  # FLAC decodes whole blocks or nothing of them
    with soundfile.SoundFile(path) as file:
        np.testing.assert_allclose(file.read(found - 1), noise[: found - 1], atol=2**-15)
    with soundfile.SoundFile(path) as file, pytest.raises(soundfile.LibsndfileError):
        file.read(found + 1)


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0x7FFFF000, 0xFFFFFFFF - 36])
def test_a_size_left_open_by_a_streaming_recorder_is_no_fault(tmp_path, size):
    path = tmp_path / "pipe.wav"
    path.write_bytes(wav_bytes(bytes(200), data_size=size, riff_size=0xFFFFFFFF))
    with TakeReader(path) as take:
        assert take.frames == 100
        assert take.read(1000).shape == (100, 1)


def test_a_size_of_zero_before_samples_is_not_taken_for_silence(tmp_path):
    path = tmp_path / "crashed.wav"
    path.write_bytes(wav_bytes(bytes(200), data_size=0, riff_size=0))
    assert "promises 0 frames, found 100" in refusal(lambda: TakeReader(path))


@pytest.mark.parametrize("after", [b"", b"LIST\4\0\0\0INFO"])
def test_an_empty_take_is_a_take(tmp_path, after):
    path = tmp_path / "empty.wav"
    path.write_bytes(wav_bytes(b"", after=after))
    with TakeReader(path) as take:
        assert take.frames == 0
        assert take.read(100).shape == (0, 1)


def test_chunks_before_and_bytes_after_the_samples_do_no_harm(tmp_path):
    path = tmp_path / "tagged.wav"
    whole = wav_bytes(b"\1\0" * 50, after=b"LIST\4\0\0\0INFO")
    tagged = whole[:12] + b"junk\3\0\0\0abc\0" + whole[12:]  # an odd chunk and its padding
    path.write_bytes(tagged + b"\0" * 99)
    with TakeReader(path) as take:
        np.testing.assert_array_equal(take.read(99), np.full((50, 1), 2.0**-15))
    path.write_bytes(tagged[:-42])  # the last chunk, 12 bytes, and 15 frames
    assert promised_and_found(refusal(lambda: TakeReader(path))) == [50, 35]


def test_a_flac_of_unknown_length_is_counted(tmp_path, noise):
    path = tmp_path / "stream.flac"
    soundfile.write(path, noise, RATE_HZ, subtype="PCM_16")
    raw = bytearray(path.read_bytes())
    raw[21] &= 0xF0  # the 36-bit frame count ends STREAMINFO's fixed fields
    raw[22:26] = bytes(4)
    path.write_bytes(raw)
    with TakeReader(path) as take:
        assert take.frames == 5000
        assert take.read(9999).shape == (5000, 2)


def test_damage_inside_a_flac_is_told_when_it_is_reached(tmp_path):
    path = tmp_path / "scratched.flac"
    soundfile.write(path, np.random.default_rng(1).uniform(-0.9, 0.9, 40_000), RATE_HZ)
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2 : len(raw) // 2 + 200] = bytes(200)
    path.write_bytes(raw)
    with TakeReader(path) as take:
        assert take.read(8000).shape == (8000, 1)
        assert "damaged between frames 8000 and 40000" in refusal(lambda: take.read(40_000))


def test_seek(tmp_path, noise):
    path = tmp_path / "t.wav"
    soundfile.write(path, noise, RATE_HZ, subtype="DOUBLE")
    with TakeReader(path) as take:
        take.seek(4000)
        np.testing.assert_array_equal(take.read(5000), noise[4000:])
        take.seek(0)
        np.testing.assert_array_equal(take.read(3), noise[:3])
        assert "frame must be 0 to 5000 (got 5001)" in refusal(lambda: take.seek(5001))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_the_first_sample_that_is_no_number_is_named(tmp_path, noise, bad):
    path = tmp_path / "nan.wav"
    noise[3210, 1] = noise[4000, 0] = bad
    soundfile.write(path, noise, RATE_HZ, subtype="FLOAT")
    with TakeReader(path) as take:
        take.read(3000)
        assert f"got {bad} at frame 3210, channel 2" in refusal(lambda: take.read(3000))


@pytest.mark.parametrize(("rate_hz", "good"), [(7999, 0), (8000, 1), (384_000, 1), (384_001, 0)])
def test_sample_rates(tmp_path, rate_hz, good):
    path = tmp_path / "t.wav"
    soundfile.write(path, np.zeros(10), rate_hz, subtype="PCM_16")
    if good:
        with TakeReader(path) as take, TakeWriter(tmp_path / "u.wav", rate_hz, 1):
            assert take.sample_rate_hz == rate_hz
    else:
        told = f"sample rate must be 8000 to 384000 Hz (got {rate_hz} Hz)"
        assert told in refusal(lambda: TakeReader(path))
        assert told in refusal(lambda: TakeWriter(tmp_path / "u.wav", rate_hz, 1))


@pytest.mark.parametrize(("channels", "good"), [(64, True), (65, False)])
def test_channels(tmp_path, channels, good):
    path = tmp_path / "t.wav"
    soundfile.write(path, np.zeros((10, channels)), RATE_HZ, subtype="PCM_16")
    if good:
        with TakeReader(path) as take:
            assert take.read(10).shape == (10, 64)
    else:
        assert "channels must be 1 to 64 (got 65)" in refusal(lambda: TakeReader(path))


def test_what_is_no_take_is_refused_in_one_line(tmp_path):
    (tmp_path / "text.wav").write_text("hello, this is no audio at all")
    (tmp_path / "zero.wav").write_bytes(b"")
    (tmp_path / "stub.wav").write_bytes(b"RIFF\0\0")
    (tmp_path / "text.raw").write_text("hello")
    (tmp_path / "two\nlines.wav").write_text("hello")
    soundfile.write(tmp_path / "eight.wav", np.zeros(9), RATE_HZ, subtype="PCM_U8")
    os.mkfifo(tmp_path / "pipe.wav")
    for name in ("text.wav", "zero.wav", "stub.wav", "text.raw"):
        message = refusal(lambda name=name: TakeReader(tmp_path / name))
        assert message.startswith(f"{tmp_path / name}: not an audio file that can be read (")
    assert "two\\nlines.wav" in refusal(lambda: TakeReader(tmp_path / "two\nlines.wav"))
    assert "got WAV PCM_U8" in refusal(lambda: TakeReader(tmp_path / "eight.wav"))
    assert "it is a folder" in refusal(lambda: TakeReader(tmp_path))
    assert "a device or a pipe" in refusal(lambda: TakeReader(tmp_path / "pipe.wav"))
    assert "No such file" in refusal(lambda: TakeReader(tmp_path / "none.wav"))
    assert "cannot be read" in refusal(lambda: TakeReader("nul\0.wav"))


@pytest.mark.skipif(os.geteuid() == 0, reason="file permissions do not bind root")
def test_without_permission(tmp_path):
    (tmp_path / "mine.wav").write_bytes(wav_bytes(bytes(20)))
    (tmp_path / "mine.wav").chmod(0)
    assert "Permission denied" in refusal(lambda: TakeReader(tmp_path / "mine.wav"))
    (tmp_path / "shut").mkdir(mode=0o500)
    writer = TakeWriter(tmp_path / "shut/t.wav", RATE_HZ, 1)
    assert "Permission denied" in refusal(writer.__enter__)


# --- writing ------------------------------------------------------------------------------------


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
    assert "end in .wav" in refusal(lambda: TakeWriter(tmp_path / "t.flac", RATE_HZ, 2))
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
            take.write(np.full((5000, 2), 0.1))


def test_a_file_that_may_not_grow_leaves_nothing(tmp_path):
    """A limit on file size makes writes fall short as a full disk does, for every user."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        message = refusal(lambda: write_much(tmp_path / "t.wav"))
        text = refusal(lambda: write_text_atomically(tmp_path / "t.json", "x" * 200_000))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert message.startswith(f"{tmp_path / 't.wav'}: cannot be written; is the disk full?")
    assert text.startswith(f"{tmp_path / 't.json'}: cannot be written (File too large")
    assert only(tmp_path) == []


def test_samples_lost_behind_the_writers_back_are_noticed(tmp_path, noise):
    def write():
        with TakeWriter(tmp_path / "t.wav", RATE_HZ, 2) as take:
            take.write(noise)
            os.truncate(tmp_path / only(tmp_path)[0], 20_000)

    assert "(20000 of 30000 bytes are there)" in refusal(write)
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


# --- text and names -----------------------------------------------------------------------------


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
