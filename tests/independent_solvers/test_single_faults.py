"""Faults of a build sheet against designs edited by hand.

Authority: a person's edit. A part that is missing is left out of the design, a shorted one is a
wire, legs that are open lead to air; the meter is a resistor of the board. All are solved by the
ordinary way, and by Kirchhoff's laws written a second time.
"""

import pytest
from kirchhoff import judge

from vadist import load_design
from vadist.analysis.chain_response import decibels, node_responses, solve_design
from vadist.circuits.network import GROUND, Network
from vadist.circuits.nodes import join_wires
from vadist.circuits.operating_point import solve_network
from vadist.designs.files import parse_design
from vadist.errors import ConvergenceError, DesignError
from vadist.parts import find_transistor
from vadist.sheets.bench import bench_table
from vadist.sheets.board import POTS, board_parts
from vadist.sheets.diagnosis import SINES_HZ, diagnose
from vadist.sheets.faults import Fault, FaultyBoards, single_faults

BOARD = """
name = "one transistor"
[[stage]]
name = "amp"
type = "wired"
[stage.parts]
input = "capacitor 100n: source to base"
upper = "resistor 100k: supply to base"
lower = "resistor 22k: base to ground"
load = "resistor 4k7: supply to collector"
foot = "resistor 1k: emitter to ground"
q = "transistor 2N3904: collector to collector, base to base, emitter to emitter"
out = "capacitor 1u: collector to output"
tie = "resistor 100k: output to ground"
"""


def diagnosed(design):
    parts = board_parts(design)
    resting, table = bench_table(design, parts)
    return diagnose(design, parts, resting, table)


def by_hand(without=(), pins=("collector", "base", "emitter"), wire=(), leak=""):
    """Volts of the same board, placed part by part, but for what is wrong with it."""
    network = Network(stage="amp")
    placed = {
        "input": ("capacitor", "input", "amp.base", 100e-9),
        "upper": ("resistor", "supply", "amp.base", 100e3),
        "lower": ("resistor", "amp.base", GROUND, 22e3),
        "load": ("resistor", "supply", "amp.collector", 4.7e3),
        "foot": ("resistor", "amp.emitter", GROUND, 1e3),
        "out": ("capacitor", "amp.collector", "amp.output", 1e-6),
        "tie": ("resistor", "amp.output", GROUND, 100e3),
        "input of what follows": ("resistor", "amp.output", GROUND, 1e6),
    }
    for part, (kind, *rest) in placed.items():
        if part not in without:
            getattr(network, kind)(part, *rest)
    if "q" not in without:
        network.transistor("q", *(f"amp.{pin}" for pin in pins), find_transistor("2N3904"))
    if wire:
        network.resistor("wire", *wire, 0.0)
    if leak:
        network.resistor("leak", leak, GROUND, 1e9)
    network.outputs["amp"] = "amp.output"
    return solve_network(join_wires(network, ["amp.output"])).node_v


C, B, E = "amp.collector", "amp.base", "amp.emitter"


@pytest.mark.parametrize(
    ("part", "kind", "terminals", "wrong"),
    [
        ("upper", "missing", (), {"without": ("upper",)}),
        ("lower", "missing", (), {"without": ("lower",)}),
        ("load", "missing", (), {"without": ("load",)}),
        ("foot", "missing", (), {"without": ("foot",), "leak": E}),
        ("lower", "short", (), {"wire": (B, GROUND)}),
        ("load", "short", (), {"wire": ("supply", C)}),
        ("foot", "short", (), {"wire": (E, GROUND)}),
        ("input", "short", (), {"wire": ("input", B)}),
        ("out", "short", (), {"wire": (C, "amp.output")}),
        ("q", "missing", (), {"without": ("q",)}),
        ("q", "open", ("collector",), {"pins": ("air", "base", "emitter"), "leak": "amp.air"}),
        ("q", "open", ("base",), {"pins": ("collector", "air", "emitter"), "leak": "amp.air"}),
        ("q", "open", ("emitter",), {"pins": ("collector", "base", "air"), "leak": "amp.air"}),
        ("q", "short", ("collector", "emitter"), {"wire": (C, E)}),
        ("q", "short", ("base", "emitter"), {"wire": (B, E)}),
        ("q", "short", ("collector", "base"), {"wire": (C, B)}),
    ],
)
def test_a_fault_is_what_a_person_would_do(part, kind, terminals, wrong):
    """All nodes, to what two ways of writing one circuit are rounded by."""
    design = parse_design(BOARD, "board.toml")
    parts = board_parts(design)
    resting, _ = bench_table(design, parts)
    placed = next(p for p in parts if p.path == f"amp.{part}")
    fault = Fault(placed, kind, terminals)
    assert fault in list(single_faults(parts))
    found, wanted = FaultyBoards(design, resting).rest(fault).node_v, by_hand(**wrong)
    nodes = [node for node in (C, B, E, "amp.output") if node in wanted and node in found]
    assert len(nodes) >= 2
    for node in nodes:
        assert found[node] == pytest.approx(wanted[node], abs=1e-6), node


@pytest.mark.parametrize(("name", "least"), [("fet_pnp_clipper", 15), ("clean_blend", 8)])
def test_every_listed_missing_or_shorted_part(name, least):
    """Readings of the fault table: the design edited by its own paths, the meter a part of it."""
    design = load_design(name)
    seen = 0
    for symptom in diagnosed(design).symptoms:
        fault, node = symptom.fault, symptom.reading.node
        if fault.kind not in ("missing", "short") or fault.terminals or fault.part.kind in POTS:
            continue
        stage, _, _ = fault.part.path.partition(".")
        if design.stages[stage].kind != "wired":
            continue
        if fault.kind == "missing":
            wrong = design.with_value(fault.part.path, "none").wired()
        else:
            wrong = design.wired()
            wrong.resistor("wire", *fault.part.nodes, 0.0)
        wrong.resistor("meter", node, GROUND, 10e6)
        try:
            wanted = solve_network(join_wires(wrong)).node_v[node]
        except (DesignError, ConvergenceError):
            continue  # nothing leads there but what leaks
        seen += 1
        # What leaks through 1 gigohm beside a meter of 10 megohm: 1 %, where nothing else leads.
        assert symptom.reads_v == pytest.approx(wanted, abs=1e-3 + 0.01 * abs(wanted))
    assert seen >= least


def test_what_a_sine_shows_of_missing_parts():
    """Level behind the block told, of the design with that part left out against the whole one."""
    design, seen = load_design("clean_blend"), 0
    good = node_responses(solve_design(design), SINES_HZ)
    for unseen in diagnosed(design).unseen:
        fault = unseen.fault
        stage, _, name = fault.part.path.partition(".")
        if fault.kind != "missing" or fault.part.kind in POTS or not unseen.stage:
            continue
        if design.stages[stage].kind != "wired":
            continue
        wrong = solve_design(design.with_value(f"{stage}.{name}", "none"))
        node = f"{unseen.stage}.output"
        wanted = decibels(node_responses(wrong, SINES_HZ)[node]) - decibels(good[node])
        # Junctions have no capacitance in the sheet's: a few pF beside kilohms at 5 kHz.
        assert unseen.changes_db == pytest.approx(wanted, abs=0.02), fault.part.path
        seen += 1
    assert seen >= 4


def test_what_was_solved_before_changes_nothing():
    """Where a board rests that starts from the good one, and from nothing, in six sections."""
    design = load_design("two_stage_hard_clipper")
    parts = board_parts(design)
    resting, _ = bench_table(design, parts)
    boards = FaultyBoards(design, resting)
    for fault in list(single_faults(parts))[::9]:
        anew = solve_network(boards.network(fault)).node_v
        found = boards.rest(fault).node_v
        for node, volts in anew.items():
            assert found[node] == pytest.approx(volts, abs=1e-6), (fault.part.path, node)


def test_the_good_board_by_kirchhoff():
    """Where all faults start from is a point of rest by laws that are written a second time."""
    design = load_design("fet_pnp_clipper")
    resting, _ = bench_table(design, board_parts(design))
    verdict = judge(design, dict(resting.node_v))
    assert verdict.imbalance < 1e-6
    assert verdict.correction_v < 1e-6


def test_a_shorted_output_of_an_op_amp_gives_way():
    """To what is held: it drives milliamperes, and the rail reads what it reads."""
    design = load_design("fet_pnp_clipper")
    parts = board_parts(design)
    resting, _ = bench_table(design, parts)
    amp = next(p for p in parts if p.path == "gain.opamp")
    found = FaultyBoards(design, resting).rest(Fault(amp, "short", ("plus", "output")))
    assert found.node_v["gain.output"] == pytest.approx(4.5, abs=1e-9)
