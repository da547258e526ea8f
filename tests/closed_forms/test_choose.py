"""Values are chosen as exhaustive arithmetic on closed forms would choose them.

Authority: the loaded RC divider, H = 1 / (1 + R1/Rp + j w R1 C) with Rp = R2 || load, solved for
its gain and its -3 dB point; the unity-gain low-pass of two resistors and two capacitors round a
follower (Sallen and Key, IRE Trans. CT-2, 1955): f0 = 1/(2 pi sqrt(R1 R2 C1 C2)),
Q = sqrt(R1 R2 C1 C2) / (C2 (R1 + R2)), |H(f0)| = Q.
"""

import dataclasses
import itertools
import math

import numpy as np
import pytest

from vadist.designs.toml import parse_design
from vadist.questions import choose as choosing
from vadist.questions import choose_search, measured_places
from vadist.questions.choose import choose
from vadist.questions.choose_values import read_lists
from vadist.questions.wishes import read_wish

LOAD = 1e6
DIVIDER = """
name = "divider"
[[stage]]
name = "rc"
type = "wired"
[stage.parts]
upper = "resistor 10k: source to output"
lower = "resistor 10k: output to ground"
shunt = "capacitor 10n: output to ground"
"""
PARTS = "rc.upper,rc.lower,rc.shunt"


def divider(upper, lower, shunt):
    """Gain far below the corner in dB, and the corner in Hz."""
    parallel = 1.0 / (1.0 / lower + 1.0 / LOAD)
    gain = parallel / (upper + parallel)
    return 20.0 * np.log10(gain), 1.0 / (2.0 * math.pi * upper * gain * shunt)


def distances(values, gain_db, corner_hz):
    """Whether a target is missed, and slacks as documented: the sum beyond one, else of both."""
    gain, corner = divider(*values)
    far = np.stack(
        [np.abs(gain - gain_db) / 0.5, np.abs(np.log(corner / corner_hz)) / np.log(1.05)]
    )
    over = np.maximum(far - 1.0, 0.0).sum(axis=0)
    return over > 1e-9, np.where(over > 1e-9, over, np.hypot(*far))


def wanted(gain_db, corner_hz, design):
    texts = (f"rc gain at 1Hz = {gain_db:.4f}dB", f"rc treble cut = {corner_hz:.5g}Hz")
    return [read_wish(text, design) for text in texts]


def problem_at_random(number):
    """Design, lists, what is asked for, and the least distance that arithmetic finds."""
    random = np.random.default_rng([2718, number])
    design = parse_design(DIVIDER)
    lists = read_lists(design, [PARTS], "E6", "0.2x..5x")
    gain_db = float(f"{random.uniform(-14.0, -1.0):.4f}")
    corner_hz = float(f"{2000.0 * 10.0 ** random.uniform(-0.5, 1.0):.5g}")
    grid = np.meshgrid(*(each.values for each in lists), indexing="ij")
    told = [a.ravel().tolist() for a in distances(grid, gain_db, corner_hz)]
    return design, lists, gain_db, corner_hz, min(zip(*told, strict=True))


def is_best(choice, lists, gain_db, corner_hz, best):
    found = [choice.options[0].design.value(each.path) for each in lists]
    missed, slacks = distances(found, gain_db, corner_hz)
    assert bool(missed) is best[0] is not choice.options[0].met
    assert float(slacks) == pytest.approx(best[1], rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("problem", range(20))
def test_all_combinations_give_what_arithmetic_gives(problem):
    design, lists, gain_db, corner_hz, best = problem_at_random(problem)
    choice = choose(design, wanted(gain_db, corner_hz, design), lists, threads=1)
    assert choice.search.exhaustive
    is_best(choice, lists, gain_db, corner_hz, best)


@pytest.mark.parametrize("problem", range(6))
def test_the_search_finds_what_arithmetic_over_all_combinations_finds(problem):
    design, lists, gain_db, corner_hz, best = problem_at_random(problem)
    choice = choose(design, wanted(gain_db, corner_hz, design), lists, most=1, seeds=2, threads=1)
    assert not choice.search.exhaustive
    is_best(choice, lists, gain_db, corner_hz, best)


SECOND_ORDER = """
name = "second-order low-pass"
[source]
rests_at = "bias"
[[stage]]
name = "filter"
type = "wired"
[stage.parts]
r1 = "resistor 10k: source to middle"
r2 = "resistor 10k: middle to plus"
c1 = "capacitor 10n: middle to output"
c2 = "capacitor 10n: plus to bias"
opamp = "opamp TL072: plus to plus, minus to output, output to output"
"""


def test_a_second_order_filter_comes_out_at_the_frequency_and_q_of_its_closed_form():
    f0_hz, q = 1e3, 1.0
    # |D|^2 = u^2 + (1/Q^2 - 2) u + 1 with u = (f/f0)^2 is least 1/Q^2 - 1/(4 Q^4); -3 dB at twice.
    b, least = 1.0 / q**2 - 2.0, 1.0 / q**2 - 1.0 / (4.0 * q**4)
    cut_hz = f0_hz * math.sqrt(0.5 * (-b + math.sqrt(b * b - 4.0 * (1.0 - 2.0 * least))))
    design = parse_design(SECOND_ORDER)
    wishes = [
        read_wish(f"filter gain at {f0_hz:g}Hz = {20.0 * math.log10(q):g}dB +-0.2dB", design),
        read_wish(f"filter treble cut = {cut_hz:.5g}Hz +-2%", design),
    ]
    lists = read_lists(design, ["filter.r1,filter.r2", "filter.c1,filter.c2"], "E12")
    choice = choose(design, wishes, lists, seeds=1, threads=1)
    assert choice.search.combinations == 25**4
    assert not choice.search.exhaustive
    best = choice.options[0]
    r1, r2, c1, c2 = (best.design.value(f"filter.{part}") for part in ("r1", "r2", "c1", "c2"))
    root = math.sqrt(r1 * r2 * c1 * c2)
    assert best.met
    # At Q = 1 d ln f3 = d ln f0 + 0.15 d ln Q and d ln |H(f0)| = d ln f0 + d ln Q: wishes met
    # within 2 % and 0.2 dB (2.3 %) leave f0 within 2.8 % and Q within 5.1 %.
    assert 1.0 / (2.0 * math.pi * root) == pytest.approx(f0_hz, rel=0.028)
    assert root / (c2 * (r1 + r2)) == pytest.approx(q, rel=0.051)


def test_all_combinations_and_the_search_agree():
    design = parse_design(DIVIDER)
    lists = read_lists(design, ["rc.upper,rc.shunt"], "E6", "0.2x..5x")
    wishes = wanted(-8.0, 3e3, design)
    every = choose(design, wishes, lists, threads=1)
    found = choose(design, wishes, lists, most=1, threads=1)
    assert every.search.exhaustive
    assert every.measured == every.search.combinations == 81
    assert found.options[0] == every.options[0]
    assert found.search.agreeing == found.search.seeds


def test_a_wish_that_no_value_meets_is_told_with_the_nearest():
    """With R2 = 10k the least R1 of the list, 10k/5 = 2k2, leaves 20 log(9k9 / 12k1) = -1.74 dB."""
    design = parse_design(DIVIDER)
    lists = read_lists(design, ["rc.upper,rc.shunt"], "E6", "0.2x..5x")
    wishes = [read_wish("rc gain at 1Hz > -1dB", design), read_wish("rc treble cut < 4kHz", design)]
    choice = choose(design, wishes, lists, threads=1)
    (reach,) = choice.out_of_reach
    assert (choice.met, choice.conflicts, reach.wish) == (0, (), wishes[0])
    assert reach.changes[0] == ("rc.upper", "2k2")
    assert reach.value == pytest.approx(float(divider(2200.0, 1e4, 1e-8)[0]), abs=1e-3)
    assert dict(choice.options[0].changes)["rc.shunt"] != "2n2"  # the other wish is still looked at


@pytest.mark.parametrize("most", [1000, 1])
def test_wishes_that_exclude_each_other_are_told_as_a_pair(most):
    """With f = 1 / (2 pi (R1 || R2 || load) C) and R1 alone to vary, the gain fixes the corner."""
    design = parse_design(DIVIDER)
    lists = read_lists(design, ["rc.upper"], "E12", "0.2x..5x")
    wishes = [
        read_wish("rc gain at 1Hz > -4dB", design),
        read_wish("rc treble cut < 2.5kHz", design),
    ]
    choice = choose(design, wishes, lists, most=most, threads=1)
    assert (choice.met, choice.out_of_reach) == (0, ())
    assert [(r.given, r.wish) for r in choice.conflicts] == [
        (wishes[0], wishes[1]), (wishes[1], wishes[0]),
    ]  # fmt: skip
    table = [(*divider(value, 1e4, 1e-8), value) for value in lists[0].values]
    lowest = min(corner for gain, corner, _ in table if gain > -4.0)
    loudest = max(gain for gain, corner, _ in table if corner < 2500.0)
    assert choice.conflicts[0].value == pytest.approx(lowest, rel=1e-3)
    assert choice.conflicts[1].value == pytest.approx(loudest, abs=1e-3)


def test_a_pair_is_looked_for_before_it_is_called_a_conflict(monkeypatch):
    """Searches that met each wish alone, by their luck, do not make a conflict of the two."""
    design = parse_design(DIVIDER)
    lists = read_lists(design, [PARTS], "E6", "0.2x..5x")
    grid = np.meshgrid(*(each.values for each in lists), indexing="ij")
    gain_db, corner_hz = divider(4700.0, 33000.0, 3.3e-9)
    gain, corner = divider(*grid)
    loud = np.abs(gain - gain_db) < 0.4
    cut = np.abs(np.log(corner / corner_hz)) < 0.04
    neither, first, second = (
        tuple(int(k) for k in np.argwhere(where)[0])
        for where in (~loud & ~cut, loud & ~cut, ~loud & cut)
    )
    lucky = [neither, first, second]

    def searched(sizes, score, most, **options):
        if lucky:
            here = lucky.pop(0)
            return choose_search.Search(here, float(score([here])[0]), 729, exhaustive=False)
        return choose_search.search(sizes, score, most, **options)

    monkeypatch.setattr(choosing, "search", searched)
    choice = choose(design, wanted(gain_db, corner_hz, design), lists, most=10, threads=1)
    assert not lucky
    assert (choice.conflicts, choice.out_of_reach) == ((), ())
    assert choice.met >= 1


def test_an_interrupted_choice_keeps_what_was_measured(monkeypatch):
    design = parse_design(DIVIDER)
    lists = read_lists(design, ["rc.upper,rc.shunt"], "E24", "0.2x..5x")
    wishes = wanted(-8.0, 3e3, design)
    measure, calls = measured_places.measure_population, []

    def stopped_in_the_third(designs, figures, **options):
        calls.append(len(designs))
        table = measure(designs, figures, **options)
        if len(calls) < 3:
            return table
        return dataclasses.replace(table, values=table.values[:7], boards=table.boards[:7])

    monkeypatch.setattr(measured_places, "measure_population", stopped_in_the_third)
    choice = choose(design, wishes, lists, threads=1)
    assert choice.search.interrupted
    assert choice.measured == sum(calls[:2]) + 7 < choice.search.combinations
    places = itertools.islice(itertools.product(*(each.values for each in lists)), choice.measured)
    best = min(tuple(float(v) for v in distances((r1, 1e4, c), -8.0, 3e3)) for r1, c in places)
    upper, shunt = (choice.options[0].design.value(f"rc.{part}") for part in ("upper", "shunt"))
    assert float(distances((upper, 1e4, shunt), -8.0, 3e3)[1]) == pytest.approx(best[1], rel=1e-3)


def test_aspirations_pull_apart_and_are_told():
    """The loudest divider has the least R1, the lowest corner the largest: not one choice."""
    design = parse_design(DIVIDER)
    lists = read_lists(design, ["rc.upper"], "E12", "0.2x..5x")
    wishes = [read_wish("rc gain at 1Hz high", design), read_wish("rc treble cut low", design)]
    choice = choose(design, wishes, lists, threads=1)
    told = {str(r.wish): r for r in choice.conflicts}
    best = {"rc gain at 1Hz high": "2k2", "rc treble cut low": "47k"}
    assert told
    assert all(reach.changes == (("rc.upper", best[name]),) for name, reach in told.items())
    alone = choose(design, wishes[:1], lists, threads=1)
    assert alone.options[0].changes == (("rc.upper", "2k2"),)
    assert alone.conflicts == ()
