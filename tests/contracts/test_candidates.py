"""Texts become candidates as documented, and what cannot be tried is told in one line.

Authority: the documented notation; IEC 60063 for neighbours (E6 1.0 1.5 2.2 3.3 4.7 6.8, E12 with
1.2 1.8 2.7 3.9 5.6 8.2 between them); the geometric series for ranges; the library's own tables.
"""

import pytest

from vadist.audition.candidates import Candidate, check_candidates, make_candidates
from vadist.designs.files import load_design
from vadist.designs.trials import split_values
from vadist.errors import DesignError, UsageError
from vadist.parts import DIODES, TRANSISTORS

CAPACITOR = "clipper.shunt_capacitor"


@pytest.fixture(scope="module")
def design():
    return load_design("boosted_hard_clipper")


def names(candidates: list[Candidate]) -> list[str]:
    return [candidate.name for candidate in candidates]


def test_each_value_changes_one_thing(design):
    made = make_candidates(design, [f"{CAPACITOR}=4n7,22n", "tone=0,1"])
    assert names(made) == [f"{CAPACITOR}=4n7", f"{CAPACITOR}=22n", "tone=0", "tone=1"]
    assert made[0].design == design.with_value(CAPACITOR, 4.7e-9)
    assert made[3].design.value("tone") == 1.0
    assert made[3].design.value(CAPACITOR) == design.value(CAPACITOR)
    assert made[0].changes == ((CAPACITOR, "4n7"),)


def test_combined_trials_give_every_combination(design):
    made = make_candidates(design, [f"{CAPACITOR}=4n7,22n", "tone=0,0.5,1"], combine=True)
    assert len(made) == 6
    assert made[-1].name == f"{CAPACITOR}=22n, tone=1"
    assert (made[-1].design.value(CAPACITOR), made[-1].design.value("tone")) == (22e-9, 1.0)


def test_part_types_and_tables_are_values(design):
    text = 'clipper.diodes=1N34A, red LED,{type = "1N4148", count = 2}'
    made = make_candidates(design, [text])
    assert [c.design.value("clipper.diodes").forward.model.name for c in made] == [
        "1N34A", "red LED", "1N4148",
    ]  # fmt: skip
    assert made[2].design.value("clipper.diodes").reverse.count == 2


@pytest.mark.parametrize(
    ("held", "series", "around", "expected"),
    [
        (15e-9, "E12", 1, [12e-9, 18e-9]),
        (15e-9, "E6", 2, [6.8e-9, 10e-9, 22e-9, 33e-9]),
        (14.5e-9, "E12", 1, [12e-9, 15e-9, 18e-9]),  # no preferred value: the nearest counts too
    ],
)
def test_neighbours_of_a_part(design, held, series, around, expected):
    base = design.with_value(CAPACITOR, held)
    made = make_candidates(base, [CAPACITOR], e_series=series, around=around)
    assert [c.design.value(CAPACITOR) for c in made] == expected


def test_a_star_stands_for_every_other_type_of_the_same_polarity(design):
    made = make_candidates(design, ["boost.transistor=*"])
    npn = {n for n, m in TRANSISTORS.items() if m.polarity == "npn"}
    assert {c.design.value("boost.transistor").name for c in made} == npn - {"2N3904"}
    assert made[0].name == f"boost.transistor={made[0].design.value('boost.transistor').name}"


def test_a_star_keeps_the_numbers_of_diodes():
    base = load_design("asymmetric_clipper")
    made = make_candidates(base, ["clipper.diodes=*"])
    assert len(made) == len(DIODES) - 1
    for candidate in made:
        pair = candidate.design.value("clipper.diodes")
        assert (pair.forward.count, pair.reverse.count) == (2, 1)
        ((path, text),) = candidate.changes
        assert base.with_value(path, text) == candidate.design  # what is told can be typed


def test_a_range_is_even_by_ratio_and_leaves_out_what_is_held(design):
    made = make_candidates(design, [f"{CAPACITOR}=0.5x..2x:7"])
    got = [c.design.value(CAPACITOR) for c in made]
    wanted = [15e-9 * 2.0 ** (k / 3.0) for k in (-3, -2, -1, 1, 2, 3)]
    assert got == pytest.approx(wanted, rel=5e-3)  # told with three figures
    assert [float(f"{v:.3g}") for v in got] == got


def test_a_range_keeps_to_a_series(design):
    made = make_candidates(design, [f"{CAPACITOR}=0.5x..2x:7"], e_series="E6")
    assert [c.design.value(CAPACITOR) for c in made] == [6.8e-9, 10e-9, 22e-9, 33e-9]


def test_ranges_of_knobs_and_tracks(design):
    made = make_candidates(design, ["tone=0..1:5", "gain.drive_pot=50k..200k:3"])
    assert names(made)[:4] == ["tone=0", "tone=0.25", "tone=0.75", "tone=1"]
    assert names(made)[4:] == ["gain.drive_pot=50k", "gain.drive_pot=200k"]
    held = design.value("gain.drive_pot")
    assert made[4].design.value("gain.drive_pot").wiper == held.wiper


def test_whole_designs_join_as_they_are(design):
    soft = load_design("soft_clipper")
    made = make_candidates(design, ["tone=0"], [soft, soft])
    assert names(made)[1:] == [soft.name, f"{soft.name} (2)"]
    assert made[1].design is soft


def test_commas_inside_tables_and_quotes_do_not_split():
    assert split_values("a, {b = 1, c = [1, 2]},'d,e'") == ["a", "{b = 1, c = [1, 2]}", "'d,e'"]


@pytest.mark.parametrize(
    ("trials", "message"),
    [
        (["cliper.shunt_capacitor=4n7"], "unknown value 'cliper.shunt_capacitor'; did you mean"),
        ([f"{CAPACITOR}=4k7"], f"^{CAPACITOR} must be a capacitance"),
        ([f"{CAPACITOR}=10"], f"^{CAPACITOR}: shunt_capacitor must be within"),
        ([f"{CAPACITOR}=-4n7"], f"^{CAPACITOR}: shunt_capacitor must be within"),
        (["tone=1.5"], "^tone: position must be within 0..1"),
        (["clipper.diodes=1N4149"], "nearest: 1N4148"),
        ([f"{CAPACITOR}=4n7,,10n"], f"{CAPACITOR} value 2 of 3 is empty"),
        (["tone=*"], "^tone is no device, so the library has no other types"),
        (["volume.input_capacitor=*"], "is no device"),
        ([f"{CAPACITOR}=0.5x..2x"], r"needs a count of values within 2\.\.1000 .*got none"),
        ([f"{CAPACITOR}=0.5x..2x:1"], "needs a count of values"),
        ([f"{CAPACITOR}=2x..0.5x:5"], "must run from the smaller to the larger"),
        ([f"{CAPACITOR}=0x..2x:5"], "a share must be above 0"),
        ([f"{CAPACITOR}=4k7..10k:5"], f"^{CAPACITOR} must be a capacitance"),
        (["tone=0.5x..2x:5"], r"tone is told by its own values, like 0\.\.1:5"),
        (["source.inductance=0.5x..2x:5"], "is left out or zero, so it has no share 0.5x"),
        ([CAPACITOR], "needs values to try, like .* or a series such as E12"),
    ],
)
def test_what_cannot_be_tried_is_refused(design, trials, message):
    with pytest.raises(DesignError, match=message) as caught:
        make_candidates(design, trials)
    assert "\n" not in str(caught.value)


def test_all_faults_are_told_a_line_each(design):
    with pytest.raises(DesignError) as caught:
        make_candidates(design, ["tone=2", "nonsense=1", f"{CAPACITOR}=4n7"])
    assert len(str(caught.value).splitlines()) == 2


@pytest.mark.parametrize(
    "path", ["tone", "clipper.diodes", "gain.drive_pot", "clipper.input_capacitor"]
)
def test_what_has_no_neighbours(design, path):
    with pytest.raises(DesignError, match=f"{path} .* has no neighbours in E12"):
        make_candidates(design, [path], e_series="E12")


def test_none_is_refused(design):
    with pytest.raises(UsageError, match=r"^nothing to compare: name values to try"):
        make_candidates(design)


@pytest.mark.parametrize("combine", [False, True])
def test_two_hundred_are_refused(design, combine):
    many = ",".join(f"{k / 199:.4f}" for k in range(200))
    with pytest.raises(UsageError, match=r"^too many candidates: at most 64 \(got 200\)"):
        make_candidates(design, [f"tone={many}"], combine=combine)


def test_sixty_four_are_not_refused(design):
    many = ",".join(f"{k / 63:.4f}" for k in range(64))
    assert len(make_candidates(design, [f"tone={many}"])) == 64


def test_a_combination_is_counted_before_it_is_built(design):
    trials = [f"{name}=" + ",".join(["0.5"] * 1000) for name in ("tone", "drive", "level")]
    with pytest.raises(UsageError, match="got 1000000000"):
        make_candidates(design, trials, combine=True)


def test_a_value_twice_is_refused(design):
    with pytest.raises(UsageError, match="tone=0: is to be tried twice"):
        make_candidates(design, ["tone=0,1", "tone=0"])


def test_a_path_cannot_be_combined_with_itself(design):
    with pytest.raises(UsageError, match="tone: cannot be combined with itself"):
        make_candidates(design, ["tone=0", "tone=1"], combine=True)


def test_neighbours_each_way_have_bounds(design):
    with pytest.raises(UsageError, match=r"within 1\.\.16 \(got 0\)"):
        make_candidates(design, [CAPACITOR], e_series="E12", around=0)


def test_candidates_made_by_hand_need_names_of_their_own(design):
    with pytest.raises(UsageError, match="same: two candidates have this name"):
        check_candidates([Candidate("same", design), Candidate("same", design)])
