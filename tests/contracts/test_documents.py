"""The documents are true: commands run, examples work, nothing is left out, links lead somewhere.

Authority: the code itself.
"""

import importlib.util
import re
import shlex
import tomllib
from pathlib import Path
from types import ModuleType

import matplotlib as mpl
import numpy as np
import pytest
import schemdraw
import soundfile

from vadist import draw_design
from vadist.analysis.chain_response import node_responses, solve_design
from vadist.cli import COMMANDS, build_parser, join_negative, main
from vadist.cli.stages import describe
from vadist.designs.design import Source
from vadist.designs.files import load_design, parse_design, preset_names
from vadist.designs.supply import Supply
from vadist.inspection.figures import Inspection, inspect_design
from vadist.parts import TAPERS
from vadist.plots.signals import scope_figure
from vadist.plots.style import look, save
from vadist.quantities import parse_level
from vadist.rendering.arrays import render
from vadist.stages import STAGES
from vadist.stages.wired import PART_KINDS

DRAWN_BY = "0.23"
"""The schemdraw whose lines the schematic in the README has."""
ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = {path.name: path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md")}
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
PICTURES = ROOT / "docs" / "pictures"


def script(name: str) -> ModuleType:
    """Load a script of the docs folder."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def blocks(language: str, text: str = README) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.DOTALL | re.MULTILINE)


def commands(text: str) -> list[list[str]]:
    """Arguments of every vadist call in a document's shell blocks."""
    calls = []
    for block in blocks("sh", text):
        for line in block.replace("\\\n", " ").splitlines():
            for part in line.split("&&"):
                words = shlex.split(part, comments=True)
                if words and Path(words[0]).name == "vadist":
                    calls.append(words[1:])
    return calls


IN_README = commands(README)
IN_PAGES = [words for text in PAGES.values() for words in commands(text) if words not in IN_README]


def test_the_job_comes_first() -> None:
    title, first = README.split("\n\n")[:2]
    assert title == "# vadist"
    assert "before anything is soldered" in first
    assert len(first) > 300


def test_the_readme_is_short() -> None:
    """Who wants more follows a link."""
    assert len(README.splitlines()) <= 200


@pytest.mark.parametrize("words", IN_README + IN_PAGES, ids=" ".join)
def test_commands_parse(words: list[str]) -> None:
    options = build_parser().parse_args(join_negative(words))
    assert options.command in COMMANDS


@pytest.fixture(scope="module")
def beginnings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where a folder ``demo_audio`` holds the first 0.6 s of the demo takes."""
    place = tmp_path_factory.mktemp("beginnings")
    (place / "demo_audio").mkdir()
    for take in (ROOT / "demo_audio").glob("*.wav"):
        samples, rate = soundfile.read(take, frames=28_800)
        soundfile.write(place / "demo_audio" / take.name, samples, rate)
    return place


@pytest.mark.parametrize(
    "words",
    [w for w in IN_README + IN_PAGES if w[0] == "render" and "demo_audio" in w[1]],
    ids=" ".join,
)
def test_demo_renders_run(
    words: list[str], beginnings: Path, tmp_path: Path, monkeypatch, capsys
) -> None:
    monkeypatch.chdir(tmp_path)
    placed: list[str] = []
    for word in words:
        found = sorted(beginnings.glob(word)) if word.startswith("demo_audio") else []
        placed += [str(path) for path in found] or [word]
    assert main(placed) == 0
    for line in capsys.readouterr().out.splitlines():
        assert Path(line.split("  ")[0]).exists()


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_is_told(command: str) -> None:
    assert f"vadist {command}" in README


def test_the_page_of_commands_is_current() -> None:
    """Every command and every option, as their help has them."""
    assert PAGES["commands.md"] == script("make_commands").page(), "run docs/make_commands.py"


def test_the_page_of_commands_leaves_nothing_out() -> None:
    for name, parser in build_parser().commands.items():
        told = PAGES["commands.md"].split(f"### `vadist {name}`\n")[1].split("\n### ")[0]
        for option in parser._option_string_actions:
            assert option in ("-h", "--help") or re.search(
                rf"^\| `{option}[ `]", told, re.MULTILINE
            )


@pytest.mark.parametrize("kind", sorted(STAGES))
def test_every_key_of_every_stage_is_told(kind: str) -> None:
    page = PAGES["designs.md"]
    assert f"**`{kind}`**: {STAGES[kind].job}\n" in page
    table = page.split(f"**`{kind}`**")[1].split("**`")[0]
    rows = re.findall(r"^\| `(\w+)`(?: \((.*)\))? \| (.*) \| (.*) \|$", table, re.MULTILINE)
    told = describe(STAGES[kind])["keys"]
    expected = [
        (name, (key["default"] or "optional") if key["optional"] else "", key["takes"],
         key["purpose"])
        for name, key in told.items()
    ]  # fmt: skip
    assert rows == expected


def test_every_kind_of_part_is_told() -> None:
    rows = re.findall(r"^\| `(\w+) \S+: (.*)` \| ", PAGES["designs.md"], re.MULTILINE)
    told = {
        word: re.findall(r"(\w+) to ", wires.replace("NODE to NODE", "")) for word, wires in rows
    }
    wanted = {k.word: [t for t in k.terminals if " " not in t] for k in PART_KINDS.values()}
    assert told | {"switch": []} == wanted


def test_every_other_key_is_told() -> None:
    page = PAGES["designs.md"]
    keys = (*Source.fields(), *Supply.fields(), "bypassed", "blocks_from")
    for key in (*keys, "rests_at", "moves", "position"):
        assert f"`{key}`" in page
    for taper in TAPERS:
        assert f"`{taper}`" in page


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_links_lead_somewhere(path: Path) -> None:
    for link in re.findall(r"\]\(([^)]+)\)", path.read_text(encoding="utf-8")):
        place, _, heading = link.partition("#")
        there = path.parent / place
        assert there.exists(), link
        if heading:
            heads = re.findall(r"^#+ (.*)$", there.read_text(encoding="utf-8"), re.MULTILINE)
            assert heading in {re.sub(r"[^\w -]", "", h).lower().replace(" ", "-") for h in heads}


def test_every_page_is_linked_from_the_readme() -> None:
    for name in PAGES:
        assert f"](docs/{name})" in README


def test_scripts_that_are_named_exist() -> None:
    for path in DOCUMENTS:
        for named in re.findall(r"(?:demo_audio|tests|docs)/[\w/]+\.py", path.read_text("utf-8")):
            assert (ROOT / named).exists(), f"{path.name}: {named}"


def test_the_source_distribution_holds_what_the_readme_names() -> None:
    """By the rules of its manifest; setuptools itself takes the package, presets and licence."""
    rules = [line.split() for line in (ROOT / "MANIFEST.in").read_text("utf-8").splitlines()]
    held = {name for rule in rules if rule and rule[0] in ("include", "graft") for name in rule[1:]}
    held |= {"presets", "vadist", "LICENSE", "README.md", "pyproject.toml"}
    named = set(re.findall(r"\]\(([^)#]+)", README))
    named |= set(re.findall(r"(?:demo_audio|tests)/[\w/.]+", README))
    assert {name.split("/")[0] for name in named} <= held


def test_pictures_are_those_of_their_script() -> None:
    maker = script("make_pictures")
    assert {path.name for path in PICTURES.iterdir()} == set(maker.PICTURES)
    shown = re.findall(r"!\[([^]]{30,})\]\(docs/pictures/([\w.-]+)\)", README)
    assert {name for _, name in shown} == set(maker.PICTURES)
    for path in PICTURES.iterdir():
        assert path.stat().st_size < maker.LARGEST


@pytest.fixture(scope="module")
def inspected() -> Inspection:
    """What the README's inspection finds."""
    return inspect_design(load_design("boosted_hard_clipper").with_value("drive", 0.0))


def test_the_ladder_in_the_readme_is_current(inspected: Inspection) -> None:
    rows = re.findall(r"^(\w+) +([\d.]+ m?V) +[-+][\d.]+ +(.*)$", README, re.MULTILINE)
    rungs = inspected.ladder.rungs
    assert [(stage, cause) for stage, _, cause in rows] == [(r.stage, r.cause) for r in rungs]
    told_v = [parse_level(volts) for _, volts, _ in rows]
    assert told_v == pytest.approx([r.input_v for r in rungs], rel=5e-3)  # three digits


def test_the_scope_picture_is_current(inspected: Inspection, tmp_path: Path) -> None:
    """Words always; curves where matplotlib is the version that drew the picture.

    The listening page is not made again: fonts and browsers draw it otherwise.
    """
    with look():
        figure = scope_figure(solve_design(inspected.design), inspected)
        path = save(figure, tmp_path, "scope", "svg")
    old, new = (PICTURES / "scope.svg").read_text("utf-8"), path.read_text("utf-8")
    words = [re.findall(r"<!-- (.*) -->", text) for text in (old, new)]
    assert words[0] == words[1], "run docs/make_pictures.py"
    if f"Matplotlib v{mpl.__version__}," in old:
        numbers = [re.findall(r"-?\d+\.\d+", "".join(_curves(text))) for text in (old, new)]
        assert len(numbers[0]) > 1000
        np.testing.assert_allclose(*(np.array(n, float) for n in numbers), atol=0.01)  # points


def test_the_schematic_is_current() -> None:
    """To the byte where schemdraw is the version that drew it; its words always."""
    old = (PICTURES / "board.svg").read_text("utf-8")
    new = draw_design(load_design("boosted_hard_clipper"))
    words = [re.findall(r">([^<>\s][^<>]*)<", text) for text in (old, new)]
    assert words[0] == words[1], "run docs/make_pictures.py"
    if schemdraw.__version__ == DRAWN_BY:
        assert old == new, "run docs/make_pictures.py"


def _curves(svg: str) -> list[str]:
    """Paths drawn inside the axes."""
    return re.findall(r'<path d="([^"]*)" clip-path', svg)


LISTS = [text for text in blocks("text", PAGES["designs.md"]) if "[[stage]]" in text]


@pytest.mark.parametrize("text", LISTS)
def test_the_lists_in_the_pages_are_solved(text: str) -> None:
    gains = node_responses(solve_design(parse_design(f'name = "page"\n{text}')), [1e3])
    assert max(abs(gain[0]) for node, gain in gains.items() if node.endswith(".output")) > 0.1


def test_every_preset_is_told() -> None:
    told = README.split("The presets, in ")[1].splitlines()[0]
    assert set(preset_names()) == set(re.findall(r"`(\w+)`", told))


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
