"""`vadist inspect`, `vadist parts` and `vadist new` as a person types them.

Authority: the commands' own help. What the figures should be is tested where they are made; here
it is that every figure is told, as text, as JSON and as pictures, and that a slip is answered by
one clear line.
"""

import json
import subprocess
import sys
import xml.etree.ElementTree as ET

import pytest
from inspected import inspected

from vadist.cli import main
from vadist.designs.files import load_design, preset_names, preset_path
from vadist.parts import DIODES, OPAMPS, TRANSISTORS
from vadist.parts.records import part_records
from vadist.plots import plot_inspection
from vadist.plots.bode import control_figure
from vadist.plots.style import look, save


def test_text_walks_the_path_block_by_block(capsys):
    assert main(["inspect", "treble_boost", "--set", "boost.input_capacitor=22n"]) == 0
    text = capsys.readouterr().out
    place = 0
    for word in (
        "\n1  boost  transistor boost: raises the level", "at rest", "Ic", "headroom", "gain",
        "collector_resistor", "in, out", "bass cut", "level", "limits", "\n2  volume",
        "\nThe whole", "\nHeadroom ladder", "\nDoes it clean up?", "against the controls",
        "bass cut", "1 % from", "\nA low fifth", "neither note", "\nFeedback loops",
        "boost.transistor",
        "\nNoise", "\nSupply current",
    ):  # fmt: skip
        place = text.index(word, place) + len(word)
    assert "input_capacitor 22n (-0." in text
    assert "left out" not in text, "only where it is asked for"
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "\x1b" not in text, "no colours into a pipe"
    assert all(line == line.rstrip() for line in text.splitlines())


def test_json_holds_every_figure(capsys):
    options = ["--json", "--frequency", "110Hz", "--level", "-20dBu"]
    assert main(["inspect", "soft_clipper", *options]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["frequency_hz"] == 110.0
    assert data["level_v"] == pytest.approx(0.1095445)
    assert [b["name"] for b in data["blocks"]] == list(load_design("soft_clipper").stages)
    for block in data["blocks"]:
        assert {"resting", "gain_db", "corners", "roots", "level", "limit"} <= set(block)
        assert {"gain_parts", "input_ohm", "output_ohm", "by_level"} <= set(block)
    assert data["blocks"][0]["limit"]["input_v"] is None, "a passive block never limits"
    clipper = data["blocks"][1]
    assert clipper["input_ohm"] is None, "an op-amp takes no current"
    assert len(clipper["by_level"]) == 3
    assert clipper["gain_parts"][0].keys() == {"part", "value", "sensitivity"}
    assert len(data["controls"]) == 15
    assert {"bass_cut_hz", "treble_cut_hz", "limit_v", "below"} <= data["controls"][0].keys()
    assert {loop["part"] for loop in data["loops"]} >= {"gain.opamp"}
    assert 0.0 < data["low_fifth"]["foreign"] < 1.0
    assert data["without"] == []
    assert data["noise"]["parts"]
    assert data["noise"]["temperature_k"] == 300.0
    assert data["current"]["total_a"] > 0.0


def test_each_block_left_out_is_a_line_of_eighty_columns(capsys):
    assert main(["inspect", "treble_boost", "--without"]) == 0
    told = capsys.readouterr().out.split("\nEach block left out")[1].split("\n\n")[0]
    lines = told.splitlines()[3:]
    assert [line.split()[0] for line in lines] == ["(nothing)", "boost", "volume"]
    assert lines[1].split()[-1] == "none", "nothing is left that limits"
    assert max(map(len, lines)) <= 80


# Wanted 0.2 mA from 9 V: 22k twice; wanted 1 Hz: 1/(2 pi 11k 1 Hz) = 14 uF. A resistor on the rail.
ON_A_DIVIDER = """
name = "on a divider"
[supply]
resistance = "10R"
bias_upper = "22k"
bias_lower = "22k"
bias_capacitor = "15u"
[[stage]]
name = "in"
type = "coupling_high_pass"
capacitor = "100n"
bias_resistor = "100k"
"""


def test_rails_that_move_are_told_and_others_are_not(tmp_path, capsys):
    path = tmp_path / "mine.toml"
    path.write_text(ON_A_DIVIDER)
    assert main(["inspect", str(path), "--set", "supply.ripple=20mV 120Hz"]) == 0
    text = capsys.readouterr().out
    assert "(bias divider not counted)" not in text
    told = text.split("Supply and bias rails\n")[1]
    for words in (
        "rail     at rest   20.0 Hz", "supply    9.00 V", "bias      4.45 V", "dB at 100 Hz",
        "the bias divider draws 207 µA", "noise of the supply's parts at the output",
        "ripple of 20mV 120Hz:", "peak at the output (-",
    ):  # fmt: skip
        assert words in told, told
    assert max(len(line) for line in told.splitlines()) <= 80
    assert main(["inspect", str(path), "--json"]) == 0
    rails = json.loads(capsys.readouterr().out)["rails"]
    assert [rail["name"] for rail in rails["moving"]] == ["supply", "bias"]
    rest_v = 4.5 * 1.1e6 / (1.1e6 + 11e3)  # a load of 1M behind 100k on 11k
    assert rails["moving"][1]["rest_v"] == pytest.approx(rest_v, rel=1e-3)
    assert rails["divider_a"] == pytest.approx((9.0 - rest_v) / 22e3, rel=1e-3)
    assert (rails["ripple_v"], rails["ripple_db"]) == (0.0, -400.0)
    held = ["--set", "supply.bias=0.5", "--set", "supply.resistance=0"]
    assert main(["inspect", str(path), *held]) == 0
    text = capsys.readouterr().out
    assert "Supply and bias rails" not in text
    assert "(bias divider not counted)" in text


def test_pictures_are_written_as_png_and_svg(tmp_path):
    names = {
        "scope", "headroom", "harmonics", "spectrum", "transfer", "bode-stages", "impedances",
        "bode-level",
    }  # fmt: skip
    written = plot_inspection(inspected("treble_boost"), tmp_path / "new", "png")
    assert {path.stem for path in written} == names
    for path in written:
        assert path.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    with look():
        drawn = [
            save(control_figure(load_design("treble_boost"), "level"), tmp_path, name, "svg")
            for name in ("once", "again")
        ]
    assert ET.parse(drawn[0]).getroot().tag.endswith("svg")
    assert drawn[0].read_bytes() == drawn[1].read_bytes(), "the same picture bit for bit"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["inspect", "treble_bost"], "did you mean 'treble_boost'"),
        (["inspect", "treble_boost", "--set", "boost.input_capcitor=1n"], "boost.input_capacitor"),
        (["inspect", "treble_boost", "--frequency", "4n7"], "--frequency must be a frequency"),
        (["inspect", "treble_boost", "--frequency", "5"], "within 20..20000 Hz"),
        (["inspect", "treble_boost", "--level", "0V"], "--level must be a level above 0 V"),
        (["new", "treble_bost"], "did you mean 'treble_boost'"),
        (["new", "treble_boost", "--out", "boost.txt"], "must end in .toml"),
        (["new", "treble_boost", "--out", "README.md/boost.toml"], "its folder cannot be made"),
    ],
)
def test_a_slip_is_answered_by_one_line(capsys, arguments, message):
    assert main(arguments) == 2
    error = capsys.readouterr().err
    assert message in error
    assert len(error.splitlines()) == 1


def test_pictures_need_a_folder_that_can_be_made(capsys, tmp_path):
    taken = tmp_path / "taken"
    taken.write_text("a file")
    assert main(["inspect", "treble_boost", "--plots", str(taken)]) == 2
    assert "cannot be made" in capsys.readouterr().err


def test_new_writes_a_commented_starter_once(capsys, tmp_path):
    target = tmp_path / "my.toml"
    assert main(["new", "soft_clipper", "--out", str(target)]) == 0
    assert target.read_text(encoding="utf-8") == preset_path("soft_clipper").read_text("utf-8")
    assert target.read_text(encoding="utf-8").count("  # ") > 20
    assert load_design(target).stages == load_design("soft_clipper").stages
    target.write_text("mine", encoding="utf-8")
    assert main(["new", "soft_clipper", "--out", str(target)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert target.read_text(encoding="utf-8") == "mine"


def test_new_lists_the_topologies(capsys):
    assert main(["new"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert [line.partition(":")[0] for line in told] == list(preset_names())


def test_parts_tell_their_sources(capsys):
    assert main(["parts", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    models = [model for kind, told in data.items() if kind != "tapers" for model in told]
    assert {m["name"] for m in models} == part_records().keys() >= {*DIODES, *TRANSISTORS, *OPAMPS}
    assert all(m["source"] and m["points"] and m["worst"] for m in models)
    assert main(["parts"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for model in models:
        assert model["name"] in text
        assert " ".join(model["source"].split()) in text


def test_parts_by_a_word_tell_points_limits_and_what_the_fit_leaves(capsys):
    assert main(["parts", "2n3904"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "current gain at IC 10 mA, VCE 1 V: min 100, max 300; taken 173.2 (geometric" in text
    assert "fitted 164.7, -4.9 %; ON Semiconductor 2N3903/D Rev. 8" in text
    assert "2N3906" not in text
    assert main(["parts", "1N4148"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "forward voltage at IF 5 mA: min 620 mV, max 720 mV; taken 670 mV (middle)" in text
    assert "maxima, lowered); fitted 714 mV, -5.8 mV; Siemens BAS 16, 07.94 of the BAS16" in text
    assert main(["parts", "germanium", "diodes", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [m["name"] for m in data["diodes"]] == ["1N34A", "NTE109"]
    assert data["op-amps"] == []
    assert data["diodes"][0]["out_of_production"]
    assert data["diodes"][1]["spread"][0]["most"] == 1.0


def test_a_word_without_parts_is_told_with_the_nearest(capsys):
    assert main(["parts", "1N4184"]) == 2
    told = capsys.readouterr().err
    assert told == "vadist: the library has no part with '1N4184'; did you mean '1N4148'?\n"


def test_help_loads_nothing_heavy():
    """Numbers, tables and pictures are imported when a command runs, not when it is described."""
    script = (
        "import sys; from vadist.cli import build_parser; build_parser(); "
        "print(sorted({'numpy', 'scipy', 'numba', 'rich', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
