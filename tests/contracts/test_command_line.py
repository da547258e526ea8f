"""What every command owes: help by job, one line for a slip, an exit code for each kind of end.

Authority: the contract in ``vadist.cli`` and ``vadist.errors``; exit codes by BSD's sysexits.h, as
Python's ``os`` knows them.
"""

import os
import shlex
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from vadist.cli import BENCH, CAUTION, COMMANDS, GROUPS, SOLDERING, build_parser, main
from vadist.cli import parts as parts_command
from vadist.designs.files import load_design
from vadist.errors import EXIT_BUG, EXIT_OUTPUT, EXIT_SYSTEM, UsageError
from vadist.names import printable
from vadist.rendering.arrays import render


def vadist(*words: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "vadist", *words], capture_output=True, check=False,
        env={**os.environ, **environment},
    )  # fmt: skip


def test_exit_codes_are_those_of_sysexits() -> None:
    assert (EXIT_BUG, EXIT_SYSTEM, EXIT_OUTPUT) == (os.EX_SOFTWARE, os.EX_OSERR, os.EX_IOERR)


@pytest.mark.parametrize(
    ("trouble", "code", "told"),
    [
        (ZeroDivisionError("x"), 70, "vadist: this is a bug in vadist"),
        (MemoryError(), 71, "vadist: out of memory"),
        (OSError(28, "No space left on device", "a\nb.png"), 74, "vadist: a\\nb.png: No space"),
        (UsageError("no\x1b[2J\nso"), 2, "vadist: no\\x1b[2J\nso\n"),
    ],
)
def test_a_crash_is_no_failed_check(monkeypatch, capsys, trouble, code, told) -> None:
    def run(options: object) -> int:
        raise trouble

    monkeypatch.setattr(parts_command, "run", run)
    assert main(["parts"]) == code
    said = capsys.readouterr().err
    assert told in said
    assert ("Traceback" in said) is (code == 70)


def test_standard_output_on_a_full_disk() -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    for words in (["parts"], ["--help"], ["render", "--help"]):
        with Path("/dev/full").open("w") as full:
            done = subprocess.run(
                [sys.executable, "-m", "vadist", *words], stdout=full, stderr=subprocess.PIPE,
                check=False,
            )  # fmt: skip
        assert done.returncode == os.EX_IOERR
        line = b"vadist: standard output cannot be written: No space left on device\n"
        assert done.stderr == line


def test_a_reader_that_leaves() -> None:
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-m", "vadist", "parts"], stdout=write, stderr=subprocess.PIPE,
        check=False,
    )  # fmt: skip
    os.close(write)
    assert (done.returncode, done.stderr) == (141, b"")


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_an_encoding_that_lacks_characters(encoding: str, tmp_path: Path) -> None:
    """What it lacks is written in ASCII."""
    design = tmp_path / "Ω≈.toml"
    design.write_text("", encoding="utf-8")
    done = vadist("inspect", str(design), PYTHONIOENCODING=encoding)
    assert done.returncode == 2
    said = done.stderr.decode(encoding)
    assert said.startswith(f"vadist: {tmp_path}/ohm\\u2248.toml: ")
    assert vadist("new", "--help", PYTHONIOENCODING="ascii").stdout.count(b"350  deg C") == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("render x.wav --desing soft_clipper", "no option --desing; did you mean '--design'?"),
        ("render x.wav --design a --normalize=-1dBFS", "--normalize; did you mean '--normalise'?"),
        ("rendr x.wav", "did you mean 'render'?"),
        ("render x.wav", "the following arguments are required: --design"),
        ("render x.wav --design a --bits 8", "argument --bits: invalid choice"),
    ],
)
def test_a_slip_is_told_in_one_line_with_the_nearest_word(capsys, words: str, told: str) -> None:
    with pytest.raises(SystemExit) as left:
        main(shlex.split(words))
    said = capsys.readouterr()
    assert (left.value.code, said.out, said.err.count("\n")) == (2, "", 1)
    assert told in said.err
    assert said.err.startswith("vadist")


def test_an_option_may_be_cut_short() -> None:
    parser = build_parser().commands["render"]
    parser.check_options(["x.wav", "--desi", "a", "--norm=-1dBFS", "--", "--no-option"])


def test_help_groups_commands_by_job() -> None:
    text = build_parser().format_help()
    assert {c.group for c in COMMANDS.values()} == set(GROUPS)
    for name, command in COMMANDS.items():
        line = f"  {name:<12}{command.summary}"
        assert f"{line}\n" in text.split(f"\n{command.group}: ")[1]
        assert " " in line[2:14]  # a name does not run into what it does
        assert len(line) <= 80


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_help_begins_with_a_worked_line(name: str) -> None:
    parser = build_parser()
    first, _, rest = parser.commands[name].format_help().partition("\n")
    words = shlex.split(first)
    assert words[:2] == ["vadist", name]
    assert parser.parse_args(words[1:]).command == name
    said = " ".join(rest.split())
    for caution in COMMANDS[name].cautions:
        assert caution in said


def test_cautions_stand_where_the_danger_is() -> None:
    for name in ("render", "audition"):
        assert CAUTION in COMMANDS[name].cautions
    for name in ("stimulus", "check", "fit"):
        assert {BENCH, SOLDERING} <= set(COMMANDS[name].cautions)
    assert SOLDERING in COMMANDS["new"].cautions


def test_help_loads_nothing_heavy() -> None:
    """No library outside the standard one; a fresh interpreter, as this one has them all."""
    code = (
        "import sys; from vadist.cli import build_parser; p = build_parser(); p.format_help()\n"
        "[c.format_help() for c in p.commands.values()]\n"
        "print([m for m in ('numpy', 'scipy', 'numba', 'rich', 'soundfile') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    assert done.stdout == b"[]\n"


@pytest.mark.parametrize("oversample", [2.5, float("inf"), float("nan"), True, 0, 257, "8"])
def test_a_factor_that_is_no_whole_number(oversample: object) -> None:
    with pytest.raises(UsageError, match=r"oversample must be .*within 1\.\.256"):
        render(load_design("treble_boost"), np.zeros(10), 48_000, oversample=oversample)  # type: ignore[arg-type]


def test_a_factor_may_be_of_numpy() -> None:
    result = render(load_design("treble_boost"), np.zeros(10), 48_000, oversample=np.int64(2))  # type: ignore[arg-type]
    assert result.diagnostics.method.oversample == 2
    with pytest.raises(UsageError, match="threads must be a whole number at least 1"):
        render(load_design("treble_boost"), np.zeros(10), 48_000, threads=1.5)  # type: ignore[arg-type]


def test_names_are_shown_on_one_line() -> None:
    assert printable("größer.wav") == "größer.wav"
    assert printable("a\nb\x9b\u202e\udcff") == "a\\nb\\x9b\\u202e\\xff"


def test_a_stimulus_has_a_longest_length(tmp_path: Path, capsys) -> None:
    target = tmp_path / "s.wav"
    assert main(["stimulus", "stepped-sines", "--seconds", "5:00", "--out", str(target)]) == 2
    assert "at most 600 s at 48000 Hz (got 7500 s in all)" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    words = ["stimulus", "level-ramp", "--seconds", "0:01", "--out", str(target)]
    assert main(words) == 0
    assert "level-ramp, 1.248 s" in capsys.readouterr().out
