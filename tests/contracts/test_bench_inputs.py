"""Damaged and malicious captures, sidecars and suites: one line each, never a traceback.

Authority: the contract of the command line; damage is done here to files that were good.
"""

import io
import json
import tracemalloc
import zipfile

import numpy as np
import pytest

from vadist.captures.capture import Reading
from vadist.captures.options import FREEDOM, READING, SETTINGS, reading_from, settings_from
from vadist.captures.reading import read_capture
from vadist.captures.sidecar import read_stimulus
from vadist.captures.stimulus import make_stimulus
from vadist.captures.stimulus_files import write_stimulus
from vadist.captures.suite_file import read_suite
from vadist.cli import main
from vadist.errors import CaptureError, UsageError, VadistError

WAVE = np.sin(np.arange(400.0) / 9.0)


def npy(array):
    made = io.BytesIO()
    np.save(made, array)
    return made.getvalue()


def npz(**arrays):
    made = io.BytesIO()
    np.savez(made, **arrays)
    return made.getvalue()


def zipped(name, content, method=None):
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as packed:
        packed.writestr(name, content)
    held = bytearray(made.getvalue())
    if method is not None:  # in the local header and in the directory
        held[8:10] = method.to_bytes(2, "little")
        at = held.index(b"PK\x01\x02")
        held[at + 10 : at + 12] = method.to_bytes(2, "little")
    return bytes(held)


HEADER = npy(WAVE).index(b"\n") + 1
DAMAGED = {
    "rate that is an array": (npz(sample_rate_hz=np.full(3, 48e3), v=WAVE), "must be one number"),
    "rate that is an array of channels' length": (
        npz(sample_rate_hz=np.full(400, 48e3), v=WAVE), "must be one number"),
    "no samples": (npy(np.zeros(0)), "damaged or cut short|holds no samples"),
    "no rows": (npy(np.zeros((0, 2))), "damaged or cut short|holds no samples"),
    "no columns": (npy(np.zeros((400, 0))), "damaged or cut short|holds no samples"),
    "magic alone": (npy(WAVE)[:8], "damaged"),
    "half a header": (npy(WAVE)[:40], "damaged"),
    "header of noise": (npy(WAVE)[:10] + b"{(['" * 29 + b"\n", "damaged"),
    "samples cut": (npy(WAVE)[: HEADER + 100], "damaged"),
    "enormous shape": (npy(WAVE).replace(b"(400,)", b"(4" + b"0" * 17 + b",)"), "damaged"),
    "zip cut": (npz(v=WAVE)[:300], "damaged"),
    "zip of unknown compression": (zipped("v.npy", npy(WAVE), 97), "damaged"),
    "zip of damaged compression": (zipped("v.npy", npy(WAVE), 8), "damaged"),
    "zip in a zip": (zipped("v.npy", npz(v=WAVE)), "damaged"),
    "zip of text": (zipped("sheet.xml", "<a/>"), "damaged"),
    "objects": (zipped("v.npy", npy(np.array([{}], dtype=object))), "damaged"),
    "separators alone": (b";;;\n,,,\n\t\t\n" * 20, "separators alone"),
    "rows that never come three on end": (
        b"time (s);a (V)\n" + b"1;2\n1;2\nx\n" * 4, "holds 0 row"),
}  # fmt: skip


@pytest.mark.parametrize("what", DAMAGED)
def test_damaged_captures(tmp_path, what):
    content, told = DAMAGED[what]
    (tmp_path / "x").write_bytes(content)
    with pytest.raises(CaptureError, match=told) as caught:
        read_capture(tmp_path / "x", Reading(sample_rate_hz=48e3))
    assert "\n" not in str(caught.value)


def refusal(read, *arguments):
    """What it was refused with; empty if it was read."""
    try:
        read(*arguments)
    except VadistError as error:
        return str(error)
    return ""


def test_a_name_that_no_file_can_have():
    with pytest.raises(CaptureError, match="NUL"):
        read_capture("a\0b")


def test_every_byte_of_a_header_may_be_wrong(tmp_path):
    """One byte changed anywhere in the headers: read, or refused in a line."""
    generator = np.random.default_rng(1)
    for content in (npy(WAVE), npz(sample_rate_hz=48e3, v=WAVE)):
        for _ in range(150):
            held = bytearray(content)
            held[generator.integers(8, 160)] = generator.integers(256)
            (tmp_path / "x").write_bytes(held)
            told = refusal(read_capture, tmp_path / "x", Reading(sample_rate_hz=48e3))
            assert "\n" not in told


def test_long_texts_are_read_in_blocks(tmp_path):
    """Under 130 bytes a row of 18; all lines at once took 280."""
    rows = 200_000
    lines = [f"{k / 1e6:.6f},{np.sin(k / 30):.7f}" for k in range(rows)]
    lines[rows // 2] += "\n\n;,"
    path = tmp_path / "long.csv"
    path.write_text("Time (s),CH1 (V)\n" + "\n".join(lines) + "\n")
    tracemalloc.start()
    capture = read_capture(path)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    print(f"{most / rows:.0f} bytes a row")
    assert most < 130 * rows
    assert capture.volts[:, 0] == pytest.approx(np.sin(np.arange(rows) / 30), abs=6e-8)
    lines[-5] = "0.199995,oops"
    path.write_text("Time (s),CH1 (V)\n" + "\n".join(lines) + "\n")
    with pytest.raises(CaptureError, match=f"line {rows - 1}: 'oops' is not a number"):
        read_capture(path)


@pytest.fixture(scope="module")
def stimulus(tmp_path_factory):
    made = make_stimulus("stepped-sines", peak_v=0.1, seconds=0.02, frequencies_hz=[1e3, 3e3])
    return write_stimulus(made, tmp_path_factory.mktemp("s") / "s.wav", 1.0)


WRONG_VALUES = (None, True, "1", [], {}, [1.0], -1, float("nan"), float("inf"), 10**400, 1e300)
FIELDS = (
    "frames", "sample_rate_hz", "full_scale_v", "peak_v", "kind", "passages", "passages/kind",
    "passages/start_s", "passages/duration_s", "passages/frequency_hz", "passages/level_v",
)  # fmt: skip


@pytest.mark.parametrize("field", FIELDS)
def test_sidecars_of_wrong_types_are_refused(stimulus, field):
    """Every field that is read, with every wrong kind of value, and left out."""
    wav, sidecar = stimulus
    good = sidecar.read_text()
    try:
        for wrong in (*WRONG_VALUES, "left out"):
            told = json.loads(good)
            holder, key = told, field
            if "/" in field:
                holder, key = told["passages"][3], field.partition("/")[2]
            holder[key] = wrong
            if wrong == "left out":
                del holder[key]
            sidecar.write_text(json.dumps(told))
            with pytest.raises(CaptureError, match=r"s\.json: is damaged \(") as caught:
                read_stimulus(wav)
            assert "\n" not in str(caught.value)
            assert len(str(caught.value)) < 300
        for text in (good[:-9], "[" * 100_000, good.replace('"start_s"', '"start"')):
            sidecar.write_text(text)
            with pytest.raises(CaptureError, match="is damaged"):
                read_stimulus(wav)
    finally:
        sidecar.write_text(good)
    assert read_stimulus(wav).passages[3].frequency_hz == 1e3


ODD = (
    float("inf"), float("nan"), -1, 10**400, True, [], [1], {}, {"a": []}, "", "x", "inf", "nan",
    "1e999", "a=1,b=", "=", "%", "nan%",
)  # fmt: skip


@pytest.mark.parametrize("key", [*READING, *SETTINGS, *FREEDOM])
def test_odd_options_of_a_suite(key):
    """Read, or refused by name."""
    read = reading_from if key in READING else settings_from
    for odd in ODD:
        told = refusal(read, {key: odd})
        assert not told or key.partition("_")[0] in told or "tolerance" in told
        assert "\n" not in told


@pytest.mark.parametrize("key", ["oversample", "harmonics"])
def test_counts_are_whole_and_bounded(key):
    for odd in (float("inf"), float("nan"), 2.5, 0, 10**6, "8x", [8]):
        with pytest.raises(UsageError, match=rf"{key} must be a whole number within 1\.\."):
            settings_from({key: odd})


@pytest.mark.parametrize(("text", "told"), [
    ("x = " + "[" * 50_000, "nested too deeply"),
    ('name = 3\n[[capture]]\nfile = "a"', "name must be text"),
    ('[[capture]]\nfile = "a\\u0000b"', "file must be text without NUL"),
    ('[[capture]]\nfile = "a"\ndesign = "d\\u0000"', "design must be text without NUL"),
    ('[[capture]]\nfile = "a"\ninput = 3\ndesign = "soft_clipper"', "input must be text"),
    ('capture = 3', "has no .*capture"),
    ('capture = [3]', "must be a table"),
    ('design = "soft_clipper"\nreading = 3\n[[capture]]\nfile = "a"', "reading must be a table"),
    ('design = "soft_clipper"\n[settings]\noversample = inf\n[[capture]]\nfile = "a"',
     "oversample must be a whole number"),
    ('design = "soft_clipper"\n[limits]\nesr = nan\n[[capture]]\nfile = "a"', "limit esr"),
    ('design = "soft_clipper"\n[[capture]]\nfile = "a.csv"\n[[capture]]\nfile = "sub/a.wav"',
     "2 captures are called 'a'; give each a name"),
])  # fmt: skip
def test_faulty_suites(tmp_path, capsys, text, told):
    path = tmp_path / "s.toml"
    path.write_text(text + "\n")
    with pytest.raises(UsageError, match=told):
        read_suite(path)
    assert main(["check", str(path), "--junit", str(tmp_path / "x.xml")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_limits_nested_too_deeply(tmp_path, capsys):
    (tmp_path / "l.toml").write_text("x = " + "[" * 50_000)
    arguments = ["check", "a.csv", "--design", "soft_clipper", "--limits", str(tmp_path / "l.toml")]
    assert main(arguments) == 2
    assert "nested too deeply" in capsys.readouterr().err
