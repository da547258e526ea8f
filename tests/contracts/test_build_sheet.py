"""Contract of build sheets: nothing is forgotten, nothing counted twice, the page stands alone.

Authority: the networks that the stages wire, counted element by element.
"""

import csv
import dataclasses
import re
import tomllib

import pytest
from hypothesis import HealthCheck, assume, given, settings
from random_wirings import designs

from vadist import load_design
from vadist.cli import main
from vadist.designs.files import parse_design, preset_names
from vadist.drawing import designators
from vadist.errors import ConvergenceError, DesignError
from vadist.sheets.bench import bench_table
from vadist.sheets.bill import bill_of_materials, rated
from vadist.sheets.board import board_parts
from vadist.sheets.diagnosis import diagnose
from vadist.sheets.naming import Names, device_rows
from vadist.stages.stage import Pot

pytestmark = pytest.mark.filterwarnings("ignore::vadist.errors.DesignWarning")

UNEQUAL = '{forward = {type = "1N4148", count = 2, parallel = 3}, reverse = "none"}'
FUZZ = settings(
    derandomize=True, deadline=None, database=None, max_examples=25,
    suppress_health_check=[HealthCheck.filter_too_much],
)  # fmt: skip


def counted(design):
    """Pieces of each kind among the elements of the network; those of source and load are none."""
    network = design.wired()
    found = dict.fromkeys(("resistor", "capacitor", "inductor", "pot", "diode", "other"), 0)

    def paths(elements):
        names = (".".join(e.part.split(".")[:2]) for e in elements if "ohmic" not in e.part)
        return {n for n in names if n.split(".")[0] not in ("source", "load")}

    def is_pot(path):
        try:
            return isinstance(design.value(path), Pot)
        except DesignError:
            return False

    found["pot"] = sum(is_pot(p) for p in paths([*network.resistors, *network.wires]))
    resistors = {p for p in paths(network.resistors) if not is_pot(p)}
    if design.supply.filter_capacitor is None:
        resistors -= {"supply.resistance"}  # the battery's own
    found["resistor"] = len(resistors)
    found["capacitor"] = len(paths(network.capacitors))
    found["inductor"] = len(paths(network.inductors))
    for device in network.devices:
        if device.kind == "diodes":
            strings = [s for s in device.model if s is not None]
            found["diode"] += sum(s.count * s.parallel for s in strings)
        else:
            found["other"] += 1
    return found


def billed(design):
    """The same from the bill, switches left out: they are wires of the network."""
    bill = bill_of_materials(rated(design, board_parts(design), {}))
    found = dict.fromkeys(("resistor", "capacitor", "inductor", "pot", "diode", "other"), 0)
    for item in bill:
        if item.kind != "switch":
            found[item.kind if item.kind in found else "other"] += item.count
    return found


@pytest.mark.parametrize("name", preset_names())
def test_the_bill_holds_every_part_of_a_preset(name):
    design = load_design(name)
    assert billed(design) == counted(design)
    paths = [p.path for p in board_parts(design)]
    assert len(paths) == len(set(paths))


@pytest.mark.parametrize(
    "changes",
    [
        {"supply.resistance": "10R"},
        {"supply.resistance": "10R", "supply.filter_capacitor": "100u"},
        {"clipper": "none"},
        {"clipper.diodes": UNEQUAL},
        {"boost.emitter_resistor": "0R", "drive": "0", "level": "1"},
    ],
)
def test_the_bill_follows_what_is_changed(changes):
    design = load_design("boosted_hard_clipper")
    for path, value in changes.items():
        read = tomllib.loads(f"v = {value}")["v"] if value.startswith("{") else value
        design = design.with_value(path, read)
    assert billed(design) == counted(design)


def test_pins_lead_where_the_design_says():
    """The forward diode conducts from the signal to the rail; a pot that is the output says so."""
    design = load_design("boosted_hard_clipper")
    parts = board_parts(design)
    names = Names(designators(design))
    rows = {d: pins for d, _, pins in device_rows(parts, names, design.network().held, "x")}
    assert rows["D1"] == "anode to R12, C7, R13, C9; cathode to bias rail"
    assert rows["D2"] == "anode to bias rail; cathode to R12, C7, R13, C9"
    assert rows["Q3"] == "collector to supply rail; base to R16; emitter to R17, C12"
    boost = load_design("treble_boost")
    rows = device_rows(
        board_parts(boost), Names(designators(boost)), boost.network().held, boost.output
    )
    assert any("wiper to output" in pins for _, _, pins in rows)


def test_tolerances_of_the_design_are_told_and_widen_the_bands():
    design = load_design("treble_boost")
    wide = dataclasses.replace(
        design, tolerances={"resistors": 0.05, "boost.collector_resistor": 0.1}
    )
    bill = bill_of_materials(rated(wide, board_parts(wide), {}))
    told = {path: item.tolerance for item in bill for path in item.paths}
    assert told["boost.collector_resistor"] == 0.1
    assert told["boost.feedback_resistor"] == 0.05

    def band(held):
        found = {r.node: r for r in bench_table(held, board_parts(held))[1]}
        return found["boost.output"].high_v - found["boost.output"].low_v

    assert band(wide) > 1.2 * band(design)


@FUZZ
@given(designs())
def test_bills_and_faults_of_random_wirings(text):
    """Any list that is solved has a bill of all its parts, a bench table and a fault table."""
    try:
        design = parse_design(text, "fuzz.toml")
        design.network()
    except DesignError:
        assume(False)
    assert billed(design) == counted(design)
    parts = board_parts(design)
    try:
        resting, table = bench_table(design, parts)
    except (DesignError, ConvergenceError):
        return
    found = diagnose(design, parts, resting, table)
    assert all(r.low_v <= r.meter_v + 1e-9 for r in table)
    assert all(r.high_v >= r.meter_v - 1e-9 for r in table)
    told = [s.fault for s in found.symptoms] + [u.fault for u in found.unseen]
    assert len({*told, *found.refused}) == len(told) + len(found.refused)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheet")
    page = folder / "board.html"
    assert main(["sheet", "treble_boost", "--out", str(page), "--csv"]) == 0
    return page


def test_the_page_stands_alone(written):
    """No address is fetched; a policy forbids it; cautions stand where they are needed."""
    html = written.read_text(encoding="utf-8")
    namespaces = ("http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink")
    addresses = set(re.findall(r"https?://[^\s\"'<>]+", html))
    assert addresses <= set(namespaces)
    assert "default-src 'none'" in html
    assert "<svg" in html
    order = ["Schematic", "What to buy", "350 °C", "plus goes where", "What the meter reads",
             "certified adapter", "If it does not work", "NIOSH"]  # fmt: skip
    places = [html.index(words) for words in order]
    assert places == sorted(places)


def test_tables_beside_the_page(written):
    """Numbers in SI units that agree with what the design is solved to."""
    tables = {}
    for name in ("bill", "bench", "faults"):
        text = written.with_name(f"board-{name}.csv").read_text(encoding="utf-8")
        tables[name] = list(csv.DictReader(text.splitlines()))
    design = load_design("treble_boost")
    assert sum(int(row["count"]) for row in tables["bill"]) == sum(billed(design).values())
    _, table = bench_table(design, board_parts(design))
    for row, reading in zip(tables["bench"], table, strict=True):
        assert float(row["meter_v"]) == pytest.approx(reading.meter_v, abs=1e-5)
        assert row["node"] == reading.node
    assert {row["part"] for row in tables["faults"]} == {p.path for p in board_parts(design)}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--out", "sheet.txt"], "must end in .html"),
        (["--hot", "0V"], "above 0 V"),
        (["--hot", "40dB"], "--hot"),
        (["--set", "boost.emiter_resistor=1k"], "emitter_resistor"),
    ],
)
def test_bad_input_is_one_line(words, told, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["sheet", "treble_boost", *words]) == 2
    error = capsys.readouterr().err
    assert told in error
    assert len(error.strip().splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_an_earlier_sheet_is_kept(written, capsys):
    before = written.read_bytes()
    assert main(["sheet", "soft_clipper", "--out", str(written)]) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert written.read_bytes() == before
