"""What stands beside the samples of a take goes with its renders, and renders stay readable.

Authority: EBU Tech 3285 (bext), EBU R 98 (coding history), the iXML specification, EBU Tech 3306
and ITU-R BS.2088 (RF64, BW64); outputs are read back by wavinfo, an independent reader of these
chunks, and by ffprobe and mediainfo where they are installed (the continuous check installs them).
"""

import json
import shutil
import struct
import subprocess

import numpy as np
import pytest
import soundfile
from render_runs import names, run, sidecar
from wave_files import (
    ACID,
    CUE,
    HISTORY,
    LABELS,
    SMPL,
    TEMPO_BPM,
    TIME_REFERENCE,
    chunks_of,
    write_take,
)
from wavinfo import WavInfoReader

from vadist.audio_files import TakeReader, TakeWriter
from vadist.wave_chunks import Chunk


@pytest.fixture
def samples():
    """Two tones, 0.2 s."""
    time = np.arange(9600) / 48_000
    return 0.3 * np.sin(2 * np.pi * np.outer(time, [110.0, 165.0]))


@pytest.mark.parametrize("form", [b"RIFF", b"RF64", b"BW64"])
def test_what_a_recorder_wrote_goes_with_the_render(tmp_path, samples, form):
    take, output = tmp_path / "take.wav", tmp_path / "out.wav"
    write_take(take, samples, 48_000, form)
    run(take, "--design", "treble_boost", "--out", output)
    read = WavInfoReader(str(output))
    assert read.bext.time_reference == TIME_REFERENCE
    assert read.bext.description == "riff, second try"
    assert (read.bext.originator_date, read.bext.originator_time) == ("2026-11-20", "20:15:00")
    lines = read.bext.coding_history.splitlines()
    assert lines[0] == HISTORY.decode().strip()
    version = sidecar(output)["made_with"]["vadist"]
    assert lines[1:] == [f"A=PCM,F=48000,W=24,M=stereo,T=vadist {version} treble boost"]
    assert read.cues.to_dict() == {1: {"frame": 1200, "label": "verse"}}
    assert read.smpl.to_dict()["loops"][0]["end_samples"] == 9000
    assert (read.ixml.scene, read.ixml.take) == ("5", "2")
    tags = [tag for tag, _ in chunks_of(output)]
    assert tags == [b"bext", b"iXML", b"cue ", b"LIST", b"smpl", b"acid", b"fmt ", b"data"]
    held = dict(chunks_of(output))
    assert (held[b"cue "], held[b"LIST"], held[b"smpl"], held[b"acid"]) == (
        CUE, LABELS, SMPL, ACID,
    )  # fmt: skip
    assert struct.unpack("<f", held[b"acid"][-4:])[0] == TEMPO_BPM
    # What the render made untrue: loudness (0x7FFF tells none), the file's own marks, its bits.
    assert struct.unpack_from("<5h", held[b"bext"], 412) == (0x7FFF,) * 5
    assert held[b"bext"][348:412] == bytes(64)
    assert b"FILE_UID" not in held[b"iXML"]
    assert b"<AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH>" in held[b"iXML"]
    plain, usual = tmp_path / "plain.wav", tmp_path / "usual.wav"
    write_take(usual, samples, 48_000)
    soundfile.write(plain, soundfile.read(usual)[0], 48_000)
    run(plain, "--design", "treble_boost", "--out", tmp_path / "again.wav")
    np.testing.assert_array_equal(
        soundfile.read(output)[0], soundfile.read(tmp_path / "again.wav")[0]
    )
    assert [tag for tag, _ in chunks_of(tmp_path / "again.wav")] == [b"fmt ", b"data"]


def test_flac_says_what_it_leaves_behind(tmp_path, samples, capsys):
    take = tmp_path / "take.wav"
    write_take(take, samples, 48_000)
    run(take, "--design", "treble_boost", "--out", tmp_path / "out.flac")
    assert "holds none of bext, iXML, cue, LIST, smpl, acid" in capsys.readouterr().err


def test_chosen_channels_and_their_names(tmp_path, samples):
    take, output = tmp_path / "take.wav", tmp_path / "out.wav"
    write_take(take, samples, 48_000)
    run(take, "--design", "treble_boost", "--channels", "2", "--out", output)
    tracks = WavInfoReader(str(output)).ixml.to_dict()["track_list"]
    assert [(each["interleave_index"], each["name"]) for each in tracks] == [("1", "dry")]
    soundfile.write(tmp_path / "second.wav", soundfile.read(take)[0][:, 1], 48_000)
    run(tmp_path / "second.wav", "--design", "treble_boost", "--out", tmp_path / "alone.wav")
    np.testing.assert_array_equal(
        soundfile.read(output)[0], soundfile.read(tmp_path / "alone.wav")[0]
    )


@pytest.mark.parametrize(
    ("channels", "told"),
    [("3", "has 2 channels, and no number 3"), ("0", "numbers from 1"), ("1,1", "names one twice")],
)
def test_channels_that_are_not_there(tmp_path, samples, capsys, channels, told):
    take = tmp_path / "take.wav"
    write_take(take, samples, 48_000)
    run(take, "--design", "treble_boost", "--channels", channels, "--out", tmp_path / "o.wav",
        expect=2)  # fmt: skip
    assert told in capsys.readouterr().err
    assert names(tmp_path) == ["take.wav"]


READERS = {
    "wavinfo": lambda path: WavInfoReader(path).bext.time_reference,
    "ffprobe": lambda path: int(
        json.loads(_said("ffprobe", "-v", "error", "-of", "json", "-show_format", path))["format"][
            "tags"
        ]["time_reference"]
    ),
    "mediainfo": lambda path: round(
        float(_said("mediainfo", "--Inform=Audio;%Delay%", path)) / 1e3 * 48_000
    ),
}


def _said(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


@pytest.mark.parametrize("reader", [r for r in READERS if r == "wavinfo" or shutil.which(r)])
def test_the_time_reference_as_others_read_it(tmp_path, samples, reader):
    """In the take and in the render alike."""
    take, output = tmp_path / "take.wav", tmp_path / "out.wav"
    write_take(take, samples, 48_000)
    run(take, "--design", "treble_boost", "--out", output)
    found = [READERS[reader](str(path)) for path in (take, output)]
    assert found[0] == found[1]
    assert found[0] == pytest.approx(TIME_REFERENCE, abs=48)  # a millisecond, as mediainfo rounds


@pytest.mark.parametrize("maker", [m for m in ("ffmpeg", "our own") if shutil.which(m) or " " in m])
def test_takes_of_other_makers(tmp_path, samples, maker):
    """Their time reference and description, as wavinfo reads them, go with the render."""
    take, output = tmp_path / "take.wav", tmp_path / "out.wav"
    if maker == "ffmpeg":
        soundfile.write(tmp_path / "plain.wav", samples, 48_000)
        _said("ffmpeg", "-v", "error", "-i", str(tmp_path / "plain.wav"), "-write_bext", "1",
              "-metadata", "time_reference=123456789", "-metadata", "description=take two",
              str(take))  # fmt: skip
    else:
        write_take(take, samples, 48_000)
    run(take, "--design", "treble_boost", "--out", output)
    dry, wet = (WavInfoReader(str(path)).bext for path in (take, output))
    assert (dry.time_reference, dry.description) == (wet.time_reference, wet.description)
    assert dry.time_reference in (123456789, TIME_REFERENCE)


def test_a_file_past_4_gib_is_rf64_with_its_chunks(tmp_path, monkeypatch, samples):
    """The limit is lowered, so that a small file passes it."""
    monkeypatch.setattr("vadist.audio_files.WAV_LIMIT_BYTES", 20_000)
    path, held = tmp_path / "long.wav", Chunk(b"acid", ACID)
    with TakeWriter(path, 48_000, 2, frames=len(samples), chunks=[held]) as writer:
        writer.write(samples)
    raw = path.read_bytes()
    assert raw[:4] == b"RF64"
    assert struct.unpack_from("<Q", raw, 20)[0] == len(raw) - 8
    assert dict(chunks_of(path))[b"acid"] == ACID
    with TakeReader(path) as reader:
        np.testing.assert_allclose(reader.read(9600), samples, atol=2.0**-24)
    assert soundfile.info(path).frames == 9600


def test_dither_is_triangular_and_told_by_the_take(tmp_path, samples):
    """Mean 0 and variance of a rounding and two uniform steps, 1/4 of a step squared.

    Wannamaker, Lipshitz, Vanderkooy and Wright, A theory of nonsubtractive dither, IEEE
    Transactions on Signal Processing 48, 2000: with triangular dither the power of the whole error
    does not depend on the signal.
    """
    error = []
    for level in (0.0, 0.3):
        volts = np.full((200_000, 1), level / 32768)
        for k, seed in enumerate((7, 7, 8)):
            with TakeWriter(tmp_path / f"{k}.wav", 48_000, 1, "PCM_16", overwrite=True,
                            dither_seed=seed) as writer:  # fmt: skip
                for block in np.split(volts, [k + 1, 5000]):
                    writer.write(block)
        files = [(tmp_path / f"{k}.wav").read_bytes() for k in range(3)]
        assert files[0] == files[1] != files[2]
        error.append(32768 * (soundfile.read(tmp_path / "0.wav")[0] - volts[:, 0]))
    for each in error:
        assert np.mean(each) == pytest.approx(0.0, abs=0.006)  # five deviations of the mean
        assert np.mean(each**2) == pytest.approx(0.25, rel=0.02)
    take = tmp_path / "take.wav"
    write_take(take, samples, 48_000)
    made = []
    for name, options in (("a", []), ("b", []), ("c", ["--no-dither"])):
        run(take, "--design", "treble_boost", "--bits", "16", "--out", tmp_path / f"{name}.wav",
            *options)  # fmt: skip
        made.append((tmp_path / f"{name}.wav").read_bytes())
    assert made[0] == made[1] != made[2]


def test_a_tail_rings_on_and_then_ends(tmp_path, samples):
    """``auto`` ends within 1024 frames of the last that is louder than -90 dB of the peak."""
    take = tmp_path / "take.wav"
    soundfile.write(take, samples[:, 0], 48_000, subtype="PCM_24")
    for name, tail in (("long", "3s"), ("auto", "auto"), ("none", "0s")):
        run(take, "--design", "treble_boost", "--tail", tail, "--bits", "float", "--out",
            tmp_path / f"{name}.wav")  # fmt: skip
    long, auto, none = (soundfile.read(tmp_path / f"{n}.wav")[0] for n in ("long", "auto", "none"))
    assert (len(none), len(long)) == (9600, 9600 + 3 * 48_000)
    loud = np.flatnonzero(np.abs(long) > np.abs(long).max() * 10 ** (-90 / 20))[-1]
    assert loud < len(auto) <= loud + 1 + 1024
    np.testing.assert_allclose(auto, long[: len(auto)], atol=2e-6 * np.abs(long).max())
    np.testing.assert_allclose(none, long[:9600], atol=2e-6 * np.abs(long).max())
