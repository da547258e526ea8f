"""``vadist stages`` tells what the stage classes hold, and nothing else.

Authority: the stage classes, by their dataclass fields, and the reader of design files.
"""

import dataclasses
import inspect
import json

import pytest

from vadist.cli import main
from vadist.cli.stages import describe, takes
from vadist.designs.block_files import ready_blocks
from vadist.designs.files import parse_design
from vadist.quantities import parse_quantity
from vadist.stages import STAGES
from vadist.stages.stage import FieldInfo


def test_all_in_short(capsys) -> None:
    assert main(["stages"]) == 0
    said = capsys.readouterr().out
    for kind, stage in STAGES.items():
        (line,) = [line for line in said.splitlines() if line.startswith(f"{kind} ")]
        assert stage.job.split(";")[0][:40] in line


@pytest.mark.parametrize("kind", sorted(STAGES))
def test_one_in_full(kind: str, capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    assert main(["stages", kind]) == 0
    said = capsys.readouterr().out.split("\npart ")[0]
    assert said.startswith(f"{kind}: {STAGES[kind].job}\n")
    for name, info in STAGES[kind].fields().items():
        (line,) = [line for line in said.splitlines() if line.startswith(f"{name} ")]
        assert takes(info) in line
        assert info.purpose in line
    # What stands in the class, line by line, without the mark of its markup.
    text = inspect.getdoc(STAGES[kind]) or ""
    drawn = [line for line in text.splitlines() if line and line != "::"]
    lines = [line for line in said.splitlines() if line]
    assert lines[1 : 1 + len(drawn)] == drawn
    assert "::" not in said


@pytest.mark.parametrize("kind", sorted(STAGES))
def test_what_may_be_left_out(kind: str) -> None:
    """Optional keys are those the class has a default for, and the default is told exactly."""
    told = describe(STAGES[kind])["keys"]
    for field in dataclasses.fields(STAGES[kind]):
        given = field.default is not dataclasses.MISSING
        assert told[field.name]["optional"] is given
        written = told[field.name]["default"]
        if not given or field.default is None:
            assert written is None
        elif isinstance(field.default, float):
            assert parse_quantity(written, field.metadata["info"].unit) == field.default
        else:
            assert written == field.default


def test_ready_blocks_are_named_and_printed(capsys) -> None:
    """As their file has them, so that what is printed can be taken into a design."""
    assert main(["stages"]) == 0
    assert ", ".join(ready_blocks()) in " ".join(capsys.readouterr().out.split())
    assert main(["stages", "fet_buffer", "attenuator"]) == 0
    said = capsys.readouterr().out
    for name in ("fet_buffer", "attenuator"):
        assert ready_blocks()[name] in said
    text = f'name = "mine"\n{said}[[stage]]\nname = "pad"\ntype = "attenuator"\n'
    assert list(parse_design(text).stages) == ["pad"]


def test_as_json(capsys) -> None:
    assert main(["stages", "tone_blend", "level_control", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {kind: describe(STAGES[kind]) for kind in ("tone_blend", "level_control")}
    assert main(["stages", "--json"]) == 0
    assert list(json.loads(capsys.readouterr().out)) == list(STAGES)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("diode_clippr", "there is no stage 'diode_clippr'; did you mean 'diode_clipper'?"),
        ("fet_bufer", "there is no stage 'fet_bufer'; did you mean 'fet_buffer'?"),
        ("xyz", f"there is no stage 'xyz'; there are {', '.join(STAGES)}"),
    ],
)
def test_a_name_that_is_none(name: str, told: str, capsys) -> None:
    assert main(["stages", name]) == 2
    assert capsys.readouterr().err == f"vadist: {told}\n"


def test_every_kind_of_field_can_be_told() -> None:
    kinds = {info.kind for stage in STAGES.values() for info in stage.fields().values()}
    for kind in kinds - {"part", "choice"}:
        assert takes(FieldInfo(kind, "", ""))
