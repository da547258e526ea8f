"""A designer asks for values and for a substitute, and takes what is offered.

Authority: the documented output, files and exit codes.
"""

import json
import os
import subprocess
import sys

import pytest

from vadist.cli import main
from vadist.designs.files import load_design, preset_path

BOOST = "boost.collector_resistor"


@pytest.fixture
def board(tmp_path):
    text = preset_path("treble_boost").read_text(encoding="utf-8")
    file = tmp_path / "board.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_values_are_chosen_told_and_written_with_the_comments(board, tmp_path, capsys):
    target = tmp_path / "new.toml"
    words = ["choose", str(board), "--want", "boost rest = 4.2V", "--vary", BOOST]
    assert main([*words, "--within", "0.5x..2x", "--write", str(target)]) == 0
    out, err = capsys.readouterr()
    assert "combinations of 1 part were measured" in out
    assert "also: " in out
    assert max(map(len, out.splitlines())) <= 80
    assert "new.toml" in err
    before, after = load_design(board), load_design(target)
    assert after == before.with_value(BOOST, after.value(BOOST))
    assert after.value(BOOST) != before.value(BOOST)
    lines = [text.read_text(encoding="utf-8").splitlines() for text in (board, target)]
    assert sum(a != b for a, b in zip(*lines, strict=True)) == 1
    assert main([*words, "--write", str(target)]) == 2  # never over a file that is there
    assert main([*words, "--write", str(board), "--overwrite"]) == 2  # nor over what is read
    assert load_design(board) == before


def test_what_cannot_be_met_is_told_and_nothing_written(board, tmp_path, capsys):
    target = tmp_path / "new.toml"
    words = ["choose", str(board), "--want", "gain at 1kHz = 60dB", "--vary", BOOST]
    assert main([*words, "--write", str(target)]) == 1
    assert "Out of reach: gain at 1kHz = 60.00 dB. The nearest is" in capsys.readouterr().out
    assert not target.exists()
    assert main([*words, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["met"], told["exhaustive"]) == (0, True)
    assert told["out_of_reach"][0]["wish"] == "gain at 1kHz = 60.00 dB"


def test_a_part_is_replaced_and_written(board, tmp_path, capsys):
    target = tmp_path / "new.toml"
    words = ["substitute", str(board), "boost.transistor", "--retune", BOOST, "--series", "E12"]
    assert main([*words, "--write", str(target)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("boost.transistor of treble boost: BC547B\n")
    assert "Nearest of those still made: BC549B" in out
    assert "read the sheet" in out
    assert max(map(len, out.splitlines())) <= 80
    after = load_design(target)
    assert after.value("boost.transistor").name == "BC549B"


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (["choose", "--want", "boost rest = 4.2V", "--vary", BOOST, "--write", "new.toml"],
         "new.toml"),
        (["substitute", "boost.transistor", "--write", "new.toml"], "new.toml"),
        (["spread", "--boards", "64", "--csv", "boards.csv"], "boards.csv"),
        (["inspect", "--plots", "pictures"], "pictures/impedances.png"),
    ],
    ids=lambda words: words[0] if isinstance(words, list) else "",
)  # fmt: skip
def test_files_are_written_though_nobody_reads_on(board, tmp_path, words, wanted):
    """As behind ``head``: 128 + SIGPIPE, which is 13, and what was asked for is there."""
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "vadist", words[0], str(board), *words[1:]]
    done = subprocess.run(
        command, stdout=writer, stderr=subprocess.PIPE, text=True, cwd=tmp_path, check=False,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    os.close(writer)
    assert (done.returncode, "Traceback" in done.stderr) == (141, False)
    assert (tmp_path / wanted).stat().st_size > 0


def test_bad_questions_are_one_line_and_exit_2(board, capsys):
    for words in (
        ["choose", str(board), "--want", "boost bass cut = 80mV", "--vary", BOOST],
        ["choose", str(board), "--want", "noise low", "--vary", BOOST, "--write", "x.txt"],
        ["choose", str(board), "--want", "noise low", "--vary", BOOST, "--top", "0"],
        ["choose", str(board), "--want", "sounds like it.wav", "--vary", BOOST],
        ["choose", str(board), "--want", "band change low", "--vary", BOOST],
        ["choose", str(board), "--want", "noise low", "--vary", BOOST, "--device", "gpu"],
        ["substitute", str(board), "boost.transistor", "--device", "gpu"],
        ["spread", str(board), "--device", "gpu"],
        ["substitute", str(board), BOOST],
        ["substitute", str(board), "boost.transistor", "nothing.wav"],
        ["substitute", str(board), "boost.transistor", "--with", "{name = 'x'}"],
    ):
        assert main(words) == 2
        out, err = capsys.readouterr()
        assert not out
        assert len(err.splitlines()) == 1
