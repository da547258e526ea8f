"""Capture files: every usual shape is read to the same volts, every broken one gets one line.

Authority: the files are written here, from known volts, in the shapes in which oscilloscopes,
sound cards and NumPy write them (common practice, no published source).
"""

import gzip
import struct

import numpy as np
import pytest
import soundfile

from vadist.captures.capture import Reading
from vadist.captures.reading import read_capture
from vadist.errors import CaptureError

RATE_HZ = 250e3
FRAMES = 400
T = np.arange(FRAMES) / RATE_HZ
IN = 0.1 * np.sin(2 * np.pi * 1e3 * T)
OUT = 0.6 * np.tanh(8.0 * np.sin(2 * np.pi * 1e3 * T + 0.3))


def rows(*columns, separator=",", comma=False, digits=8):
    lines = [separator.join(f"{v:.{digits}g}" for v in row) for row in zip(*columns, strict=True)]
    text = "\n".join(lines) + "\n"
    return text.replace(".", ",") if comma else text


def beside():
    """Preamble cells in the first columns of the first rows."""
    facts = ["Record Length,400,Points", "Sample Interval,4e-06,s", "Trigger,0,s", "Source,CH1,"]
    lines = [f"{a},{b:.8g},{c:.8g}" for a, b, c in zip(facts, T, OUT, strict=False)]
    lines += [f",,,{b:.8g},{c:.8g}" for b, c in zip(T[4:], OUT[4:], strict=True)]
    return "\n".join(lines) + "\n"


def npz_bytes(folder, **arrays):
    np.savez(folder / "x.npz", **arrays)
    return (folder / "x.npz").read_bytes()


# Shape -> (content, reading, channels expected). All hold OUT, most hold IN before it.
SHAPES = {
    "comma, units in brackets": ("Time (s),Input (V),Output (V)\n" + rows(T, IN, OUT), {}, 2),
    "names, then a line of units": (
        "Time,Channel A,Channel B\n(ms),(mV),(V)\n\n" + rows(T * 1e3, IN * 1e3, OUT), {}, 2,
    ),
    "semicolon, decimal comma": (
        "Zeit [ms];Kanal 1 [V];Kanal 2 [mV]\n"
        + rows(T * 1e3, IN, OUT * 1e3, separator=";", comma=True),
        {}, 2,
    ),
    "tab, decimal comma, UTF-16": (
        ("time (µs)\tCH1 (V)\tCH2 (V)\n" + rows(T * 1e6, IN, OUT, separator="\t", comma=True))
        .replace("\n", "\r\n").encode("utf-16"),
        {}, 2,
    ),
    "Latin-1 micro sign": (
        ("Gerät: Prüfstand\nt (µs),CH1 (V),CH2 (V)\n" + rows(T * 1e6, IN, OUT)).encode("latin-1"),
        {}, 2,
    ),
    "preamble of keys, no time column": (
        "Model: bench\nSample Interval: 4 us\nVertical Units: V\nCH1,CH2\n" + rows(IN, OUT), {}, 2,
    ),
    "sample rate in the preamble": (
        "# Sample Rate,250 kS/s\n# CH1 (mV),CH2 (mV)\n" + rows(IN * 1e3, OUT * 1e3), {}, 2,
    ),
    "key, value and unit in cells": (
        "Points,400\nXIncrement,4.0,us\nY Units,V\nCH1;CH2\n".replace(",", ";")
        + rows(IN, OUT, separator=";"), {}, 2,
    ),
    "units where the names should be": ("x-axis,1,2\nsecond,Volt,Volt\n" + rows(T, IN, OUT), {}, 2),
    "preamble beside the rows": (beside(), {"units": ("s", "V")}, 1),
    "no header, units stated": (rows(T, IN, OUT), {"units": ("s", "V", "V")}, 2),
    "one channel, rate stated": (
        "Output [V]\n" + rows(OUT), {"sample_rate_hz": RATE_HZ}, 1,
    ),
    "blanks between, trailing commas": (
        "time_s CH1_V CH2_V\n" + rows(T, IN, OUT, separator="  "), {}, 2,
    ),
    "quoted cells and a trailing comma": (
        '"Time (s)","CH1 (V)","CH2 (V)",\n' + rows(T, IN, OUT).replace("\n", ",\n"), {}, 2,
    ),
    "time before zero, printed coarsely": (
        "Time (s),CH1 (V),CH2 (V)\n" + rows(np.round(T - 8e-4, 7), IN, OUT), {}, 2,
    ),
    "gzip": (gzip.compress(("Time (s),CH1 (V),CH2 (V)\n" + rows(T, IN, OUT)).encode()), {}, 2),
    "UTF-8 with byte order mark": (
        b"\xef\xbb\xbf" + ("Time (s),CH1 (V),CH2 (V)\n" + rows(T, IN, OUT)).encode(), {}, 2,
    ),
}  # fmt: skip


def write(folder, content, name="capture.csv"):
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_gives_the_same_volts(tmp_path, shape):
    """Eight digits are written, so volts agree to 1e-7 of full scale."""
    content, options, channels = SHAPES[shape]
    capture = read_capture(write(tmp_path, content), Reading(**options))
    assert capture.sample_rate_hz == pytest.approx(RATE_HZ, rel=1e-5)
    assert capture.volts.shape == (FRAMES, channels)
    assert np.abs(capture.volts[:, -1] - OUT).max() < 1e-7
    if channels == 2:
        assert np.abs(capture.volts[:, 0] - IN).max() < 1e-7
    assert any("samples at" in note for note in capture.notes)


def test_numpy_files(tmp_path):
    """Arrays, structured arrays and archives, with a rate or a time."""
    both = np.stack([IN, OUT], axis=1)
    np.save(tmp_path / "a.npy", both)
    found = read_capture(tmp_path / "a.npy", Reading(sample_rate_hz=RATE_HZ))
    assert np.array_equal(found.volts, both)
    np.save(tmp_path / "b.npy", np.column_stack([T, IN * 1e3, OUT]))
    found = read_capture(tmp_path / "b.npy", Reading(units=("s", "mV", "V")))
    assert np.abs(found.volts - both).max() < 1e-15
    assert found.sample_rate_hz == pytest.approx(RATE_HZ)
    for arrays in ({"time_s": T, "in_mV": IN * 1e3, "out": OUT},
                   {"sample_rate_hz": RATE_HZ, "in": IN, "out": OUT}):  # fmt: skip
        np.savez(tmp_path / "c.npz", **arrays)
        found = read_capture(tmp_path / "c.npz")
        assert found.channels == ("in", "out")
        assert np.abs(found.volts - both).max() < 1e-15
        assert found.sample_rate_hz == pytest.approx(RATE_HZ)


@pytest.mark.parametrize(("suffix", "subtype"), [("wav", "PCM_24"), ("flac", "PCM_24")])
def test_audio_files(tmp_path, suffix, subtype):
    """Full scale is stated; 24 bits, cut off by libsndfile, leave 2 V * 2^-23."""
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, np.stack([IN, OUT], axis=1) / 2.0, 96_000, subtype)
    found = read_capture(path, Reading(full_scale_v=2.0))
    assert found.sample_rate_hz == 96_000.0
    assert np.abs(found.volts[:, 1] - OUT).max() <= 2.0 * 2.0**-23
    with pytest.raises(CaptureError, match="--full-scale"):
        read_capture(path)


def test_missing_and_duplicated_rows_are_mended(tmp_path):
    """Three rows gone and two doubled: told, and filled in within the error of a cubic."""
    keep = np.sort(np.concatenate([np.delete(np.arange(FRAMES), [50, 51, 300]), [100, 200]]))
    text = "Time (s),CH1 (V)\n" + rows(T[keep], IN[keep])
    found = read_capture(write(tmp_path, text))
    assert len(found.volts) == FRAMES
    assert np.abs(found.volts[:, 0] - IN).max() < 1e-6
    assert "3 missing rows were filled in by cubic interpolation" in found.notes
    assert "2 duplicated rows were dropped" in found.notes


def test_probe_offset_and_cut_last_line(tmp_path):
    """Probe factor first, then the offset; a last line cut in writing is left out and told."""
    text = "Time (s),CH1 (V),CH2 (V)\n" + rows(T, IN, OUT) + "0.0016,0.0"
    reading = Reading(probe={"CH2": 10.0}, offset_v={"": 0.25})
    found = read_capture(write(tmp_path, text), reading)
    assert np.abs(found.volts[:, 1] - (10.0 * OUT - 0.25)).max() < 1e-6
    assert np.abs(found.volts[:, 0] - (IN - 0.25)).max() < 1e-7
    assert any("cut short" in note for note in found.notes)
    assert found.find("ch2") == found.find("2") == 1
    with pytest.raises(CaptureError, match="did you mean 'CH1'"):
        found.find("CHA1")


def last_cell(cell):
    """Change of a line: another last cell, separator included."""
    return lambda line: line.rsplit(",", 1)[0] + cell


def faulty(line, replacement):
    lines = ("Time (s),CH1 (V),CH2 (V)\n" + rows(T, IN, OUT)).splitlines()
    lines[line - 1] = replacement(lines[line - 1])
    return "\n".join(lines) + "\n"


HEAD = "Time (s),CH1 (V)\n"
GAP = np.delete(np.arange(FRAMES), np.arange(100, 120))
MALFORMED = {
    "empty": (b"", "is empty"),
    "blank": (b" \n\n", "is empty"),
    "no numbers": ("Time,CH1\nfoo,bar\nbaz,qux\n", "no rows of numbers"),
    "a header alone": (HEAD, "no rows of numbers were found \\(the last line"),
    "one row": (HEAD + "0.0,1.0\n", "holds 1 row of numbers"),
    "one column": ("CH1 (V)\n" + rows(OUT), "--rate"),
    "one column, two readings": (rows(OUT, comma=True), "--delimiter and --decimal"),
    "time alone": ("Time (s)\n" + rows(T), "no volts"),
    "time backwards": (HEAD + rows(T[::-1], OUT), "line 3: time goes backwards"),
    "time stands": (HEAD + rows(np.round(T, 5), OUT), "state the rate with --rate"),
    "uneven time": (HEAD + rows(T + 2e-6 * np.sin(np.arange(FRAMES)), OUT), "not evenly spaced"),
    "a long gap": (HEAD + rows(T[GAP], OUT[GAP]), "20 rows are missing, 20 of them after line 101"),
    "NaN": (faulty(37, last_cell(",NaN")), "line 37: NaN is no measurement"),
    "over range": (faulty(37, last_cell(",***")), "line 37: '\\*\\*\\*' is not"),
    "an empty cell": (faulty(90, last_cell(",")), "line 90: column 3 is empty"),
    "a short row": (faulty(90, last_cell("")), "line 90: has 2 cells"),
    "mixed separators": (faulty(150, lambda s: s.replace(",", ";")), "150: separators are mixed"),
    "a quarter": (
        HEAD + rows(T[:100], OUT[:100]) + rows(T[100:], OUT[100:], separator=";"),
        "line 101: separators are mixed",
    ),
    "half and half": (
        HEAD + rows(T[:300], OUT[:300]) + rows(T[300:], OUT[300:], separator=";"),
        "separators are mixed",
    ),
    "no unit": ("Time (s),CH1\n" + rows(T, OUT), "nothing states the unit of column 2"),
    "no unit of time": ("Time,CH1 (V)\n" + rows(T, OUT), "unit of column 1 \\('Time'\\)"),
    "two rates": ("Sample Rate,100 kHz\n" + HEAD + rows(T, OUT), "settle it with --rate"),
    "rows promised": ("Points,2000000000\n" + HEAD + rows(T, OUT), "promises 2000000000 rows"),
    "five channels": (
        "Time (s),a (V),b (V),c (V),d (V),e (V)\n" + rows(T, OUT, OUT, OUT, OUT, OUT), "at most 4",
    ),
    "damaged gzip": (gzip.compress(b"Time (s),CH1 (V)\n" * 99)[:-12], "damaged gzip"),
    "binary": (bytes(range(256)) * 4, "neither text"),
    "too slow": ("Sample Rate: 100 Hz\nCH1 (V)\n" + rows(OUT), "sample rate must be 8000"),
    "too short": (HEAD + rows(T[:9], OUT[:9]), "has 9 samples"),
    "damaged npy": (b"\x93NUMPY\x01\x00" + bytes(90), "damaged or cut short"),
}  # fmt: skip


@pytest.mark.parametrize("kind", MALFORMED)
def test_malformed_file_gets_one_clear_line(tmp_path, kind):
    content, message = MALFORMED[kind]
    path = write(tmp_path, content)
    with pytest.raises(CaptureError, match=message) as caught:
        read_capture(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_two_gigabytes_promised(tmp_path):
    """A WAV and an array whose headers promise 2 GB: refused without allocating them."""
    promised = 2 * 10**9
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, 48000, 96000, 2, 16)
    wav = b"RIFF" + struct.pack("<I", promised + 36) + b"WAVE" + form
    wav += b"data" + struct.pack("<I", promised) + bytes(2000)
    with pytest.raises(CaptureError, match="promises 1000000000 frames, found 1000"):
        read_capture(write(tmp_path, wav, "a.wav"), Reading(full_scale_v=1.0))
    shape = "{'descr': '<f8', 'fortran_order': False, 'shape': (250000000,), }"
    header = shape.ljust(117) + "\n"
    npy = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header)) + header.encode() + bytes(800)
    with pytest.raises(CaptureError, match="damaged or cut short"):
        read_capture(write(tmp_path, npy, "a.npy"), Reading(sample_rate_hz=1e5))


def test_pickled_arrays_are_not_opened(tmp_path):
    np.save(tmp_path / "a.npy", np.array([{}], dtype=object), allow_pickle=True)
    with pytest.raises(CaptureError, match="damaged or cut short"):
        read_capture(tmp_path / "a.npy", Reading(sample_rate_hz=1e5))


def steps(volts, step):
    return step * np.round(volts / step)


def test_rails_are_told_from_clipping_circuits(tmp_path):
    """8 bits: a signal cut off by the converter is refused, a diode-like flat top is not."""
    noise = np.random.default_rng(1).normal(0.0, 0.2 / 100, (FRAMES, 2))
    # Flat between two steps, so that the upper one is met in runs.
    rounded = steps(0.606 / 0.6 * OUT + noise[:, 0], 1 / 100)
    cut = np.clip(steps(1.5 * IN / 0.1 + noise[:, 1], 1 / 100), -1.28, 1.27)
    text = "Time (s),CH1 (V),CH2 (V)\n" + rows(T, rounded, cut)
    found = read_capture(write(tmp_path, text))
    assert np.array_equal(found.pick("CH1"), found.volts[:, 0])
    with pytest.raises(CaptureError, match="CH2 is clipped at both rails by the recording"):
        found.pick("CH2")
    assert len(found.pick("CH2", allow_clipped=True)) == FRAMES
    soundfile.write(tmp_path / "a.wav", np.clip(3.0 * OUT, -1, 1), 96_000, "PCM_16")
    with pytest.raises(CaptureError, match="clipped at full scale"):
        read_capture(tmp_path / "a.wav", Reading(full_scale_v=2.0)).pick("1")


def test_missing_file_and_folder(tmp_path):
    for path, message in ((tmp_path / "none.csv", "no such file"), (tmp_path, "is a folder")):
        with pytest.raises(CaptureError, match=message):
            read_capture(path)
