"""What ``vadist spread`` prints, writes and refuses.

Authority: its help, and the rules of every command: one line an error, 80 columns, no file put
over another unasked, the same numbers for the same seed.
"""

import csv
import json

import numpy as np
import pytest

from vadist import load_design
from vadist.cli import main
from vadist.designs.files import parse_design, write_design
from vadist.errors import DesignError
from vadist.parts.records import part_records
from vadist.questions.hearing import unlike_boards, unlikeness
from vadist.questions.tolerances import variations

FEW = ["spread", "treble_boost", "--boards", "32"]
SINE = "demo_audio/single_notes.wav"


def test_the_report_fits_eighty_columns_and_tells_what_was_asked(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    asked = ["--limit", "boost.output rest 4.3V..4.8V", "--supply", "8V..9.6V", "--figure", "noise",
             "--temperature", "0degC..40degC", "--tolerance", "resistors=5%"]  # fmt: skip
    assert main([*FEW, *asked]) == 0
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= 80
    for words in ("treble boost: 32 boards", "95 %", "worst case", "all limits",
                  "boost rest 4.30 V..4.80 V", "buy tighter first", "5% (asked for)",
                  "sheet of the BC547B", "volts 8 V, temperature", "noise"):  # fmt: skip
        assert words in " ".join(told.split())


def test_the_same_seed_gives_the_same_boards_on_any_number_of_threads(capsys, tmp_path):
    def told(*more):
        assert main([*FEW, "--json", *more]) == 0
        return json.loads(capsys.readouterr().out)

    boards = tmp_path / "boards.csv"
    first = told("--threads", "1", "--csv", str(boards))
    assert first == told("--threads", "2")
    assert first != told("--seed", "1")
    rows = list(csv.DictReader(boards.read_text().splitlines()))
    assert len(rows) == first["boards"] == 32
    gains = sorted(float(row["gain at 1kHz (dB)"]) for row in rows)
    told_gain = next(f for f in first["figures"] if f["name"] == "gain at 1kHz")
    assert gains[1] == pytest.approx(told_gain["percentiles"]["5"])
    assert told_gain["worst_case"]["least"] <= gains[0] <= gains[-1]
    assert main([*FEW, "--csv", str(boards)]) == 2
    assert "exists" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--limit", "boost rest"], "needs a range, like 4V..5V"),
        (["--limit", "boost rest 5V..4V"], "from less to more"),
        (["--limit", "bost rest 4V..5V"], "did you mean 'boost'"),
        (["--figure", "nose"], "begins with no figure"),
        (["--figure", "null depth"], "it needs a take"),
        (["--tolerance", "resistor=5%"], "did you mean 'resistors'"),
        (["--tolerance", "resistors=5"], "must be within 0%..90%"),
        (["--tolerance", "resistors"], "must be written PART=5%"),
        (["--supply", "9V"], "must be a range"),
        (["--supply", "9V..8V"], "from less to more"),
        (["--temperature", "0..4furlongs"], "--temperature must be a temperature"),
        (["--boards", "3"], "boards must be at least 32"),
    ],
)
def test_what_cannot_be_is_told_in_one_line(capsys, more, told):
    assert main([*FEW, *more]) == 2
    err = capsys.readouterr().err
    assert told in err
    assert len(err.splitlines()) == 1


def test_boards_are_heard_and_the_most_unlike_are_on_the_page(capsys, tmp_path):
    page = tmp_path / "heard"
    words = ["spread", "treble_boost", SINE, "--length", "300ms", "--boards", "32", "--oversample",
             "2", "--out", str(page)]  # fmt: skip
    assert main(words) == 0
    told = capsys.readouterr().out
    assert "null depth" in told
    assert "most unlike" in told
    assert "NIOSH" in told
    assert (page / "listen.html").is_file()
    assert len(list(page.glob("*.wav"))) == 4
    assert main(words) == 2  # the folder is there


def test_pictures_are_written(tmp_path, capsys):
    assert main([*FEW, "--plots", str(tmp_path), "--format", "svg", "--ladder", "2"]) == 0
    assert {path.name for path in tmp_path.iterdir()} == {"fan.svg", "histograms.svg", "ladder.svg"}


def test_the_most_unlike_boards_and_the_median():
    """Bands of three boards alike and one off; levels do not count."""
    bands = np.array([[0.0, -10.0, -20.0], [-6.0, -16.0, -26.0], [0.0, -9.5, -20.0],
                      [0.0, -4.0, -20.0]])  # fmt: skip
    found = unlikeness(bands)
    assert found[0, 1] == pytest.approx(0.0, abs=1e-9)
    assert np.allclose(found, found.T)
    assert set(unlike_boards(bands)[:2]) in ({0, 3}, {1, 3})
    assert unlike_boards(bands)[2] in (0, 1, 2)


TOLERANCES = '\n[tolerances]\nresistors = "5%"\nboost.input_capacitor = "2.5%"\n'


def test_tolerances_of_a_design_file_are_taken_and_written_again():
    text = write_design(load_design("treble_boost")) + TOLERANCES
    design = parse_design(text)
    shown = {v.part: (v.shown, v.source) for v in variations(design) if v.tolerance}
    assert shown["boost.input_capacitor"] == ("2.5%", "design")
    assert shown["boost.collector_resistor"] == ("5%", "design")
    assert shown["volume.level_pot"] == ("20%", "common practice")
    assert parse_design(write_design(design)) == design
    assert write_design(design, text) == text
    assert design.with_value("supply.volts", 8.0).tolerances == design.tolerances


def test_faults_of_the_tolerances_are_told_together():
    text = write_design(load_design("treble_boost"))
    text += '\n[tolerances]\nresistor = "5%"\nboost.transistor = "5%"\npots = "five"\n'
    with pytest.raises(DesignError) as caught:
        parse_design(text, "mine.toml")
    lines = str(caught.value).splitlines()
    assert len(lines) == 3
    assert all(line.startswith("mine.toml: tolerances: ") for line in lines)


@pytest.mark.parametrize("name", ["2N3904", "BC547B", "2N5088"])
def test_a_gain_keeps_every_promise_of_its_sheet(name):
    design = load_design("treble_boost").with_value("boost.transistor", name)
    (gain,) = [v for v in variations(design) if v.what == "gain"]
    points = [p for p in part_records()[name].spread if p.quantity == "hfe"]
    assert points
    assert all(p.fitted * gain.least >= 0.999 * (p.least or 0.0) for p in points)
    assert all(p.fitted * gain.most <= 1.001 * (p.most or np.inf) for p in points)
    held = [p.fitted * gain.least / p.least for p in points if p.least]
    assert min(held) == pytest.approx(1.0)  # and no further


def test_bypassed_stages_vary_in_nothing():
    design = load_design("boosted_hard_clipper").with_value("boost", "none")
    assert not [v for v in variations(design) if v.part.startswith("boost.")]
