"""A population says of each board what the board alone says, whoever its neighbours are.

Authority: the analysis of a single design (:mod:`vadist.analysis`, :mod:`vadist.large_signal`),
which has authorities of its own. Tolerances: 1e-10 for two orders of the same floating-point
operations; 1e-8 for corners, which modes find, modes being checked to 1e-9 of the response.
"""

import numpy as np
import pytest

from vadist import load_design
from vadist.analysis.chain_response import decibels, node_responses, solve_design, stage_responses
from vadist.analysis.crossings import find_crossings
from vadist.analysis.noise import find_noise
from vadist.analysis.resting import resting_stages, supply_current
from vadist.designs.files import parse_design, preset_names
from vadist.errors import DesignError
from vadist.large_signal.headroom import headroom_ladder
from vadist.large_signal.steady_sine import steady_sines
from vadist.population import dc_stack, responses, work
from vadist.population.boards import Boards, with_values
from vadist.population.figure_names import CORNERS, Figure, parse_figure, rest_nodes
from vadist.population.measure import measure
from vadist.population.responses import solved_responses
from vadist.population.solved import solve_stack
from vadist.population.stacks import alike
from vadist.population.work import measure_population

COILS_AND_ISLANDS = """
name = "a pickup into capacitors in series"
[source]
resistance = "6k2"
inductance = "2.2H"
coil_capacitance = "110p"
cable_capacitance = "470p"
[[stage]]
name = "divider"
type = "wired"
[stage.parts]
first = "capacitor 10n: source to middle"
second = "capacitor 22n: middle to output"
leg = "capacitor 3n3: middle to supply"
load = "resistor 1M: output to ground"
[[stage]]
name = "boost"
type = "transistor_boost"
input_capacitor = "100n"
feedback_resistor = "330k"
collector_resistor = "6k8"
emitter_resistor = "270R"
base_resistor = "4k7"
[stage.transistor]
name = "inline"
saturation_current = "20fA"
forward_beta = 300
reverse_beta = 1
base_collector_capacitance = "220p"
transit_time = "2ns"
"""


def varied(design, count, percent=4.0):
    """Boards whose resistors and capacitors lie anywhere within some per cent."""
    paths = tuple(
        p for p in design.paths
        if "." in p and design.field_info(p).kind == "part" and design.value(p)
    )  # fmt: skip
    rng = np.random.default_rng(7)
    factors = 1.0 + percent / 100.0 * rng.uniform(-1.0, 1.0, (count, len(paths)))
    return Boards(design, paths, factors * [design.value(p) for p in paths])


def small_signal_figures(design):
    places = ["", *design.stages]
    found = [Figure(place, kind) for place in places for kind in CORNERS]
    found += [Figure(place, "gain", hertz) for place in places for hertz in (82.0, 1e3)]
    inner = [node for node in rest_nodes(design) if "." in node]
    return found + [Figure(place, "rest") for place in (*design.stages, *inner)]


class Alone:
    """The same figures by the analysis of one design."""

    def __init__(self, design):
        self.solved = solve_design(design)
        self.corners = find_crossings(self.solved)
        self.stages = stage_responses(self.solved, [82.0, 1e3])
        self.whole = node_responses(self.solved, [82.0, 1e3])[design.output]

    def figure(self, figure):
        if figure.kind == "rest":
            stages = self.solved.stage_nodes
            return self.solved.node_v[stages.get(figure.place, figure.place)]
        if figure.kind == "gain":
            response = self.stages[figure.place] if figure.place else self.whole
            return decibels(response)[int(figure.at == 1e3)]
        found = [c for c in self.corners if (c.stage, c.kind) == (figure.place, figure.kind)]
        return found[0].frequency_hz if found else np.nan


@pytest.mark.parametrize("name", ["boosted_hard_clipper", "fet_pnp_clipper", "coils"])
def test_boards_measured_together_are_what_each_is_alone(name):
    design = parse_design(COILS_AND_ISLANDS) if name == "coils" else load_design(name)
    figures = small_signal_figures(design)
    boards = varied(design, 3)
    table = measure(boards, figures)
    assert not table.faults
    alone = Alone(boards[0])
    for k, figure in enumerate(figures):
        wanted = alone.figure(figure)
        rel = 1e-8 if figure.kind in CORNERS else 1e-10
        assert table.values[0, k] == pytest.approx(wanted, rel=rel, abs=1e-9, nan_ok=True), figure


def test_a_board_s_sections_are_those_it_is_cut_into_alone():
    boards = varied(load_design("boosted_hard_clipper"), 2)
    solved = solve_stack(list(boards), [board.network() for board in boards])
    pairs = zip(solved.board(1).sections, solve_design(boards[1]).sections, strict=True)
    for (found, _), (wanted, _) in pairs:
        assert found.devices == wanted.devices
        for name in ("conductance", "conductance_known", "drawn", "rail_volts", "control"):
            assert getattr(found, name) == pytest.approx(getattr(wanted, name), rel=1e-14), name
        for name in ("resistors", "capacitors", "inductors"):
            ours, theirs = getattr(found, name), getattr(wanted, name)
            assert ours.parts == theirs.parts
            assert np.array_equal(ours.values, theirs.values)


def test_figures_of_one_board_at_a_time():
    design = load_design("treble_boost")
    boards = varied(design, 2)
    names = ("noise", "input noise", "supply current", "boost.transistor Ic",
             "THD at 100mV", "boost level at 100mV", "1 % level", "boost 1 % level")  # fmt: skip
    table = measure(boards, [parse_figure(name, design) for name in names])
    solved = solve_design(boards[1])
    noise, sines = find_noise(solved), steady_sines(solved, 220.0, [0.1])
    low, high = sines.peaks("boost")
    ladder = headroom_ladder(solved, 220.0)
    rest = resting_stages(solved)["boost"]
    rung = next(limit for limit in ladder.limits if limit.stage == "boost")
    exact = (noise.output_v, noise.input_v, supply_current(solved).total_a,
             rest.devices[0].figures["Ic"][0])  # fmt: skip
    assert table.values[1, :4] == pytest.approx(exact, rel=1e-10)
    # A settled sine is told within 0.1 %; limits are searched as they are alone.
    heard = 100.0 * sines.distortion(tuple(design.stages)[-1])[0], (high[0] - low[0]) / 2.0
    assert table.values[1, 4:6] == pytest.approx(heard, rel=1e-3)
    assert table.values[1, 6:] == pytest.approx((ladder.output_input_v, rung.input_v), rel=1e-9)


def test_a_row_has_the_same_bits_in_any_company(monkeypatch):
    """Alone, in a crowd, among other structures, on one thread or three."""
    design, other = load_design("boosted_hard_clipper"), load_design("treble_boost")
    figures = [parse_figure(t, design) for t in ("gain at 1kHz", "bass cut", "supply current")]
    boards = varied(design, 9)
    monkeypatch.setattr(work, "PIECE", 4)
    crowd = measure_population(boards, figures, threads=1).values
    assert np.array_equal(crowd, measure_population(boards, figures, threads=3).values)
    assert np.array_equal(crowd[5:6], measure([boards[5]], figures).values)
    mixed = measure([other, boards[5], other, boards[6]], figures).values
    assert np.array_equal(crowd[5:7], mixed[1::2])
    assert np.array_equal(mixed[0], mixed[2])


def test_boards_that_newton_does_not_settle_are_solved_alone(monkeypatch):
    design = load_design("boosted_hard_clipper")
    figures, boards = [Figure("boost", "rest"), Figure("", "gain", 1e3)], varied(design, 3)
    together = measure(boards, figures).values
    monkeypatch.setattr(dc_stack, "DIRECT_STEPS", 3)
    assert measure(boards, figures).values == pytest.approx(together, rel=1e-9)


def test_boards_whose_modes_are_inexact_are_solved_frequency_by_frequency(monkeypatch):
    design = load_design("treble_boost")
    figures, boards = [Figure("", "bass cut"), Figure("", "treble cut")], varied(design, 2)
    by_modes = measure(boards, figures).values
    monkeypatch.setattr(responses, "LARGEST_DIFFERENCE", 0.0)
    assert measure(boards, figures).values == pytest.approx(by_modes, rel=1e-8)


@pytest.mark.parametrize("name", preset_names())
def test_modes_are_exact_enough_for_every_preset(name, monkeypatch):
    """Frequency by frequency nothing is solved but what checks them, five a board."""
    counts = []

    def counted(*arguments):
        solve = solved_responses(*arguments)

        def found(frequencies_hz):
            counts.append(frequencies_hz.shape[1])
            return solve(frequencies_hz)

        return found

    monkeypatch.setattr(responses, "solved_responses", counted)
    design = load_design(name)
    measure([design], [Figure(place, "bass cut") for place in ("", *design.stages)])
    assert set(counts) == {5}


def test_a_board_without_a_solution_is_told_and_spoils_no_other(monkeypatch):
    design = load_design("boosted_hard_clipper")
    # 5 V of supply behind 2 kohm sink to where the op-amp has nothing left to swing.
    starved = [with_values(design, ("supply.resistance", "supply.volts"), (ohm, 5.0))
               for ohm in (1.0, 2.0, 3e3, 3.0)]  # fmt: skip
    figures = [Figure("boost", "rest"), Figure("", "bass cut")]
    monkeypatch.setattr(work, "PIECE", 2)
    table = measure_population(starved, figures)
    assert list(table.faults) == [2]
    assert "needs more than" in table.faults[2]
    assert np.isnan(table.values[2]).all()
    others = [0, 1, 3]
    assert np.array_equal(table.values[others], measure([starved[k] for k in others],
                                                        figures).values)  # fmt: skip


def test_a_design_that_makes_no_network_is_told_by_its_number():
    """And the others are grouped by what they are made of."""
    one, other = load_design("treble_boost"), load_design("soft_clipper")

    class Broken:
        def network(self):
            raise DesignError("no way from input to output")

    groups, faults = alike([one, other, Broken(), one.with_value("level", 0.5)])
    assert [[number for number, _ in group] for group in groups] == [[0, 3], [1]]
    assert faults == {2: "no way from input to output"}


def test_an_interrupt_keeps_what_is_done(monkeypatch):
    design = load_design("treble_boost")
    boards, figures = varied(design, 12), [Figure("boost", "rest")]
    monkeypatch.setattr(work, "PIECE", 2)

    def impatient(done: float) -> None:
        if done >= 0.5:
            raise KeyboardInterrupt

    table = measure_population(boards, figures, threads=1, progress=impatient)
    assert 6 <= len(table) < 12
    whole = measure_population(boards, figures).values
    assert np.array_equal(table.values, whole[table.boards])


def test_values_set_at_once_are_those_set_one_by_one():
    design = load_design("boosted_hard_clipper")
    values = {
        "boost.collector_resistor": 5.1e3, "blend.blend_pot": 9e4, "supply.volts": 8.8,
        "boost.transistor.forward_beta": 250.0, "boost.transistor.saturation_current": 5e-15,
        "clipper.diodes.forward.saturation_current": 1e-8, "ambient.temperature": 30.0,
    }  # fmt: skip
    one_by_one = design
    for path, value in values.items():
        one_by_one = one_by_one.with_value(path, value)
    assert with_values(design, tuple(values), tuple(values.values())) == one_by_one
