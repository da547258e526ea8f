"""From a take to a folder of candidates at one loudness, as a person at a terminal would.

Authority: ITU-R BS.1770 as pyloudnorm implements it, on the written files; the definition of the
null depth; the documented contents of the folder; one clear line for what cannot be done.
"""

import csv
import io
import json
import math
import re
import shutil
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile

from vadist.audition.candidates import make_candidates
from vadist.audition.files import file_stem
from vadist.audition.page import size
from vadist.audition.run import Probe, audition_design
from vadist.cli import main
from vadist.designs.files import design_text, load_design
from vadist.errors import UsageError
from vadist.flac import flac_bytes
from vadist.quantities import write_quantity

RATE = 48_000
DESIGN = "treble_boost"


def write_take(path: Path, seconds: float, level: float = 0.3) -> Path:
    time = np.arange(round(seconds * RATE)) / RATE
    note = sum(np.sin(2 * np.pi * 196.0 * n * time) / n for n in range(1, 6))
    soundfile.write(path, level * note * np.exp(-2.0 * time), RATE, "PCM_24")
    return path


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    return write_take(tmp_path_factory.mktemp("takes") / "note.wav", 1.2)


@pytest.fixture(scope="module")
def folder(take, tmp_path_factory):
    """One audition for all tests that only look at it."""
    out = tmp_path_factory.mktemp("auditions") / "out"
    options = ["--try", "boost.emitter_resistor", "--e-series", "E12", "--try", "level=0.5,0.9"]
    held = load_design(DESIGN).value("boost.collector_resistor")
    options += ["--try", f"boost.collector_resistor={1.01 * held}", "--with", "soft_clipper"]
    assert (
        main(["audition", str(take), "--design", DESIGN, *options, "--taps", "--out", str(out)])
        == 0
    )
    return out


@pytest.fixture(scope="module")
def record(folder):
    return json.loads((folder / "audition.json").read_text(encoding="utf-8"))


def test_the_folder_holds_what_its_record_says(folder, record):
    names = {path.name for path in folder.iterdir()}
    assert names == {*record["files"], "audition.json"}
    assert {"table.txt", "table.csv", "listen.html", "response.png"} <= names
    assert not list(folder.parent.glob(".out*"))


def test_recorded_designs_keep_what_their_files_say(record):
    """Whole files, comments and order; a candidate's but for the line of its value."""
    by_name = {track["name"]: track for track in record["tracks"]}
    text = design_text(DESIGN)
    designs = [track["design"] for track in record["tracks"] if "design" in track]
    assert designs[0] == text
    assert designs[-1] == design_text("soft_clipper")
    changed = set(by_name["level=0.9"]["design"].splitlines()) ^ set(text.splitlines())
    assert {line.partition("  #")[0].strip() for line in changed} == {
        "position = 0.5",
        "position = 0.9",
    }


def test_every_track_has_one_loudness(folder, record):
    """Within 0.1 LU, measured by another implementation on the written files."""
    meter = pyloudnorm.Meter(RATE)
    levels = []
    for track in record["tracks"]:
        samples, rate = soundfile.read(folder / track["file"])
        assert rate == RATE
        assert soundfile.info(folder / track["file"]).subtype == "PCM_24"
        levels.append(meter.integrated_loudness(samples))
        assert np.abs(samples).max() <= 10 ** (-1 / 20)
    assert max(levels) - min(levels) < 0.1
    assert np.mean(levels) == pytest.approx(record["matching"]["level"], abs=0.1)


def test_the_gains_undo_what_the_level_control_does(record):
    """Two positions of the level control differ in gain alone, by what the pot's taper says."""
    by_name = {track["name"]: track for track in record["tracks"]}
    low, high = by_name["level=0.5"], by_name["level=0.9"]
    assert low["gain_db"] > high["gain_db"] + 6.0
    assert low["level_before"] + low["gain_db"] == pytest.approx(
        high["level_before"] + high["gain_db"], abs=1e-9
    )


def test_a_candidate_like_the_reference_nulls(record):
    same = next(track for track in record["tracks"] if track["name"] == "level=0.5")
    assert load_design(DESIGN).value("level") == 0.5
    assert same["identical"]
    assert same["null_depth_db"] is None or same["null_depth_db"] < -140.0
    assert all(c in (0.0, None) for c in same["third_octave_change_db"])


def test_one_per_cent_in_a_resistor_is_told(record):
    changed = next(t for t in record["tracks"] if "collector_resistor" in t["name"])
    assert -80.0 < changed["null_depth_db"] < -20.0
    assert not changed["identical"]
    assert 0.0 < max(abs(c) for c in changed["third_octave_change_db"] if c is not None) < 1.0
    # The collector's current passes the resistor: 1 % of its drop, less what the feedback from
    # the collector to the base gives back.
    assert -0.045 < changed["rest_shifts_v"]["boost.output"] < -0.005


def test_blocks_follow_the_reference_design(record):
    blocks = [track["name"] for track in record["tracks"] if track["role"] == "block"]
    assert blocks == ["the dry take", *(f"after {s}" for s in load_design(DESIGN).stages)]


def test_the_tables_agree(folder, record):
    with (folder / "table.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["track"] for row in rows] == [track["name"] for track in record["tracks"]]
    for row, track in zip(rows, record["tracks"], strict=True):
        assert float(row["gain_db"]) == pytest.approx(track["gain_db"], rel=1e-5, abs=1e-5)
        if track["role"] == "candidate":
            thd = float(row["thd_percent"])
            assert thd == pytest.approx(100.0 * track["thd"], rel=1e-5)
    text = (folder / "table.txt").read_text(encoding="utf-8")
    names = "".join(line[:26] for line in text.splitlines()).replace(" ", "")
    assert all(track["name"].replace(" ", "") in names for track in record["tracks"])
    assert "a take has no THD of its own" in " ".join(text.split())


def test_what_the_reference_holds_is_told_everywhere(folder, record):
    design = load_design(DESIGN)
    held = {
        "boost.emitter_resistor": write_quantity(design.value("boost.emitter_resistor"), "ohm"),
        "level": "0.5",
        "boost.collector_resistor": write_quantity(design.value("boost.collector_resistor"), "ohm"),
    }
    assert record["reference_values"] == held
    whole = ", ".join(f"{path}={text}" for path, text in held.items())
    with (folder / "table.csv").open(newline="", encoding="utf-8") as file:
        rows = {row["track"]: row["reference_values"] for row in csv.DictReader(file)}
    assert rows["reference: treble boost"] == whole
    assert rows["level=0.9"] == "level=0.5"
    assert rows["soft clipper"] == ""
    text = (folder / "table.txt").read_text(encoding="utf-8")
    first_column = "".join(line[:26] for line in text.splitlines())
    assert f"({whole})".replace(" ", "") in first_column.replace(" ", "")
    page = (folder / "listen.html").read_text(encoding="utf-8").replace("<wbr>", "")
    assert page.count(whole) == 2  # beside the track, and in the table
    assert "level 0.5 to 0.9" in page


def test_the_page_is_one_file_that_asks_for_nothing(folder, record):
    page = (folder / "listen.html").read_text(encoding="utf-8")
    assert len(re.findall(r'<script type="text/plain" id="audio-\d+">', page)) == len(
        record["tracks"]
    )
    assert "default-src 'none'" in page
    assert not re.search(r"""(?:src|href)\s*=|url\(|@import|https?://(?!www\.w3\.org/2000/svg)""",
                         re.sub(r"link\.href", "", page))  # fmt: skip
    assert "NIOSH" in page


def test_an_earlier_audition_is_replaced_only_on_demand(folder, take, tmp_path, capsys):
    out = tmp_path / "out"
    shutil.copytree(folder, out)
    quick = ["audition", str(take), "--design", DESIGN, "--try", "level=0.5", "--length", "0.5s",
             "--no-page", "--no-plots", "--out", str(out)]  # fmt: skip
    assert main(quick) == 2
    assert "not empty; choose another or --overwrite" in capsys.readouterr().err
    assert main([*quick, "--overwrite"]) == 0
    names = {path.name for path in out.iterdir()}
    assert names == {
        "00_reference-treble-boost.wav", "01_level=0.5.wav", "table.txt", "table.csv",
        "audition.json",
    }  # fmt: skip
    (out / "my notes.txt").write_text("mine", encoding="utf-8")
    capsys.readouterr()
    assert main([*quick, "--overwrite"]) == 2
    assert "holds my notes.txt, which no audition wrote" in capsys.readouterr().err
    assert (out / "my notes.txt").read_text(encoding="utf-8") == "mine"


def test_a_folder_of_something_else_is_never_replaced(take, tmp_path, capsys):
    (tmp_path / "song.wav").write_bytes(b"precious")
    assert main(["audition", str(take), "--design", DESIGN, "--try", "level=0.5", "--overwrite",
                 "--out", str(tmp_path)]) == 2  # fmt: skip
    assert "holds song.wav, which no audition wrote" in capsys.readouterr().err
    assert (tmp_path / "song.wav").read_bytes() == b"precious"


def test_a_take_too_short_for_loudness_is_matched_by_rms(tmp_path, capsys):
    short = write_take(tmp_path / "short.wav", 0.2)
    assert main(["audition", str(short), "--design", DESIGN, "--try", "level=0.5", "--no-page",
                 "--no-plots", "--out", str(tmp_path / "out")]) == 0  # fmt: skip
    told = capsys.readouterr().out
    assert "shorter than 400 ms" in told
    assert "matched by rms instead of loudness" in told
    reads = [soundfile.read(path)[0] for path in sorted((tmp_path / "out").glob("*.wav"))]
    first, second = (10 * math.log10(np.mean(np.square(samples))) for samples in reads)
    assert first == pytest.approx(second, abs=0.01)


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (["--try", "boost.colector_resistor=5k6"],
         "unknown value 'boost.colector_resistor'; did you mean 'boost.collector_resistor'?"),
        (["--try", "boost.collector_resistor=5n6"], "collector_resistor must be a resistance"),
        (["--try", "level=-1"], "level: position must be within 0..1 (got -1)"),
        (["--try", "boost.collector_resistor=1e12"], "must be within 0..1e+09 ohm"),
        ([], "nothing to compare"),
        (["--try", "level=" + ",".join(["0.5"] * 200)], "at most 64 (got 200)"),
        (["--try", "level=0"], "level=0: is silent"),
        (["--try", "level=0.5", "--from", "9s"], "holds nothing from 9 s on, it lasts 1.2 s"),
        (["--try", "level=0.5", "--from", "4k7"], "--from must be"),
        (["--try", "level=0.5", "--loudness", "loud"], "--loudness must be within -60..0 LUFS"),
        (["--try", "level=0.5", "--probe-frequency", "15kHz"], "probe frequency must be within"),
        (["--with", "treble_bost"], "did you mean 'treble_boost'?"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_one_line(take, tmp_path, capsys, options, line):
    out = tmp_path / "out"
    code = main(["audition", str(take), "--design", DESIGN, *options, "--no-page", "--no-plots",
                 "--out", str(out)])  # fmt: skip
    told = capsys.readouterr()
    assert code == 2
    assert line in told.err
    assert len(told.err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_silent_take_is_one_line(tmp_path, capsys):
    silent = write_take(tmp_path / "silent.wav", 1.0, level=0.0)
    assert main(["audition", str(silent), "--design", DESIGN, "--try", "level=0.5"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "vadist: the take is silent, so there is nothing to audition; choose another"
    ]


def test_a_page_too_large_is_refused_before_the_work_with_what_would_do():
    """Three minutes of nine tracks fit; of twenty they do not, and what is offered does."""
    minutes = 3 * 60 * RATE
    size.check_page_size(9, minutes, 1, RATE)
    with pytest.raises(UsageError, match=r"^page: 20 tracks of 180 s") as told:
        size.check_page_size(20, minutes, 1, RATE)
    line = str(told.value)
    assert "at most 96 MB are built" in line
    seconds, tracks = map(float, re.search(r"--length ([\d.]+)s, (\d+) tracks", line).groups())
    size.check_page_size(20, round(seconds * RATE), 1, RATE)
    size.check_page_size(int(tracks), minutes, 1, RATE)
    with pytest.raises(UsageError):
        size.check_page_size(int(tracks) + 1, minutes, 1, RATE)
    with pytest.raises(UsageError):
        size.check_page_size(20, round((seconds + 0.2) * RATE), 1, RATE)
    with pytest.raises(UsageError, match=r"at most 8 channels \(got 12\)"):
        size.check_page_size(2, RATE, 12, RATE)


def test_the_size_of_a_page_is_foretold_on_the_careful_side(folder, record):
    samples = sum(soundfile.info(folder / track["file"]).frames for track in record["tracks"])
    audio = re.findall(
        r'<script type="text/plain" id="audio-\d+">(.*?)</script>',
        (folder / "listen.html").read_text(encoding="utf-8"),
    )
    held = sum(map(len, audio))
    expected = size.expected_bytes(samples, 24)
    assert size.page_bits(samples) == 24
    assert held < expected < 3.0 * held  # the note is simpler than music, so it takes less


def test_a_page_that_comes_out_too_large_is_left_out_and_told(take, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(size, "LIMIT_BYTES", 60_000)
    options = ["--try", "level=0.5", "--length", "0.5s", "--no-plots", "--out", str(tmp_path / "a")]
    assert main(["audition", str(take), "--design", DESIGN, *options]) == 1
    told = capsys.readouterr()
    assert "listen.html" not in told.out
    assert told.err.splitlines() == [f"vadist: {size.TOO_LARGE}"]
    names = {path.name for path in (tmp_path / "a").iterdir()}
    assert "table.txt" in names
    assert "listen.html" not in names


@pytest.mark.parametrize("bits", [16, 24])
def test_the_audio_of_a_page_is_exact(bits):
    """Decoded by libsndfile: the samples rounded to whole steps, full scale limited."""
    samples = np.random.default_rng(3).normal(0.0, 0.5, (4_000, 2))
    decoded, rate = soundfile.read(io.BytesIO(flac_bytes(samples, 44_100, bits)), dtype="int32")
    step = 2.0 ** (bits - 1)
    assert rate == 44_100
    assert np.abs(samples).max() > 1.0
    assert np.array_equal(decoded >> (32 - bits), np.clip(np.rint(samples * step), -step, step - 1))


def test_the_table_fits_the_terminal(take, tmp_path, capsys, monkeypatch):
    """COLUMNS is what a pipe has; without it a pipe has 80."""
    options = ["--try", "boost.emitter_resistor=150R,1k", "--no-page", "--no-plots"]
    options += ["--length", "0.5s", "--overwrite", "--out", str(tmp_path / "out")]
    for columns in ("200", None):
        if columns is None:
            monkeypatch.delenv("COLUMNS", raising=False)
        else:
            monkeypatch.setenv("COLUMNS", columns)
        assert main(["audition", str(take), "--design", DESIGN, *options]) == 0
        table = capsys.readouterr().out.partition("written to")[0].splitlines()
        width = int(columns or 80)
        assert max(map(len, table)) <= width
        assert max(map(len, table)) > 0.7 * min(width, 130)  # and uses it
    lines = (tmp_path / "out" / "table.txt").read_text(encoding="utf-8").splitlines()
    assert max(map(len, lines)) <= 80


def test_names_of_files_are_safe():
    assert file_stem("../../etc/passwd") == "etc-passwd"
    assert file_stem("***") == "design"
    assert len(file_stem("x" * 500)) == 60


def test_a_folder_that_cannot_be_written_leaves_nothing(take, tmp_path, capsys):
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    assert main(["audition", str(take), "--design", DESIGN, "--try", "level=0.5", "--no-page",
                 "--length", "0.5s", "--no-plots", "--out", str(blocked / "out")]) == 2  # fmt: skip
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_from_python_without_files(take):
    """The command's twin; stereo keeps its channels, and the probe's level shows in the THD."""
    samples, _ = soundfile.read(take)
    stereo = np.stack([samples, 0.5 * samples], axis=1)[: RATE // 2]
    design = load_design(DESIGN)
    candidates = make_candidates(design, ["boost.transistor=2N5088"])
    soft, hard = (
        audition_design(design, candidates, stereo, RATE, probe=Probe(2000.0, volts), level=-30.0)
        for volts in (0.01, 0.2)
    )
    assert hard.candidates[0].samples.shape == (RATE // 2, 2)
    assert soft.reference.distortion.thd < 0.02 < 0.1 < hard.reference.distortion.thd
    assert soft.match.level == -30.0
    depth = soft.candidates[0].comparison.null_depth_db
    assert -80.0 < depth < -10.0


def test_tracks_are_heard_through_a_response_as_well(take, tmp_path):
    """Each once more behind all others, at the same loudness; those without it stay as they were.

    A unit impulse 30 samples late must leave every sample; the roll-off takes the top away.
    """
    impulse = tmp_path / "late.wav"
    soundfile.write(impulse, np.r_[np.zeros(30), 1.0], 48_000, subtype="FLOAT")
    usual = ["--design", "treble_boost", "--try", "level=0.5", "--no-plots"]
    plain = [take, *usual, "--no-page"]
    for name, more in (("plain", []), ("late", [impulse]), ("off", ["roll-off"])):
        words = [*plain, *(["--through", *more] if more else []), "--out", tmp_path / name]
        assert main(["audition", *map(str, words)]) == 0
    waves = {
        name: [soundfile.read(p)[0] for p in sorted((tmp_path / name).glob("*.wav"))]
        for name in ("plain", "late", "off")
    }
    assert [len(each) for each in waves.values()] == [2, 4, 4]
    for k in range(2):
        np.testing.assert_array_equal(waves["late"][k], waves["plain"][k])
        np.testing.assert_array_equal(waves["late"][k + 2], waves["plain"][k])
        straight, heard = (
            np.abs(np.fft.rfft(x * np.hanning(len(x)))) ** 2
            for x in (waves["off"][k], waves["off"][k + 2])
        )
        top = np.fft.rfftfreq(len(waves["off"][k]), 1 / 48_000) > 10_000
        assert heard[top].sum() < 0.01 * straight[top].sum()
    record = json.loads((tmp_path / "off" / "audition.json").read_text(encoding="utf-8"))
    assert [each["role"] for each in record["tracks"]] == [
        "reference", "candidate", "through", "through",
    ]  # fmt: skip
