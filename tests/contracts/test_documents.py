"""The documents are true: commands run, examples work, nothing is left out.

Authority: the code itself.
"""

import re
import shlex
import tomllib
from pathlib import Path

import pytest

from vadist.cli import COMMANDS, build_parser, join_negative, main
from vadist.designs.design import Source
from vadist.designs.files import parse_design, preset_names
from vadist.parts import TAPERS
from vadist.rendering.arrays import render
from vadist.stages import STAGES

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.DOTALL | re.MULTILINE)


def commands() -> list[list[str]]:
    """Arguments of every vadist call in the README's shell blocks."""
    calls = []
    for block in blocks("sh"):
        for line in block.replace("\\\n", " ").splitlines():
            for part in line.split("&&"):
                words = shlex.split(part, comments=True)
                if words and Path(words[0]).name == "vadist":
                    calls.append(words[1:])
    return calls


def test_the_job_comes_first() -> None:
    title, first = README.split("\n\n")[:2]
    assert title == "# vadist"
    assert "before anything is soldered" in first
    assert len(first) > 300


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_commands_parse(words: list[str]) -> None:
    options = build_parser().parse_args(join_negative(words))
    assert options.command in COMMANDS


@pytest.mark.parametrize(
    "words",
    [w for w in commands() if w[0] == "render" and "demo_audio" in w[1]],
    ids=" ".join,
)
def test_demo_renders_run(words: list[str], tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    placed: list[str] = []
    for word in words:
        found = sorted(ROOT.glob(word)) if word.startswith("demo_audio") else []
        placed += [str(path) for path in found] or [word]
    assert main(placed) == 0
    for line in capsys.readouterr().out.splitlines():
        assert Path(line.split("  ")[0]).exists()


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_is_told(command: str) -> None:
    assert f"vadist {command}" in README


@pytest.mark.parametrize("kind", sorted(STAGES))
def test_every_key_of_every_stage_is_told(kind: str) -> None:
    assert f"**`{kind}`**" in README
    table = README.split(f"**`{kind}`**")[1].split("**`")[0]
    for field, info in STAGES[kind].fields().items():
        assert f"| `{field}`" in table
        assert info.purpose in table


def test_every_other_key_is_told() -> None:
    for key in (*Source.fields(), "volts", "bias", "resistance", "rests_at", "moves", "position"):
        assert f"`{key}`" in README
    for taper in TAPERS:
        assert f"`{taper}`" in README


def test_every_preset_is_told() -> None:
    told = set(re.findall(r"^\| `(\w+)` \| ", README.split("| preset |")[1], re.MULTILINE))
    assert set(preset_names()) <= told


def test_the_design_in_the_readme_renders() -> None:
    (text,) = blocks("toml")
    result = render(parse_design(text), [0.0] * 100 + [0.1] * 100, 48000)
    assert abs(result.volts).max() > 1e-3


@pytest.mark.parametrize("source", blocks("python"))
def test_the_python_in_the_readme_runs(source: str) -> None:
    exec(compile(source, "README.md", "exec"), {})


def test_the_change_log_knows_this_version() -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert f"## {version}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def test_cautions_are_given() -> None:
    for word in ("NIOSH", "fume extraction", "certified adapter", "local codes"):
        assert word in README
    assert "NIOSH" in build_parser().format_help()
