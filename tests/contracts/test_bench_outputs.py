"""What ``check`` and ``fit`` may write over, and what an earlier run's files may still say.

Authority: the contract of the command line. Nothing that is read is replaced, nothing else unasked;
a run that comes to no verdict leaves no older verdict behind.
"""

import os
from xml.etree import ElementTree

import numpy as np
import pytest

from vadist.captures import plots, suite
from vadist.cli import COMMANDS, build_parser, main
from vadist.designs.files import apply_settings, load_design, preset_path
from vadist.designs.models import model_value
from vadist.designs.values import model_keys
from vadist.errors import DesignError
from vadist.fitting.values import free_values
from vadist.rendering.arrays import render
from vadist.stages.stage import DiodePair

RATE = 96_000
PRESET = "treble_boost"
OLD = '<testsuites tests="1" failures="0" errors="0"/>\n'


@pytest.fixture(scope="module")
def recording():
    """Text of a right capture, input and output."""
    drive = 0.05 * np.sin(2 * np.pi * 1000.0 * np.arange(1200) / RATE)
    output = render(load_design(PRESET), drive, RATE).volts[:, 0]
    rows = zip(np.arange(1200) / RATE, drive, output, strict=True)
    lines = [",".join(f"{v:.9g}" for v in row) for row in rows]
    return "Time (s),input (V),output (V)\n" + "\n".join(lines) + "\n"


@pytest.fixture
def bench(tmp_path, recording, monkeypatch):
    """A folder to work in: a capture, its design, a suite, and a suite that is no suite."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.csv").write_text(recording)
    (tmp_path / "d.toml").write_text(preset_path(PRESET).read_text(encoding="utf-8"))
    (tmp_path / "limits.toml").write_text('esr = "-40dB"\n')
    (tmp_path / "suite.toml").write_text(
        'design = "d.toml"\n[[capture]]\nfile = "a.csv"\nname = "\\u001b[2Jred"\n'
    )
    (tmp_path / "faulty.toml").write_text('design = "d.toml"\n[[capture]]\nfile = "a.csv"\nx = 1\n')
    return tmp_path


CHECK = ["check", "a.csv", "--design", "d.toml", "--limits", "limits.toml"]
FIT = ["fit", "a.csv", "--design", "d.toml", "--free", "boost.emitter_resistor"]


@pytest.mark.parametrize("target", ["a.csv", "d.toml", "limits.toml", "link.csv"])
@pytest.mark.parametrize("option", ["--json", "--junit"])
def test_inputs_of_a_check_are_never_replaced(bench, capsys, option, target):
    os.link(bench / "a.csv", bench / "link.csv")
    held = (bench / target).read_bytes()
    for extra in ([], ["--overwrite"]):
        assert main([*CHECK, option, target, *extra]) == 2
        assert f"{option} {target}: is read by this run" in capsys.readouterr().err
    assert (bench / target).read_bytes() == held


@pytest.mark.parametrize(("suite_file", "target"), [
    ("suite.toml", "a.csv"), ("suite.toml", "d.toml"), ("suite.toml", "suite.toml"),
    ("faulty.toml", "a.csv"),
])  # fmt: skip
def test_inputs_of_a_suite_are_never_replaced(bench, capsys, suite_file, target):
    held = (bench / target).read_bytes()
    assert main(["check", suite_file, "--junit", target, "--overwrite"]) == 2
    assert "is read by this run" in capsys.readouterr().err
    assert (bench / target).read_bytes() == held


@pytest.mark.parametrize(("option", "target"), [
    ("--json", "a.csv"), ("--json", "d.toml"), ("--out", "d.toml"),
])  # fmt: skip
def test_inputs_of_a_fit_are_never_replaced(bench, capsys, option, target):
    held = (bench / target).read_bytes()
    assert main([*FIT, option, target, "--overwrite"]) == 2
    assert "is read by this run" in capsys.readouterr().err
    assert (bench / target).read_bytes() == held


@pytest.mark.parametrize("arguments", [
    [*CHECK, "--json", "old.xml"], [*CHECK, "--junit", "old.xml"], [*FIT, "--json", "old.xml"],
    ["check", "suite.toml", "--junit", "old.xml"],
])  # fmt: skip
def test_other_files_are_replaced_when_asked_alone(bench, capsys, arguments):
    (bench / "old.xml").write_text(OLD)
    assert main(arguments) == 2
    told = capsys.readouterr().err
    assert "old.xml: exists; give another name or --overwrite" in told
    assert told.count("\n") == 1
    assert (bench / "old.xml").read_text() == OLD
    assert main([*arguments, "--overwrite"]) in (0, 1)
    assert (bench / "old.xml").read_text() != OLD


def test_one_file_cannot_hold_two_results(bench, capsys):
    assert main([*CHECK, "--json", "x", "--junit", "./x"]) == 2
    assert "is what --json writes" in capsys.readouterr().err
    assert not (bench / "x").exists()


@pytest.mark.parametrize(("arguments", "told"), [
    (["check", "none.csv", "--design", "d.toml"], "no such file"),
    (["check", "a.csv", "--design", "none.toml"], "none.toml"),
    (["check", "a.csv", "--design", "d.toml", "--limit", "erm=1"], "unknown limit"),
    (["check", "a.csv", "--design", "d.toml", "--threads", "0"], "--threads"),
    (["check", "faulty.toml"], "unknown key"),
    (["check", "none.toml"], "cannot be read"),
])  # fmt: skip
def test_a_run_that_errors_leaves_an_error_in_junit(bench, capsys, arguments, told):
    (bench / "old.xml").write_text(OLD)
    (bench / "old.json").write_text('{"passed": true}')
    results = ["--junit", "old.xml", "--json", "old.json", "--overwrite"]
    assert main([*arguments, *results]) == 2
    assert told in capsys.readouterr().err
    root = ElementTree.parse(bench / "old.xml").getroot()
    assert (root.attrib["tests"], root.attrib["errors"]) == ("1", "1")
    assert told in next(root.iter("error")).attrib["message"]
    assert not (bench / "old.json").exists()


def test_memory_that_runs_out_is_an_error_of_its_case(bench, capsys, monkeypatch):
    def full(*_):
        raise MemoryError

    monkeypatch.setattr(suite, "read_capture", full)
    assert main(["check", "suite.toml", "--junit", "new.xml"]) == 2
    assert "memory is out" in capsys.readouterr().out
    assert ElementTree.parse(bench / "new.xml").getroot().attrib["errors"] == "1"


def test_a_plot_is_whole_or_not_there(bench, capsys, monkeypatch):
    """Neither a half-drawn file nor the loss of the one before; a suite says so before it runs."""
    (bench / "p.png").write_bytes(b"before")
    assert main([*CHECK, "--plot", "p.png"]) == 2
    monkeypatch.setattr(plots, "_figure", lambda report: _Torn())
    assert main([*CHECK, "--plot", "p.png", "--overwrite"]) == 2
    assert "cannot be written (disk full)" in capsys.readouterr().err
    assert (bench / "p.png").read_bytes() == b"before"
    (bench / "all").mkdir()
    (bench / "all" / "001 _[2Jred.png".replace("[", "_")).write_bytes(b"before")
    monkeypatch.setattr(suite, "run_suite", lambda *_: pytest.fail("ran first"))
    assert main(["check", "suite.toml", "--plot", "all"]) == 2
    assert not list(bench.glob("**/.vadist-*"))


class _Torn:
    def savefig(self, path, **_):
        path.write_bytes(b"half")
        raise OSError(28, "disk full")


def test_control_characters_never_reach_the_terminal(bench, recording, capsys):
    """In the name of a case, of a channel and of the file itself."""
    name = "b\x1b[31m.csv"
    (bench / name).write_text(recording.replace("output (V)", "out\x9bput (V)"))
    limit = ["--output-channel", "2", "--input-channel", "1"]
    main(["check", name, "--design", "d.toml", *limit, "--plot", "p\x1b[1m.png"])
    main(["check", "suite.toml"])
    main([*FIT, "--out", "found\x1b[1m.toml"])
    told = capsys.readouterr()
    assert "\\x1b[2Jred" in told.out
    assert "out\\x9bput" in told.out
    lines = (told.out + told.err).split("\n")
    assert [line for line in lines if not line.isprintable()] == []


@pytest.mark.parametrize("command", ["check", "fit", "stimulus"])
def test_cautions_stand_where_the_bench_is(command):
    told = " ".join(build_parser().commands[command].format_help().split())
    assert COMMANDS[command].group == "bench"
    for word in ("ground clip is connected to earth", "iron", "certified adapter", "headphones"):
        assert word in told


def test_what_may_be_free_is_what_may_be_set():
    """Every number inside a part's model, by the same path and with the same words of refusal."""
    design = load_design("soft_clipper")
    paths = [
        f"{place}.{side}{key}"
        for place, sides in (("gain.opamp", ("",)), ("gain.diodes", ("", "forward.", "reverse.")))
        for side in sides
        for key in model_keys(_model(design.value(place)))
    ]
    assert len(paths) > 15
    for path in paths:
        start, _ = model_value(design, path)
        if not start or start == np.inf:
            continue
        (free,) = free_values(design, [path])
        assert free.start == start
        by_hand = apply_settings(design, [f"{path}={start * 1.1!r}"])
        assert free.put(design, start * 1.1) == by_hand
    for wrong in ("gain.diodes.saturation_curent", "gain.diodes.sideways.saturation_current"):
        told = []
        for ask, text in ((free_values, wrong), (apply_settings, f"{wrong}=1")):
            with pytest.raises(DesignError, match="unknown value") as caught:
                ask(design, [text])
            told.append(str(caught.value))
        assert told[0] in told[1]


def _model(held):
    return held.forward.model if isinstance(held, DiodePair) else held
