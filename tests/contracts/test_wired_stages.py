"""Contract of wiring lists: what a line says is wired, and every fault is told at its place.

Authority: the notation as docs/designs.md tells it, read by eye into elements.
"""

import pytest

from vadist.circuits.network import BIAS, GROUND, SUPPLY, Network, TwoTerminal
from vadist.circuits.operating_point import solve_network
from vadist.cli import main
from vadist.designs.design import Design
from vadist.designs.files import parse_design, write_design
from vadist.errors import DesignError
from vadist.stages.wired import PART_KINDS

HEAD = 'name = "mine"\n[[stage]]\nname = "mix"\ntype = "wired"\n[stage.parts]\n'
THROUGH = 'through = "resistor 1k: source to output"\n'

WORKING = (
    HEAD
    + """into  = "capacitor 100n: source to base; blocks DC"
feed  = "resistor 1M: bias to base"
q1    = "transistor 2N3904: emitter to tail, base to base, collector to supply"
tail  = "resistor 10k: tail to ground"
voice = "switch fat: common to tail, fat to out, thin to x, off to nothing"
small = "capacitor 10n: x to out"
level = "pot 100k: top to out, wiper to output, bottom to ground"
"""
)


def network(lines: str) -> Network:
    return parse_design(HEAD + THROUGH + lines).network()


def faults(lines: str) -> list[str]:
    """Complaints about a list, without the place they share."""
    with pytest.raises(DesignError) as caught:
        parse_design(HEAD + lines, "f.toml")
    told = str(caught.value).split("\n")
    assert all(line.startswith("f.toml: stage 1 'mix': ") for line in told)
    return [line.removeprefix("f.toml: stage 1 'mix': ") for line in told]


def test_two_ended_parts_go_where_the_line_says() -> None:
    found = network('c = "capacitor 4n7: source to a"\nl = "inductor 500m: a to output"\n')
    assert found.capacitors == [TwoTerminal("mix.c", "input", "mix.a", 4.7e-9)]
    assert found.inductors == [TwoTerminal("mix.l", "mix.a", "mix.output", 0.5)]


def test_a_diode_conducts_from_anode_to_cathode() -> None:
    ideal = (
        "{name = 'x', saturation_current = '1n', emission_coefficient = 1, series_resistance = 0}"
    )
    line = f'd = "diode {ideal}: cathode to ground, anode to output"\n'
    (device,) = network(line).devices
    assert device.nodes == {"a": "mix.output", "b": GROUND}
    assert device.model[0].count == 1
    assert device.model[1] is None


def test_a_pair_conducts_forward_from_the_first_node() -> None:
    pair = "{forward = '1N4148', reverse = 'none'}"
    (device,) = network(f'd = "diodes {pair}: output to bias"\n').devices
    assert device.nodes["b"] == BIAS
    assert device.model[1] is None


def test_terminals_stand_in_any_order() -> None:
    design = parse_design(WORKING)
    (device,) = design.network().devices
    assert device.nodes == {
        "collector": SUPPLY, "base": "mix.q1.junction", "emitter": "mix.tail",
    }  # fmt: skip


def test_a_pot_counts_from_its_bottom_and_a_rheostat_from_nothing() -> None:
    found = network(
        'p = "pot {resistance = 100k, wiper = 0.25}: top to source, wiper to output, '
        'bottom to ground"\nr = "rheostat {resistance = 10k, wiper = 0.25}: output to ground"\n'
        .replace("100k", "'100k'").replace("10k", "'10k'")
    )  # fmt: skip
    values = {r.part: (r.a, r.b, r.value) for r in found.resistors}
    assert values["mix.p.upper"] == ("input", "mix.output", pytest.approx(75e3))
    assert values["mix.p.lower"] == ("mix.output", GROUND, pytest.approx(25e3))
    assert values["mix.r"] == ("mix.output", GROUND, pytest.approx(2.5e3))


def test_a_switch_connects_each_pole_where_it_stands() -> None:
    lines = (
        'both = "switch up: common to a and b, up to c and d, down to e and nothing"\n'
        + "".join(f'r{n} = "resistor 1k: {n} to output"\n' for n in "abcde")
        + "".join(f's{n} = "resistor 1k: {n} to ground"\n' for n in "abcde")
    )
    up = network(lines)
    assert up.aliases["mix.c"] == "mix.a"
    assert up.aliases["mix.d"] == "mix.b"
    down = parse_design(HEAD + THROUGH + lines).with_value("mix.both", "down").network()
    assert down.aliases["mix.e"] == "mix.a"
    assert "mix.b" not in down.aliases.values()


def test_what_hangs_behind_an_open_switch_is_left_out() -> None:
    lines = (
        'which = "switch led: common to output, led to one, silicon to two"\n'
        'one = "diodes red LED: one to bias"\ntwo = "diodes 1N4148: two to bias"\n'
    )
    (device,) = network(lines).devices
    assert device.part == "mix.one"


def test_nodes_between_devices_are_solved() -> None:
    """A Darlington pair: nothing but its transistors lies at the node between them."""
    design = parse_design(
        HEAD + 'r = "resistor 1k: source to base"\nhold = "resistor 10R: bias to base"\n'
        'q1 = "transistor 2N3904: collector to supply, base to base, emitter to mid"\n'
        'q2 = "transistor 2N3904: collector to supply, base to mid, emitter to output"\n'
        'tail = "resistor 1k: output to ground"\n'
    )
    volts = solve_network(design.network()).node_v
    drops = volts["mix.base"] - volts["mix.mid"], volts["mix.mid"] - volts["mix.output"]
    assert all(0.5 < drop < 0.8 for drop in drops)  # silicon: some 0.6 V (common practice)
    assert drops[0] < drops[1]  # the first carries the base current of the second alone


def test_rewriting_changes_one_line_and_nothing_else() -> None:
    design = parse_design(WORKING)
    assert write_design(design, WORKING) == WORKING
    for path, value, line in (
        ("mix.into", "47n", 'into  = "capacitor 47n: source to base; blocks DC"'),
        ("mix.small", "none", 'small = "capacitor none: x to out"'),
        ("mix.voice", "thin",
         'voice = "switch thin: common to tail, fat to out, thin to x, off to nothing"'),
        ("mix.level", "250k", 'level = "pot 250k: top to out, wiper to output, bottom to ground"'),
    ):  # fmt: skip
        changed = design.with_value(path, value)
        text = write_design(changed, WORKING)
        assert parse_design(text) == changed
        assert parse_design(write_design(changed)) == changed
        assert set(text.splitlines()) - set(WORKING.splitlines()) == {line}


def test_a_model_of_ones_own_survives_writing() -> None:
    changed = parse_design(WORKING).with_value("mix.q1.forward_beta", 88.0)
    for text in (write_design(changed, WORKING), write_design(changed)):
        assert parse_design(text) == changed
    assert changed.value("mix.q1").forward_beta == 88.0


def test_every_kind_of_part_can_be_written_and_told(capsys) -> None:
    assert main(["stages", "wired"]) == 0
    said = capsys.readouterr().out
    for kind in PART_KINDS.values():
        assert f"{kind.word} {kind.example}: " in said
        for terminal in kind.terminals:
            assert terminal in said or terminal in ("one end", "other end")


FAULTS = {
    'r = "resistr 1k: source to a"': "r: unknown kind of part 'resistr'; did you mean 'resistor'?",
    'r = "resistor 1k source to a"': "r: lacks a ':' before where it goes",
    'r = "resistor: source to a"': 'r: lacks its value, as in "resistor 4k7: ..."',
    'r = "resistor 1k: source a"': "r: a resistor goes from one node to another",
    'r = "resistor 1kF: source to a"': "r: must be a resistance in ohms (got '1kF'",
    'r = "resistor 1k: source to A b"': "r: a node's name must be lower case letters",
    'r = "resistor 1k: a to a"': "r: both its ends go to 'a', so it does nothing",
    'r = "resistor 1k: a to nothing"': "r: must go to a node; 'nothing' is for switches alone",
    'type = "resistor 1k: a to b"': "type: a part must not be called name, type, bypassed or parts",
    'R1 = "resistor 1k: a to b"': "R1: a part's name must be lower case letters",
    "r = 3": 'r: must be a line such as "resistor 4k7: source to output" (got 3)',
    'q = "transistor 2N3904: colector to a, collector to a, base to b, emitter to c"':
        "q: unknown terminal of a transistor 'colector'; did you mean 'collector'?",
    'q = "transistor 2N3904: base to b, emitter to c"':
        "q: does not say where its collector goes",
    'q = "transistor 2N3904: collector to a, base to b, base to c, emitter to d"':
        "q: 'base' is connected twice",
    'q = "transistor 2N3904: collector to a and b, base to b, emitter to c"':
        "q: its collector must go to one node",
    'q = "transistor 2N390: collector to a, base to b, emitter to c"':
        "q: must be a known transistor (got '2N390'",
    'q = "transistor {beta = 3: collector to a, base to b, emitter to c"':
        "q: lacks a ':' before where it goes",
    'p = "pot 100k: top to a, wiper to nothing, bottom to b"':
        "p: its wiper must go to a node; 'nothing' is for switches alone",
    's = "switch up: common to a, up to b"': "s: a switch needs two positions or more",
    's = "switch up: common to a and c, up to b and d, down to e"':
        "s: down must go to as many nodes as common does, 2",
    's = "switch left: common to a, up to b, down to e"': "s: must be 'up' or 'down' (got 'left')",
    's = "switch none: common to a, up to b, down to e"': "s: must be 'up' or 'down' (got 'none')",
    's = "switch up: up to b, down to e"': "s: a switch does not say where its common contact goes",
}  # fmt: skip


@pytest.mark.parametrize("line", FAULTS)
def test_a_line_at_fault(line: str) -> None:
    (told,) = faults(THROUGH + line + "\n")
    assert told.startswith(FAULTS[line])


def test_all_faults_are_told_at_once() -> None:
    """Three lines, the last with three faults of its own."""
    told = faults(
        THROUGH + 'r = "resistr 1k: source to a"\nx = 3\n'
        'q = "transistor 2N390: colector to a, base to b, emitter to c"\n'
    )
    assert [line.partition(":")[0] for line in told] == ["r", "x", "q", "q", "q"]


DRAWN = {
    'r = "resistor 1k: source to bse"\ns = "resistor 1k: base to output"\n'
    't = "resistor 1k: base to ground"\n': [
        "node 'bse' leads nowhere: only one end of r is there; did you mean 'base'?",
        "no way leads from 'source' to 'output' but over the rails",
    ],
    'r = "resistor 1k: source to ground"\n': ["no part goes to the node 'output'"],
    'r = "resistor 1k: source to ground"\ns = "resistor 1k: ground to output"\n': [
        "no way leads from 'source' to 'output' but over the rails",
    ],
    'r = "resistor 1k: output to ground"\n': ["no part goes to the node 'source'"],
    'c = "capacitor 1n: source to base"\nd = "capacitor 1n: base to output"\n'
    'q = "transistor 2N3904: collector to output, base to base, emitter to ground"\n': [
        "q: no direct current reaches its base; lead a resistor there",
    ],
    THROUGH + 'u = "opamp TL072: plus to source, minus to output, output to supply"\n'
    'l = "inductor 1m: ground to supply"\n': [
        "u drives supply, which is held already",
        "l closes a loop in which nothing limits direct current; put its winding's resistance in "
        "series",
    ],
    'u = "opamp TL072: plus to source, minus to output, output to output"\n'
    'v = "opamp TL072: plus to source, minus to output, output to output"\n': [
        "v and u both drive output",
    ],
    THROUGH + 'w = "resistor 0R: supply to bias"\nx = "resistor 0R: ground to bias"\n'
    'd = "diodes 1N4148: supply to ground"\n': [
        "w has no resistance and shorts bias to supply; give it some ohms",
        "x has no resistance and shorts bias to ground; give it some ohms",
    ],
    THROUGH + 'l1 = "inductor 1m: source to output"\nl2 = "inductor 1m: output to source"\n': [
        "l2 closes a loop in which nothing limits direct current; put its winding's resistance in "
        "series",
    ],
}


@pytest.mark.parametrize("lines", DRAWN)
def test_a_drawing_at_fault(lines: str) -> None:
    assert faults(lines) == DRAWN[lines]


def test_a_part_that_is_there_twice() -> None:
    with pytest.raises(DesignError, match=r"^f\.toml: line 7: 'through' is there twice$"):
        parse_design(HEAD + THROUGH + THROUGH, "f.toml")


@pytest.mark.parametrize("parts", ["", "parts = 3\n", "parts = {}\n"])
def test_a_stage_without_parts(parts: str) -> None:
    with pytest.raises(DesignError, match="lacks its parts, a table of lines such as"):
        parse_design(f'name = "x"\n[[stage]]\nname = "mix"\ntype = "wired"\n{parts}')


def test_controls_move_its_pots_alone() -> None:
    knob = '[controls.level]\nmoves = "mix.level"\nposition = 0.3\n'
    design = parse_design(WORKING + knob)
    assert design.positioned().value("mix.level").wiper == pytest.approx(0.3)
    with pytest.raises(DesignError, match=r"unknown pot 'mix\.feed'"):
        parse_design(WORKING + knob.replace("mix.level", "mix.feed"))


def test_a_left_out_part_is_not_wired() -> None:
    design: Design = parse_design(WORKING).with_value("mix.feed", "none")
    with pytest.raises(DesignError, match=r"^mix\.q1: no direct current reaches its base"):
        solve_network(design.network())
    with pytest.raises(DesignError, match=r"mix\.voice must be 'fat' or 'thin' or 'off'"):
        design.with_value("mix.voice", "none")
