"""Texts become candidates as documented, and what cannot be tried is told in one line.

Authority: the documented notation; IEC 60063 for neighbours (E6 1.0 1.5 2.2 3.3 4.7 6.8, E12 with
1.2 1.8 2.7 3.9 5.6 8.2 between them).
"""

import pytest

from vadist.audition.candidates import Candidate, check_candidates, make_candidates, split_values
from vadist.designs.files import load_design
from vadist.errors import DesignError, UsageError

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
