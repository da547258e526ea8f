"""Contract of blocks, of files of blocks, of bypassed stages and of stages in Python.

Authority: the design file as a person would write it out in full.
"""

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from vadist.analysis.chain_response import node_responses, solve_design
from vadist.audition.candidates import make_candidates
from vadist.cli import main
from vadist.designs.files import design_text, load_design, parse_design, write_design
from vadist.errors import DesignError, UsageError
from vadist.stages import STAGES, CouplingHighPass
from vadist.stages.loading import load_stages

BLOCK = """[block.halver]
job = "halves the signal"
[block.halver.parts]
upper = "resistor 10k: source to output; the upper one"
lower = "resistor 10k: output to ground"
"""
STAGE = '[[stage]]\nname = "{}"\ntype = "halver"\n{}\n'
TWICE = 'name = "mine"\n' + BLOCK + STAGE.format("one", "") + STAGE.format("two", 'lower = "4k7"')


def test_a_block_is_used_twice_with_values_of_its_own() -> None:
    design = parse_design(TWICE)
    ohms = {r.part: r.value for r in design.network().resistors if r.part != "load.resistance"}
    assert ohms == {"one.upper": 1e4, "one.lower": 1e4, "two.upper": 1e4, "two.lower": 4.7e3}
    assert "two  (halver)" in design.describe()
    assert "the upper one" in design.describe()


def test_a_block_survives_writing() -> None:
    design = parse_design(TWICE)
    assert write_design(design, TWICE) == TWICE
    assert parse_design(write_design(design)) == design
    changed = design.with_value("two.lower", "3k3").with_value("one.upper", "22k")
    text = write_design(changed, TWICE)
    assert parse_design(text) == changed
    assert parse_design(write_design(changed)) == changed
    assert set(text.splitlines()) - set(TWICE.splitlines()) == {'lower = "3k3"', 'upper = "22k"'}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (TWICE.replace('lower = "4', 'lowr = "4'), "'two': unknown part of a halver 'lowr'"),
        (TWICE.replace('"4k7"', '"4n7"'), "stage 2 'two': lower must be a resistance in ohms"),
        (TWICE.replace("[block.halver]", "[block.halver]\nx = 1"),
         "block 'halver': unknown key of a block 'x'"),
        (TWICE.replace("halves the signal", "").replace('job = ""', "job = 3"),
         "block 'halver': job must be a text (got 3)"),
        (TWICE.replace("halver", "wired"), "block 'wired': name is that of a type"),
        (TWICE.replace('type = "halver"', 'type = "halvr"'),
         "unknown type 'halvr'; did you mean 'halver'?"),
        ("block = 3\n" + TWICE.replace(BLOCK, ""), "block must be written as [block.NAME]"),
        (TWICE.replace("source to output", "source to outptu"),
         "block 'halver': node 'outptu' leads nowhere"),
    ],
)  # fmt: skip
def test_a_block_at_fault(text: str, told: str) -> None:
    with pytest.raises(DesignError) as caught:
        parse_design(text, "f.toml")
    assert any(told in line for line in str(caught.value).split("\n")), caught.value


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "blocks.toml").write_text(f"# halvers\n{BLOCK}")
    text = TWICE.replace(BLOCK, 'blocks_from = ["blocks.toml"]\n')
    (tmp_path / "mine.toml").write_text(text)
    return tmp_path


def test_a_file_of_blocks_is_as_if_written_out(folder: Path) -> None:
    design = load_design(folder / "mine.toml")
    assert design == parse_design(TWICE)
    text = design_text(folder / "mine.toml")  # whole by itself, wherever it goes
    assert parse_design(text) == design
    assert parse_design(write_design(design.with_value("two.lower", "1k"), text)) != design


@pytest.mark.parametrize(
    ("named", "told"),
    [
        ('["no.toml"]', "blocks_from: no.toml: no such file beside the design"),
        ("3", "blocks_from must name files"),
        ('"."', "blocks_from: .: no such file beside the design"),
        ('["blocks.toml", "blocks.toml"]', "block 'halver' is there already; rename one"),
        ('"mine.toml"', "unknown key; a file of blocks holds [block.NAME] alone: 'name'"),
        ('"bad.toml"', "bad.toml: block 'b': node 'outptu' leads nowhere"),
        ('"broken.toml"', "broken.toml: not TOML"),
        ('"raedy"', "blocks_from: raedy: no such file beside the design; did you mean 'ready'?"),
        ('["ready", "ready"]', "block 'rc_low_pass' is there already; rename one"),
    ],
)
def test_a_file_of_blocks_at_fault(folder: Path, named: str, told: str) -> None:
    (folder / "bad.toml").write_text(
        '[block.b.parts]\nr = "resistor 1k: source to outptu"\ns = "resistor 1k: source to output"'
    )
    (folder / "broken.toml").write_text("[block")
    path = folder / "mine.toml"
    path.write_text(path.read_text().replace('["blocks.toml"]', named))
    with pytest.raises(DesignError) as caught:
        load_design(path)
    first = str(caught.value).split("\n")[0]
    assert first.startswith(str(path))
    assert told in first


def test_ready_blocks_beside_a_file_of_ones_own(folder: Path) -> None:
    path = folder / "mine.toml"
    text = path.read_text().replace('["blocks.toml"]', '["blocks.toml", "ready"]')
    path.write_text(text + '[[stage]]\nname = "three"\ntype = "attenuator"\nupper = "20k"\n')
    said = load_design(path).describe()
    assert "one  (halver)" in said
    assert "three  (attenuator)" in said
    path.write_text(path.read_text().replace('"attenuator"', '"atenuator"'))
    with pytest.raises(DesignError, match="unknown type 'atenuator'; did you mean 'attenuator'"):
        load_design(path)
    (folder / "ready").write_text(BLOCK)
    with pytest.raises(DesignError, match="ready: is a file beside the design and a name"):
        load_design(path)


def test_a_text_alone_has_no_files(folder: Path) -> None:
    with pytest.raises(DesignError, match="blocks_from needs a design that is read from a file"):
        parse_design((folder / "mine.toml").read_text())


DESIGN = load_design("soft_clipper")


def test_a_bypassed_stage_is_a_wire() -> None:
    without = DESIGN.with_value("blend", "none")
    kept = {name: stage for name, stage in DESIGN.stages.items() if name != "blend"}
    network = without.network()
    assert not [r for r in network.resistors if r.part.startswith("blend.")]
    assert network.held("blend.output") == network.held("gain.output")
    assert list(network.outputs) == list(DESIGN.stages)
    assert len(network.devices) == 3
    knobs = {name: knob for name, knob in DESIGN.controls.items() if name != "tone"}
    other = dataclasses.replace(DESIGN, stages=kept, controls=knobs)
    found, wanted = (
        node_responses(solve_design(design), [100.0, 1e3, 1e4])["output.output"]
        for design in (without, other)
    )
    np.testing.assert_allclose(found, wanted, rtol=1e-9)


def test_bypassing_is_written_and_undone() -> None:
    text = design_text("soft_clipper")
    without = DESIGN.with_value("blend", "none")
    written = write_design(without, text)
    assert parse_design(written) == without
    assert set(written.splitlines()) - set(text.splitlines()) == {"bypassed = true"}
    assert parse_design(write_design(without)) == without
    assert "blend  (tone_blend, bypassed)" in without.describe()
    again = without.with_value("blend", "in")
    assert again == DESIGN
    assert write_design(again, written) == text
    with pytest.raises(DesignError, match="blend must be 'in' or 'none' \\(got 'off'\\)"):
        DESIGN.with_value("blend", "off")
    with pytest.raises(DesignError, match="unknown value 'blen'; did you mean 'blend'"):
        DESIGN.with_value("blen", "none")


def test_a_bypass_can_be_tried() -> None:
    found = make_candidates(DESIGN, ["blend=none"])
    assert [c.name for c in found] == ["blend=none"]
    assert found[0].design.bypassed == {"blend"}


def test_every_stage_of_a_preset_may_be_bypassed() -> None:
    for name in DESIGN.stages:
        DESIGN.with_value(name, "none").network()


OWN = '''
from __future__ import annotations
from dataclasses import dataclass
from typing import ClassVar
from vadist.stages import Stage
from vadist.stages.stage import part


@dataclass(frozen=True, kw_only=True)
class Attenuator(Stage):
    """Two resistors."""

    kind: ClassVar[str] = "attenuator"
    job: ClassVar[str] = "takes level away"

    series: float = part("ohm", "from the source")
    shunt: float = part("ohm", "to ground", 1e4)

    def wire(self, network, source, output):
        network.resistor("series", source, output, self.series)
        network.resistor("shunt", output, "ground", self.shunt)
'''


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Path]:
    before = dict(STAGES)
    path = tmp_path / "own.py"
    path.write_text(OWN)
    yield path
    STAGES.clear()
    STAGES.update(before)


def test_a_stage_in_python_is_loaded_by_its_option_alone(own: Path, tmp_path: Path, capsys) -> None:
    design = tmp_path / "d.toml"
    design.write_text('name = "d"\n[[stage]]\nname = "a"\ntype = "attenuator"\nseries = "10k"\n')
    assert main(["inspect", str(design), "--json"]) == 2
    assert "unknown type 'attenuator'" in (said := capsys.readouterr().err)
    assert "needs --stages FILE" in said
    assert main(["stages", "attenuator", "--stages", str(own)]) == 0
    said = capsys.readouterr().out
    assert "takes level away" in said
    assert "resistor: source to output" in said
    loaded = load_design(design)
    assert parse_design(write_design(loaded)) == loaded
    assert load_stages(own) != ()  # once more, changed perhaps: the later one counts


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("", ""), None),
        (("class Attenuator(Stage)", "class Attenuator(Stag)"), "line 10: NameError: name 'Stag'"),
        (('kind: ClassVar[str] = "attenuator"', 'kind: ClassVar[str] = "A"'),
         "Attenuator: kind must be lower case letters"),
        (('"attenuator"', '"tone_blend"'),
         "Attenuator: kind 'tone_blend' is that of a stage which is there already"),
        (("@dataclass(frozen=True, kw_only=True)", ""), "Attenuator must be a dataclass"),
        (("def wire(", "def wir("), "Attenuator must have a method wire"),
        (('part("ohm", "to ground", 1e4)', "1e4"), "Attenuator.shunt must be made by part"),
        ((OWN, "x = 1"), "defines no stage"),
        ((OWN, "x = ("), "line 1: SyntaxError"),
    ],
)  # fmt: skip
def test_stages_in_python_at_fault(own: Path, change: tuple[str, str], told: str | None) -> None:
    own.write_text(OWN.replace(*change))
    if told is None:
        assert [stage.kind for stage in load_stages(own)] == ["attenuator"]
        return
    with pytest.raises(UsageError) as caught:
        load_stages(own)
    assert str(caught.value).startswith(f"{own}: ")
    assert told in str(caught.value)


def test_what_is_no_file_of_stages(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="blocks in TOML are named by the design"):
        load_stages(tmp_path / "blocks.toml")
    with pytest.raises(UsageError, match=r"own\.py: no such file"):
        load_stages(tmp_path / "own.py")
    assert CouplingHighPass.kind in STAGES
