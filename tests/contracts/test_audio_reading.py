"""Reading takes keeps its contract: nothing invented or lost unnoticed, one line when refused.

Authority: the chunk layout of RIFF/WAVE (RF64: EBU Tech 3306), AIFF and FLAC, from memory, not
located; the files here are built or cut byte by byte. PCM steps are x = k / 2^(bits-1).
"""

import os
import struct
import subprocess
import sys

import numpy as np
import pytest
import soundfile
from audio_checks import RATE_HZ, refusal
from permissions import bound

from vadist.audio_files import TakeReader, TakeWriter


@pytest.fixture
def noise():
    return np.random.default_rng(7).uniform(-0.9, 0.9, (5000, 2))


def promised_and_found(message: str) -> list[int]:
    return [int(word.strip(",")) for word in message.split() if word.strip(",").isdigit()]


def wav_bytes(data: bytes, data_size=None, riff_size=None, after=b"") -> bytes:
    """16-bit mono WAV with any sizes in its header."""
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, RATE_HZ, 2 * RATE_HZ, 2, 16)
    data_size = len(data) if data_size is None else data_size
    body = b"WAVE" + fmt + struct.pack("<4sI", b"data", data_size) + data + after
    return struct.pack("<4sI", b"RIFF", len(body) if riff_size is None else riff_size) + body


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
    soundfile.write(tmp_path / "law.wav", np.zeros(9), RATE_HZ, subtype="ULAW")
    os.mkfifo(tmp_path / "pipe.wav")
    for name in ("text.wav", "zero.wav", "stub.wav", "text.raw"):
        message = refusal(lambda name=name: TakeReader(tmp_path / name))
        assert message.startswith(f"{tmp_path / name}: not an audio file that can be read (")
    assert "two\\nlines.wav" in refusal(lambda: TakeReader(tmp_path / "two\nlines.wav"))
    assert "got WAV ULAW" in refusal(lambda: TakeReader(tmp_path / "law.wav"))
    assert "it is a folder" in refusal(lambda: TakeReader(tmp_path))
    assert "a device or a pipe" in refusal(lambda: TakeReader(tmp_path / "pipe.wav"))
    assert "No such file" in refusal(lambda: TakeReader(tmp_path / "none.wav"))
    assert "cannot be read" in refusal(lambda: TakeReader("nul\0.wav"))


WITHOUT_PERMISSION = """
import sys
from vadist.audio_files import TakeReader, TakeWriter
from vadist.errors import AudioFileError
take, output = sys.argv[1:]
for action in (lambda: TakeReader(take), TakeWriter(output, 48000, 1).__enter__):
    try:
        action()
    except AudioFileError as error:
        print(error)
"""


def test_without_permission(tmp_path):
    take, output = tmp_path / "mine.wav", tmp_path / "shut/t.wav"
    take.write_bytes(wav_bytes(bytes(20)))
    take.chmod(0)
    output.parent.mkdir(mode=0o500)
    words = [*bound(), sys.executable, "-c", WITHOUT_PERMISSION, str(take), str(output)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    read, written = done.stdout.splitlines()
    assert read.startswith(f"{take}: ")
    assert written.startswith(f"{output}: ")
    assert "Permission denied" in read
    assert "Permission denied" in written
    assert list(output.parent.iterdir()) == []
