"""A drawing shows what is solved: every part once, joined as the network is, legible.

Authority: the network that ``Design.network`` gives the solver, held against nets read off the
drawing's lines, dots, rails and marks; for words, the extents by the metrics of DejaVu Sans, the
widest of the fonts that the pictures name.
"""

import dataclasses
import tempfile
import xml.etree.ElementTree as ET
from functools import cache
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest
from drawn_nets import check_drawn
from hypothesis import given, settings
from random_wirings import designs

from vadist import designators, draw_block, draw_design, draw_picture, load_design
from vadist.cli import main
from vadist.designs.block_files import ready_blocks
from vadist.designs.files import parse_design, preset_names
from vadist.drawing import page_of_design
from vadist.drawing.routing import Board, route
from vadist.drawing.shapes import SHAPES
from vadist.errors import DesignError, UsageError
from vadist.stages import STAGES, Pot
from vadist.stages.listing import example_of, wiring_of

pytestmark = pytest.mark.filterwarnings("ignore::vadist.errors.DesignWarning")

FUZZ = settings(derandomize=True, deadline=None, database=None)
PICKUP = """
[source]
resistance = "8k2"
inductance = "3"
coil_capacitance = "120p"
volume_pot = "500k"
cable_capacitance = "470p"
[supply]
volts = "9V"
resistance = "10R"
filter_capacitor = "100u"
bias_upper = "10k"
bias_lower = "10k"
bias_capacitor = "47u"
bias_buffer = "TL072"
[[stage]]
name = "clipper"
type = "diode_clipper"
series_resistor = "3k3"
diodes = {forward = {type = "1N4148", count = 2}, reverse = {type = "1N34A", parallel = 2}}
returns_to = "ground"
"""
# Values of a kind that a pickup, a cable and a rail have; they are drawn, not judged.


def ready(name):
    """A ready block alone, in a design that is read from a file as blocks want it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "alone.toml"
        path.write_text(
            f'name = "{name}"\nblocks_from = ["ready"]\nsource = {{rests_at = "bias"}}\n'
            f'[[stage]]\nname = "alone"\ntype = "{name}"\n'
        )
        return load_design(path)


def example(kind):
    stage = example_of(STAGES[kind])
    return dataclasses.replace(load_design("treble_boost"), stages={"alone": stage}, controls={})


@cache
def named(name):
    kind, _, which = name.partition(" ")
    makers = {"preset": load_design, "block": ready, "stage": example}
    return parse_design(f'name = "pickup"\n{PICKUP}') if kind == "pickup" else makers[kind](which)


NAMES = [
    *(f"preset {n}" for n in preset_names()),
    *(f"block {n}" for n in ready_blocks()),
    *(f"stage {n}" for n in STAGES),
    "pickup",
]


def centred(design):
    """Every pot in its middle: at an end it is partly a wire of the network."""
    for path in design.paths:
        if isinstance(value := design.value(path), Pot):
            design = dataclasses.replace(design, controls={})
            design = design.with_value(path, Pot(value.resistance, 0.5))
    return design


@pytest.mark.parametrize("name", NAMES)
def test_every_part_is_drawn_once_and_joined_as_it_is_wired(name):
    design = centred(named(name))
    check_drawn(page_of_design(design), design.network())


@settings(FUZZ, max_examples=80)
@given(designs())
def test_random_lists_are_drawn_as_they_are_wired(text):
    try:
        design = centred(parse_design(text))
        network = design.network()
    except DesignError:
        return
    page = page_of_design(design)
    check_drawn(page, network)
    check_legible(page)


@cache
def letter_widths():
    """Advance of each letter of DejaVu Sans, in ems."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    font = get_font(findfont(FontProperties(family="DejaVu Sans")))
    font.set_size(100.0, 72)

    @cache
    def wide(text):
        font.set_text(text, 0.0)
        return font.get_width_height()[0] / 64.0 / 100.0

    return wide


def extent(words):
    """Box of the ink a line of text may have, a letter being one cell high."""
    wide = letter_widths()(words.text)
    x0 = words.x - {"left": 0.0, "center": wide / 2.0, "right": wide}[words.align]
    return x0, words.y - 0.6, x0 + wide, words.y + 0.55


def apart(a, b):
    return a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def solid(symbol):
    """What a symbol's lines cover; the corners beside an op-amp's triangle are free."""
    if symbol.part.kind != "opamp":
        return [symbol.body]
    x, y = symbol.x, symbol.y
    halves = [(k, 2.0 * (1.0 - (k - 1.0) / 4.0)) for k in (1.0, 2.0, 3.0, 4.0)]
    return [(x + k, y - half, x + k + 1.0, y + half) for k, half in halves]


def check_legible(page):
    """No words over words, a wire or a symbol; no symbol over another."""
    words = [w for s in page.symbols for w in s.words] + page.titles + page.volts
    boxes = [extent(w) for w in words]
    for (one, a), (other, b) in combinations(zip(words, boxes, strict=True), 2):
        assert apart(a, b), f"{one.text} over {other.text}"
    bodies = [b for s in page.symbols if s.part.kind not in ("switch", "mark") for b in solid(s)]
    lines = [
        (min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1]))
        for wire in page.wires
        for a, b in wire
    ]
    lines += [w.led for w in page.volts if w.led is not None]
    inside = [w for s in page.symbols if s.part.kind in ("switch", "mark") for w in s.words]
    for one, box in zip(words, boxes, strict=True):
        for line in lines:
            assert apart(box, line), f"a line through {one.text}"
        if one not in inside:
            assert all(apart(box, body) for body in bodies), f"{one.text} over a symbol"
    real = [b for b in bodies if b[0] != b[2]]
    shrunk = [(b[0] + 0.05, b[1] + 0.05, b[2] - 0.05, b[3] - 0.05) for b in real]
    for a, b in combinations(shrunk, 2):
        assert apart(a, b), "two symbols on each other"
    for box in boxes:
        assert box[0] >= 0.0
        assert box[2] <= page.width
        assert -page.height <= box[1] < box[3] <= 0.0


@pytest.mark.parametrize("volts", [False, True])
@pytest.mark.parametrize("name", NAMES)
def test_words_are_legible(name, volts):
    check_legible(page_of_design(named(name), volts=volts))


@pytest.mark.parametrize("name", preset_names())
def test_a_preset_fits_a_sheet_with_readable_letters(name):
    page = page_of_design(load_design(name))
    # A letter is a cell high. ISO 3098-1 has 1.8 mm as its smallest nominal height (from memory,
    # not located).
    assert page.cell_in * 25.4 >= 1.8
    assert page.width * page.cell_in <= 297.0 / 25.4 + 1e-9
    assert page.height * page.cell_in <= 210.0 / 25.4 + 1e-9


@pytest.mark.parametrize("kind", STAGES)
def test_a_stage_draws_what_it_wires(kind):
    """The words beside ``wire`` name its parts, each once."""
    stage = STAGES[kind]
    listed = [name for place in stage.drawing for name in place.parts]
    wired = [part.name for part in wiring_of(example_of(stage)).parts]
    ends = {name.rpartition(".")[0] for name in listed}
    assert set(wired) <= set(listed)
    assert len(listed) == len(set(listed))
    assert {n for n in listed if n not in ends} <= set(stage.fields()) | set(listed)


def test_wires_share_no_line_and_no_corner():
    """Random pins on a bare board: what two nets share is a square crossing of straight lines."""
    generator = np.random.default_rng(5)
    crossings = 0
    for _ in range(60):
        points = [(int(x), int(y)) for x in range(10) for y in range(10)]
        chosen = [points[k] for k in generator.choice(100, 12, replace=False)]
        nets = {f"net {k}": chosen[3 * k : 3 * k + 3] for k in range(4)}
        wires = route(Board((-3, -3), (12, 12)), nets)
        if wires is None:
            continue
        for one, other in combinations(wires.values(), 2):
            assert not one & other
            for point in {p for e in one for p in e} & {p for e in other for p in e}:
                lying = []
                for wire in (one, other):
                    met = [e for e in wire if point in e]
                    assert len(met) == 2
                    lying.append({a[1] == b[1] for a, b in met})
                assert sorted(map(len, lying)) == [1, 1]
                assert lying[0] != lying[1]
                assert point not in chosen
                crossings += 1
    assert crossings > 50


@pytest.mark.parametrize("name", ["stage opamp_gain", "block inverting_gain", "block pnp_boost"])
def test_outlines_stand_at_their_pins(name):
    """An op-amp's signs, and the end a transistor's arrow is on, are where the pins are."""
    seen = 0
    for symbol in page_of_design(named(name)).symbols:
        pins = {p.terminal: p for p in symbol.pins}
        turn = -1 if symbol.flipped else 1
        if symbol.part.kind == "opamp":
            signs = {text: y for text, _, y in SHAPES["opamp", ""].signs}
            assert pins["plus"].y == symbol.y + turn * signs["+"]
            assert pins["minus"].y == symbol.y + turn * signs["−"]
            seen += 1
        if symbol.part.kind == "transistor":
            ((start, tip),) = SHAPES["transistor", symbol.part.variant].arrows
            outward = symbol.part.variant == "npn"  # the arrow is on the emitter, NPN pointing out
            assert (pins["emitter"].y - symbol.y) * turn * (start if not outward else tip)[1] > 0
            seen += 1
    assert seen


def test_designators_count_in_signal_order_and_keep_to_their_parts():
    design = load_design("boosted_hard_clipper")
    found = designators(design)
    for letter in "RCQUD":
        numbers = [
            int(d[len(letter) :]) for d in found.values() if d.rstrip("0123456789") == letter
        ]
        assert numbers == list(range(1, len(numbers) + 1))
    assert found["buffer.input_capacitor"] == "C1"
    assert found["clipper.diodes.forward"] == "D1"
    for path, value in (
        ("clipper.diodes", "red LED"), ("gain.leg_resistor", "2k2"), ("drive", 0.0),
        ("clipper", "none"),
    ):  # fmt: skip
        assert designators(design.with_value(path, value)) == found
    stages = list(design.stages)
    order = [path.partition(".")[0] for path in found]
    assert all(
        stages.index(a) <= stages.index(b) for a, b in pairwise(o for o in order if o != "supply")
    )


def test_a_value_is_written_as_the_trade_writes_it():
    svg = draw_design(load_design("boosted_hard_clipper").with_value("gain.leg_resistor", "4k7"))
    texts = {e.text or "".join(e.itertext()) for e in ET.fromstring(svg).iter() if "text" in e.tag}
    assert {"4k7", "15n", "1N4148", "2N3904", "TL072", "drive", "bias", "+9 V"} <= texts


def test_resting_volts_are_those_of_the_operating_point():
    """An emitter follower rests where its divider and a junction put it (the preset says 3.5 V)."""
    svg = draw_design(load_design("boosted_hard_clipper"), volts=True)
    assert ">3.48 V<" in svg
    assert ">3.48 V<" not in draw_design(load_design("boosted_hard_clipper"))


def test_the_same_design_gives_the_same_bytes():
    design = load_design("three_band_clipper")
    assert draw_design(design) == draw_design(load_design("three_band_clipper"))
    assert draw_design(design) != draw_design(design, resistors="zigzag")


@pytest.mark.parametrize(("kind", "head"), [("pdf", b"%PDF"), ("png", b"\x89PNG")])
def test_other_files(kind, head):
    made = draw_picture(load_design("treble_boost"), kind)
    assert made.startswith(head)
    if kind == "pdf":  # A4 landscape in points
        assert b"[ 0 0 841.8897637795 595.2755905512 ]" in made


def test_a_block_alone():
    design = load_design("boosted_hard_clipper")
    for name in ("source", *design.stages, "load", "supply"):
        assert draw_block(design, name).startswith("<svg")
    svg = draw_block(design, "clipper")
    assert ">D1<" in svg
    assert ">Q1<" not in svg


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda d: draw_block(d, "cliper"), "did you mean 'clipper'"),
        (lambda d: draw_design(d, resistors="wavy"), "resistors must be one of box, zigzag"),
        (lambda d: draw_picture(d, "gif"), "kind must be one of svg, pdf, png"),
    ],
)
def test_bad_input_is_told_in_a_line(call, told):
    with pytest.raises(UsageError, match=told):
        call(load_design("boosted_hard_clipper"))


def test_names_may_hold_any_letter():
    design = parse_design(
        'name = "a<b & $x^$"\n[[stage]]\nname = "clipper"\ntype = "diode_clipper"\n'
        'series_resistor = "3k3"\n[stage.diodes]\nname = "$^{ <&> 二"\nsaturation_current = "1n"\n'
        "emission_coefficient = 1.8\n"
    )
    ET.fromstring(draw_design(design))
    assert draw_picture(design, "png").startswith(b"\x89PNG")


def test_the_command_writes_a_drawing(tmp_path, capsys):
    target = tmp_path / "board.svg"
    words = ["draw", "treble_boost", "--out", str(target)]
    assert main([*words, "--set", "boost.collector_resistor=4k7", "--volts"]) == 0
    assert capsys.readouterr().out == f"{target}\n"
    text = target.read_text(encoding="utf-8")
    assert ">4k7<" in text
    assert " V<" in text
    assert main(words) == 2
    assert "exists; give another name or --overwrite" in capsys.readouterr().err
    assert main([*words, "--overwrite", "--resistors", "zigzag"]) == 0
    assert target.read_text(encoding="utf-8") == draw_design(
        load_design("treble_boost"), resistors="zigzag"
    )


def test_the_command_refuses_other_endings(tmp_path, capsys):
    assert main(["draw", "treble_boost", "--out", str(tmp_path / "board.gif")]) == 2
    told = capsys.readouterr().err
    assert told.endswith("board.gif: a drawing must end in one of .svg, .pdf, .png\n")
    assert not list(tmp_path.iterdir())
