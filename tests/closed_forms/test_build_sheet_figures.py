"""Readings, bands, volts and watts of a build sheet against arithmetic by hand.

Authority: Ohm's law and the divider; the energy of a chord summed here from its strings.
"""

import math

import numpy as np
import pytest

from vadist.designs.files import parse_design
from vadist.sheets.bench import bench_table
from vadist.sheets.bill import bill_of_materials, rated
from vadist.sheets.board import board_parts
from vadist.sheets.stress import stresses

METER = 10e6

DIVIDER = """
name = "divider"
[supply]
volts = 9
[[stage]]
name = "block"
type = "wired"
[stage.parts]
upper = "resistor 1M: supply to middle"
lower = "resistor 470k: middle to ground"
held = "capacitor 10u: middle to ground"
through = "resistor 100R: source to output"
hot = "resistor 100R: supply to warm"
cold = "resistor 100R: warm to ground"
"""


def loaded(upper, lower):
    """Divider with the meter beside its lower resistor."""
    beside = lower * METER / (lower + METER)
    return 9.0 * beside / (upper + beside)


def test_a_meter_loads_a_divider_and_tolerances_move_it():
    """Band: both resistors at 1 %, apart and against each other."""
    design = parse_design(DIVIDER, "t.toml")
    table = {r.node: r for r in bench_table(design, board_parts(design))[1]}
    middle = table["block.middle"]
    assert middle.rest_v == pytest.approx(9.0 * 470.0 / 1470.0, rel=1e-12)
    assert middle.meter_v == pytest.approx(loaded(1e6, 470e3), rel=1e-9)
    assert middle.low_v == pytest.approx(loaded(1.01e6, 0.99 * 470e3), rel=1e-9)
    assert middle.high_v == pytest.approx(loaded(0.99e6, 1.01 * 470e3), rel=1e-9)


def test_a_band_holds_boards_drawn_at_random():
    """Resistors, gains and junctions anywhere within their tolerances: no reading leaves its band.

    As a band is where it ends only if each reading goes one way with each part, and the ends are
    those of a corner, 40 boards must lie within it and reach more than a third of it.
    """
    from vadist import load_design
    from vadist.questions.sampling import boards_at
    from vadist.questions.tolerances import variations
    from vadist.sheets.rest import rest

    design = load_design("treble_boost")
    resting, table = bench_table(design, board_parts(design))
    varied = variations(design)
    x = np.random.default_rng(7).uniform(-1.0, 1.0, (40, len(varied)))
    found = []
    for board in boards_at(design, varied, x):
        specimen = rest(board.network(), resting)
        found.append([specimen.with_meter(r.node) for r in table])
    low, high = np.min(found, axis=0), np.max(found, axis=0)
    for k, r in enumerate(table):
        assert low[k] >= r.low_v - 1e-9, r.node
        assert high[k] <= r.high_v + 1e-9, r.node
    collector = next(k for k, r in enumerate(table) if r.node == "boost.output")
    band = table[collector].high_v - table[collector].low_v
    assert high[collector] - low[collector] > band / 3.0


@pytest.fixture(scope="module")
def played():
    design = parse_design(DIVIDER, "t.toml")
    return design, stresses(design, 2.0)


def test_watts_of_resistors(played):
    """At rest 4.5^2/100 W in each half of a divider; in a chord the largest mean of 50 ms.

    2 V peak of E2, B2 and E3, harmonics to the twelfth that fall as 1/n, attack 2 ms and decay
    0.5 s, written here again; 100 ohm into a load of 1 megohm carry next to nothing, so what is
    looked at is the load.
    """
    _, found = played
    assert found["block.hot"].watts == pytest.approx(4.5**2 / 100.0, rel=1e-9)
    assert found["block.cold"].largest_v == pytest.approx(4.5, rel=1e-9)
    t = np.arange(round(0.4 * 192000)) / 192000.0
    wave = np.zeros_like(t)
    for note in (40, 47, 52):  # MIDI numbers: 440 Hz 2^((note - 69)/12), ISO 16
        hertz = round(440.0 * 2.0 ** ((note - 69) / 12.0), 2)
        for n in range(1, 13):
            wave += np.sin(2.0 * math.pi * n * hertz * t) / n
    wave *= (1.0 - np.exp(-t / 0.002)) * np.exp(-t / 0.5)
    wave *= 2.0 / np.abs(wave).max()
    blocks = (wave.reshape(-1, 9600) ** 2).mean(axis=1)
    gain = 1e6 / (1e6 + 100.0)
    assert found["load.resistance"].watts == pytest.approx(gain**2 * blocks.max() / 1e6, rel=1e-6)
    load = found["load.resistance"]
    assert load.largest_v == pytest.approx(2.0 * gain, rel=1e-6)
    assert (load.low_v, load.high_v) == pytest.approx(
        (gain * wave.min(), gain * wave.max()), rel=1e-6
    )


def test_ratings(played):
    """Twice 0.2025 W is next below 1/2 W; 1.2 times 9 V next below 16 V; pieces counted."""
    design, found = played
    bill = {i.paths: i for i in bill_of_materials(rated(design, board_parts(design), found))}
    assert bill["block.hot", "block.cold"].rating == "1/2 W"
    assert bill["block.hot", "block.cold"].count == 2
    assert bill["block.through",].rating == "1/8 W"
    held = bill["block.held",]
    assert (held.rating, held.bears, held.tolerance) == ("16 V", "2.88 V", 0.2)


def test_polarity_of_electrolytic_capacitors(played):
    """Plus is the end that rests higher."""
    design, found = played
    held = {r.part.path: r for r in rated(design, board_parts(design), found)}
    assert held["block.held"].polarity == "block.middle"
    assert not held["block.held"].reverses
