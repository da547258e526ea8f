"""The bench table of textbook bias circuits, and what a meter's load does to them.

Authority: worked examples of A. S. Sedra, K. C. Smith, Microelectronic Circuits (6th edition), and
R. L. Boylestad, L. Nashelsky, Electronic Devices and Circuit Theory (11th edition), from memory,
the books not located; Thevenin's divider formula for the meter.
"""

import pytest

from vadist.designs.files import parse_design
from vadist.sheets.bench import bench_table
from vadist.sheets.board import board_parts

MOSFET = """
name = "divider bias"
[supply]
volts = 10
[[stage]]
name = "amplifier"
type = "wired"
[stage.parts]
input = "capacitor 100n: source to gate"
rg1 = "resistor 10M: supply to gate"
rg2 = "resistor 10M: gate to ground"
rd = "resistor 6k: supply to drain"
rs = "resistor 6k: follow to ground"
q = "mosfet {name = 'book', threshold = 1, transconductance = 0.001}: PINS"
out = "capacitor 100n: drain to output"
tie = "resistor 1M: output to ground"
"""

JFET = """
name = "self bias"
[supply]
volts = 20
[[stage]]
name = "amplifier"
type = "wired"
[stage.parts]
input = "capacitor 100n: source to gate"
rg = "resistor 1M: gate to ground"
rd = "resistor 3k3: supply to drain"
rs = "resistor 1k: follow to ground"
q = "jfet {name = 'book', idss = 0.008, pinch_off = 6}: PINS"
out = "capacitor 100n: drain to output"
tie = "resistor 1M: output to ground"
"""


def readings(text):
    pins = "drain to drain, gate to gate, source to follow"
    design = parse_design(text.replace("PINS", pins), "book.toml")
    return {r.node: r for r in bench_table(design, board_parts(design))[1]}


def test_divider_bias_of_a_mosfet():
    """Sedra and Smith, example 5.6: VG 5 V, VS 3 V, VD 7 V; and each seen through 10 megohm.

    The gate's divider is 5 megohm, so that the meter reads 5 V 10/(10 + 5) = 3.333 V. The drain's
    6k, at the end of a current source, give 7 V times 10M/(10M + 6k), but for the tie behind the
    capacitor, which carries no direct current.
    """
    table = readings(MOSFET)
    for node, volts in {"gate": 5.0, "follow": 3.0, "drain": 7.0}.items():
        assert table[f"amplifier.{node}"].rest_v == pytest.approx(volts, abs=1e-6), node
    assert table["amplifier.gate"].meter_v == pytest.approx(5.0 * 10.0 / 15.0, rel=1e-9)
    assert table["amplifier.drain"].meter_v == pytest.approx(7.0 * 10e6 / 10.006e6, rel=1e-9)
    # Seen from its source a follower has 1/gm beside 6k: less than 1k, so that the meter takes
    # less than 1 of 10 000.
    gm = 2.0 * 0.5e-3 / (5.0 - 3.0 - 1.0)
    source_ohm = 1.0 / (gm + 1.0 / 6e3)
    loaded = 3.0 * 10e6 / (10e6 + source_ohm)
    assert table["amplifier.follow"].meter_v == pytest.approx(loaded, abs=1e-6)


def test_self_bias_of_a_jfet():
    """Boylestad and Nashelsky, example 7.2: VS 2.6 V, VD 11.42 V, off a graph to two figures."""
    table = readings(JFET)
    assert table["amplifier.follow"].meter_v == pytest.approx(2.6, abs=0.05)
    assert table["amplifier.drain"].meter_v == pytest.approx(11.42, abs=0.1)
    assert table["supply"].meter_v == 20.0


def drain_current(gate, threshold, source_ohm):
    """Saturation, k 1 mA/V^2: 1/2 k (VG - R I - Vt)^2 = I, the root that leaves it on."""
    k, over = 1e-3, gate - threshold
    # R^2 I^2 - 2 (R over + 1/k) I + over^2 = 0
    half = source_ohm * over + 1.0 / k
    return (half - (half**2 - (source_ohm * over) ** 2) ** 0.5) / source_ohm**2


def beside(ohm):
    """With the meter in parallel."""
    return ohm * 10e6 / (ohm + 10e6)


def test_the_band_of_a_mosfet_is_that_of_its_worst_corners():
    """Resistors 1 % off and a threshold by 1.5 either way, each where it moves the source most."""
    found = readings(MOSFET)["amplifier.follow"]
    ends = []
    for sign, threshold in ((-1.0, 1.5), (1.0, 1.0 / 1.5)):
        low, high = 1.0 - 0.01 * sign, 1.0 + 0.01 * sign
        gate = 10.0 * high / (low + high)
        foot = beside(6e3 * high)
        ends.append(drain_current(gate, threshold, foot) * foot)
    assert (found.low_v, found.high_v) == pytest.approx(ends, rel=1e-6)
    assert found.low_v < found.meter_v < found.high_v
