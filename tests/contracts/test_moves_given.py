"""What a person may say of knobs that are turned, and what is said of what they may not.

Authority: docs/rendering.md. One clear line, exit 2, nothing written; a sidecar is enough to make
the take again.
"""

import csv
import json
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pytest
from render_runs import names, run, sidecar, take

from vadist.cli import main
from vadist.designs.contacts import parse_bypass
from vadist.designs.design import Control, Design
from vadist.designs.files import load_design, parse_design
from vadist.designs.move_files import read_moves
from vadist.designs.moves import Move, parse_move, parse_switch
from vadist.errors import DesignError, UsageError, VadistError
from vadist.rendering.arrays import render
from vadist.stages.stage import Pot, Stage, part, pot

__all__ = ["take"]  # a fixture

DRIVE = Move("drive", ((0.0, 0.2), (2.0, 0.9)))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("drive", "a move must be like drive=0.2@0s,0.9@2s (got 'drive')"),
        ("drive=0.2", "move of drive: a point must be like 0.2@1.5s (got '0.2')"),
        ("drive=0.2@0s,", "move of drive: a point must be like 0.2@1.5s (got '')"),
        ("drive=1.2@0s", "move of drive: position must be within 0..1 (got 1.2)"),
        ("drive=nan@0s", "move of drive: position must be a number"),
        ("drive=0.2@-1s", "move of drive: time must be within 0..86400 s (got -1 s)"),
        ("drive=0.2@soon", "move of drive: time must be a time"),
        ("drive=0.2@2s,0.9@2s", "move of drive: times must rise (got 2 s, then 2 s)"),
    ],
)
def test_a_move_that_cannot_be_read(text, said) -> None:
    with pytest.raises(UsageError) as caught:
        parse_move(text)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("bypass", "a switch must be like bypass@1.5s (got 'bypass')"),
        ("bypass@", "move of bypass: time must be a time"),
        ("mute@1s", "switch mute: bypass alone changes over"),
        ("bypass@2s,1s", "move of bypass: times must rise (got 2 s, then 1 s)"),
    ],
)
def test_a_switch_that_cannot_be_read(text, said) -> None:
    with pytest.raises(UsageError) as caught:
        parse_switch(text)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("none", "bypass must be true or buffered (got 'none')"),
        ("true,after=gain", "bypass: true takes pull_down=... besides (got 'after=gain')"),
        ("buffered,pull_down=1M", "bypass: buffered takes after=... besides"),
        ("true,pull_down=1uF", "bypass: pull_down must be a resistance"),
        ("true,pull_down=0", "bypass: pull_down must be within 1 ohm..1 Gohm (got 0)"),
    ],
)
def test_a_bypass_that_cannot_be_read(text, said) -> None:
    with pytest.raises(UsageError) as caught:
        parse_bypass(text)
    assert said in str(caught.value)


def test_a_bypass_is_written_as_it_is_read() -> None:
    for text in ("true", "buffered", "buffered,after=gain", "true,pull_down=1000000.0"):
        assert parse_bypass(text).text == text
    assert parse_bypass("true, pull_down=1M").text == "true,pull_down=1000000.0"
    assert parse_switch("bypass@1s, 2s").text == "bypass=in@0s,out@1s,in@2s"
    assert parse_switch("bypass@0s,2s").text == "bypass=out@0s,in@2s"


def test_a_move_is_written_as_it_is_read() -> None:
    assert parse_move("drive=20%@0s, 0.9@2000ms") == DRIVE
    assert parse_move(DRIVE.text) == DRIVE
    odd = Move("tone", ((1 / 3, 0.1), (12345.6789, 2 / 7)))
    assert parse_move(odd.text) == odd


def test_files_of_moves(tmp_path) -> None:
    table, toml = tmp_path / "moves.csv", tmp_path / "moves.toml"
    rows = [["control", "seconds", "position"], ["drive", "0", "0.2"], [], ["drive", "2s", "90%"]]
    with table.open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    toml.write_text('[moves]\ndrive = ["0.2@0s", "90%@2s"]\n')
    assert read_moves(table) == read_moves(toml) == [DRIVE]


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("a.csv", "knob,seconds,position\n", "line 1: must be control,seconds,position"),
        ("a.csv", "control,seconds,position\ndrive,0\n", "line 2: must have 3 values (got 2)"),
        ("a.csv", "control,seconds,position\ndrive,x,1\n", "line 2: move of drive: time must"),
        ("a.csv", "control,seconds,position\n", "holds no moves"),
        ("a.toml", "moves = 3", "must hold one table, [moves]"),
        ("a.toml", "[moves", "is not TOML"),
        ("a.toml", "[moves]\ndrive = 0.5", 'must be a list like ["0.2@0s", "0.9@2s"] (got 0.5)'),
        ("a.txt", "", "moves are read from .csv or .toml"),
        ("a.csv", "\0\xff", "line 1: must be"),
    ],
)
def test_a_file_of_moves_that_cannot_be_read(tmp_path, name, text, said) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(VadistError) as caught:
        read_moves(path)
    assert str(caught.value).startswith(str(path))
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--move", "drvie=0@0s,1@1s"], "move of drvie: soft clipper has no such control; did you"),
        (["--move", "drive=0@0s", "--move", "drive=1@0s"], "move of drive: is given twice"),
        (["--move", "drive=0@0s,1@1s", "--set", "drive=0.5"], "drive is set and moved"),
        (["--move", "drive=0@0s,1@1s", "--group", "tone=1,drive=1"], "drive is set and moved"),
        (["--moves", "nowhere.csv"], "nowhere.csv: cannot be read"),
        (["--move", "drive=off@0s"], "move of drive: position must be a number (got 'off')"),
        (["--move", "bypass=up@0s"], "move of bypass: position must be in or out (got up)"),
        (["--move", "blend.returns_to=bias@0s,ground@0.1s"], "it is no switch of a wiring list"),
        (["--move", "drive=0@0s,up@1s"], "a knob's positions are numbers, a switch's are names"),
        (
            ["--switch", "bypass@0.1s", "--bypass", "buffered,after=gian"],
            "there is no stage 'gian'",
        ),
    ],
)
def test_commands_refuse_in_a_line(take, tmp_path, capsys, options, said) -> None:
    before = names(tmp_path)
    run(take, "--design", "soft_clipper", "--out", tmp_path / "out.wav", *options, expect=2)
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert names(tmp_path) == before


def test_a_sidecar_makes_the_take_again(take, tmp_path) -> None:
    """Its design, and the moves in its settings as they stand there, make the same bytes."""
    output, again = tmp_path / "out.wav", tmp_path / "again.wav"
    moves = ["level=0.2@0s,0.9@0.3s"]
    run(take, "--design", "treble_boost", "--out", output, "--move", moves[0])
    told = sidecar(output)
    assert told["settings"]["moves"] == moves
    words = [word for move in told["settings"]["moves"] for word in ("--move", move)]
    run(take, "--design", f"{output}.json", "--out", again, *words)
    assert again.read_bytes() == output.read_bytes()
    run(take, "--design", "treble_boost", "--out", output, "--move", moves[0], "--skip-existing")
    assert json.loads((tmp_path / "out.wav.json").read_text()) == told


def test_a_bypass_stands_in_the_sidecar(take, tmp_path) -> None:
    output, again = tmp_path / "out.wav", tmp_path / "again.wav"
    words = ["--switch", "bypass@0.1s,0.3s", "--bypass", "true,pull_down=1M", "--oversample", "4"]
    run(take, "--design", "treble_boost", "--out", output, *words)
    told = sidecar(output)
    assert told["settings"]["moves"] == ["bypass=in@0s,out@0.1s,in@0.3s"]
    assert set(told["stages"]) > {"bypass"}
    words = ["--move", told["settings"]["moves"][0], "--bypass", told["settings"]["bypass"]]
    run(take, "--design", f"{output}.json", "--out", again, *words, "--oversample", "4")
    assert again.read_bytes() == output.read_bytes()


def test_a_design_that_is_never_switched_is_wired_as_it_was(take, tmp_path) -> None:
    """A bypass that stays ``in`` adds no contact; one that stays ``out`` is the take."""
    import soundfile

    plain, stays, out = (tmp_path / name for name in ("plain.wav", "in.wav", "out.wav"))
    run(take, "--design", "treble_boost", "--out", plain)
    run(take, "--design", "treble_boost", "--out", stays, "--move", "bypass=in@0s,in@1s")
    words = ["--move", "bypass=out@0s", "--bits", "float"]
    run(take, "--design", "treble_boost", "--out", out, *words)
    assert stays.read_bytes()[-1000:] == plain.read_bytes()[-1000:]
    dry, heard = soundfile.read(take)[0], soundfile.read(out)[0]
    assert np.sum((heard - dry) ** 2) < 1e-4 * np.sum(dry**2)  # but for what the filters take


def test_names_of_outputs_hold_the_moves(take, tmp_path) -> None:
    out = tmp_path / "folder"
    run(take, "--design", "treble_boost", "--out", out, "--move", "level=0.2@0s,0.9@0.3s")
    assert "take-treble_boost--level=0.2_0s_0.9_0.3s.wav" in names(out)


def test_an_audition_turns_the_knobs_of_all_tracks(take, tmp_path) -> None:
    """The reference track is the render with the move, scaled."""
    import soundfile

    out = tmp_path / "audition"
    words = ["audition", str(take), "--design", "treble_boost", "--out", str(out), "--no-plots"]
    words += ["--try", "volume.level_pot=47k", "--move", "level=0.2@0s,0.9@0.3s", "--no-page"]
    assert main(words) == 0
    reference = next(p for p in sorted(out.rglob("*.wav")) if "reference" in p.name)
    heard = soundfile.read(reference)[0]
    dry, rate = soundfile.read(take)
    wanted = render(load_design("treble_boost"), dry, rate, moves=["level=0.2@0s,0.9@0.3s"]).volts[
        :, 0
    ]
    gain = heard @ wanted / (wanted @ wanted)
    assert np.abs(heard - gain * wanted).max() < 1e-4 * np.abs(heard).max()


BIAS_TRIMMER = """
name = "trimmer"
[supply]
bias_upper = "22k"
bias_lower = "47k"
bias_capacitor = "47u"
[[stage]]
name = "gain"
type = "wired"
[stage.parts]
into = "capacitor 100n: source to in"
tie = "resistor 470k: in to bias"
trim = "rheostat 100k: bias to ground"
follow = "opamp TL072: plus to in, minus to output, output to output"
[controls.trim]
moves = ["gain.trim"]
"""


def test_a_pot_between_a_rail_that_moves_and_ground_is_refused() -> None:
    with pytest.raises(DesignError) as caught:
        render(parse_design(BIAS_TRIMMER), np.zeros(480), 48_000, moves=["trim=0.5@0s,1@5ms"])
    assert "gain.trim lies between the bias rail, which moves," in str(caught.value)


@dataclass(frozen=True, kw_only=True)
class Squared(Stage):
    """A stage that makes more of its pot than two resistors."""

    kind: ClassVar[str] = "squared"
    capacitor: float = part("F", "coupling")
    pot: Pot = pot("to ground")

    def wire(self, network, source, output):
        network.capacitor("capacitor", source, output, self.capacitor)
        network.resistor("pot", output, "ground", 1e3 + self.pot.resistance * self.pot.wiper**2)


def test_a_pot_of_which_a_stage_makes_more_is_refused() -> None:
    stage = Squared(capacitor=1e-7, pot=Pot(1e5, 0.5))
    design = Design("odd", {"odd": stage}, controls={"knob": Control(("odd.pot",))})
    with pytest.raises(DesignError, match=r"^odd\.pot cannot be turned during a take: "):
        render(design, np.zeros(480), 48_000, moves=["knob=0.5@0s,1@5ms"])
