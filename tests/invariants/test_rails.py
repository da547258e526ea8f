"""How a network falls apart, or does not, at its rails.

Authority: a stiff rail cuts, a rail that moves does not, and one that is torn cuts again: the same
parts then stand together as on a stiff rail.
"""

import numpy as np
import pytest

from vadist.analysis.chain_response import solve_design
from vadist.analysis.corners import find_corners
from vadist.circuits.sections import Section, split_into_sections
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.parts import find_opamp

STIFF = load_design("boosted_hard_clipper").with_value("supply.bias", 0.5)
# Wanted 0.2 mA: 47k and 47k; wanted 1 Hz: 1/(2 pi 23k5 1 Hz) = 6.8 uF.
DIVIDED = STIFF.with_value("supply.bias_upper", 47e3).with_value("supply.bias_capacitor", 6.8e-6)
# Wanted half a volt less under the 3 mA it draws.
TIRED = STIFF.with_value("supply.resistance", 180.0)


def parts(sections: list[Section]) -> list[set[str]]:
    return [set(section.parts) for section in sections]


def sections(design: Design, torn: tuple[str, ...] = ()) -> list[Section]:
    return split_into_sections(design.network(), torn)


@pytest.mark.parametrize(
    ("design", "rail", "own"),
    [
        (DIVIDED, "bias", {"supply.bias_upper", "supply.bias_lower", "supply.bias_capacitor"}),
        (TIRED, "supply", {"supply.resistance"}),
    ],
)
def test_a_torn_rail_is_a_signal_of_the_sections_of_a_stiff_one(design, rail, own) -> None:
    (together,) = sections(design)
    apart = sections(design, torn=(rail,))
    assert design.network().moving_rails == (rail,)
    assert rail in together.unknowns
    assert together.signals == ("input",)
    assert parts(apart) == parts(sections(STIFF))
    assert set(together.parts) == set.union(*parts(apart)) | own
    assert all(rail not in section.unknowns for section in apart)
    assert {rail in section.signals for section in apart} == {True}
    # Nothing of what a part does is lost: conductances add up to those of the whole.
    whole = np.abs(together.conductance).sum()
    assert 0.0 < sum(np.abs(section.conductance).sum() for section in apart) < whole


@pytest.mark.parametrize(("design", "rail"), [(DIVIDED, "bias"), (TIRED, "supply")])
def test_torn_sections_rest_where_the_whole_rests(design, rail) -> None:
    """Same volts, currents and slopes at every device, within the rounding of the laws."""
    solved = solve_design(design)
    ((together, at),) = solved.sections
    apart = solved.torn((rail,))
    for values in ("control_v", "port_a", "slopes"):
        whole = np.sort(np.ravel(getattr(at, values)))
        found = np.sort(np.concatenate([np.ravel(getattr(point, values)) for _, point in apart]))
        whole, found = whole[whole != 0.0], found[found != 0.0]
        assert found == pytest.approx(whole, rel=1e-6, abs=1e-15), values
    assert sum(len(section.unknowns) for section, _ in apart) == len(together.unknowns) - 1


def test_poles_and_zeros_are_those_of_the_blocks_on_a_stiff_rail() -> None:
    """Within 1 %: the rail rests some millivolts lower."""
    roots = [
        [(r.kind, r.frequency_hz) for r in find_corners(solve_design(d)).roots]
        for d in (STIFF, DIVIDED)
    ]
    assert [kind for kind, _ in roots[0]] == [kind for kind, _ in roots[1]]
    assert [hz for _, hz in roots[1]] == pytest.approx([hz for _, hz in roots[0]], rel=0.01)


def test_stiff_rails_are_no_signals_and_no_unknowns() -> None:
    network = STIFF.network()
    assert network.moving_rails == ()
    assert {d.kind for d in network.devices} == {"transistor", "opamp", "diodes"}
    for section in split_into_sections(network):
        assert section.rails == ("ground", "supply", "bias")
        assert not {"supply", "bias"} & {*section.unknowns, *section.signals}
        assert not section.drawn.any()


def test_behind_a_follower_the_bias_rail_cuts() -> None:
    """It is an op-amp's output: a signal that the input never moves."""
    design = DIVIDED.with_value("supply.bias_buffer", find_opamp("TL072"))
    assert design.network().moving_rails == ()
    first, second, *rest = sections(design)
    assert (first.unknowns, first.signals) == (("supply.divider",), ())
    assert second.owned_nodes == ("bias",)
    assert parts(rest) == parts(sections(STIFF))
    assert all("bias" in section.signals for section in rest)


def test_a_rail_without_resistance_is_a_stiff_one() -> None:
    """Down to the last digit of every resting volt."""
    none = TIRED.with_value("supply.resistance", 0.0)
    assert none.network() == STIFF.network()
    assert solve_design(none).node_v == solve_design(STIFF).node_v


def test_a_rail_of_next_to_nothing_rests_as_a_stiff_one() -> None:
    """A milliohm drops 3 uV at 3 mA; no node moves by more than the supply does, within ten."""
    near = TIRED.with_value("supply.resistance", 1e-3)
    a, b = solve_design(near).node_v, solve_design(STIFF).node_v
    assert max(abs(a[node] - b[node]) for node in b) < 3e-5
