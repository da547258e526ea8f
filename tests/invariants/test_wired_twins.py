"""A built-in stage and the same circuit as a wiring list are one: bit for bit.

Authority: the built-in stages, whose behaviour the other folders hold against something outside.
The lists are written by hand in ``wired_twins``.
"""

import numpy as np
import pytest
from example_circuits import every_stage
from wired_twins import LISTS

from vadist.designs.design import Design
from vadist.designs.files import parse_design, write_design
from vadist.rendering.arrays import render
from vadist.stages import STAGES
from vadist.stages.listing import example_of, wiring_of

RATE = 48_000


def twin(kind: str) -> Design:
    """The wiring list as a design of one stage that is called as its built-in twin."""
    rests = 'source = {rests_at = "bias"}' if every_stage()[kind].driven_at_bias else ""
    return parse_design(
        f'name = "twin"\n{rests}\n[[stage]]\nname = "stage"\ntype = "wired"\n[stage.parts]\n'
        + LISTS[kind]
    )


def built(kind: str) -> Design:
    stage = every_stage()[kind]
    return Design("built", {"stage": stage}, input_at_bias=stage.driven_at_bias)


@pytest.mark.parametrize("kind", list(STAGES))
def test_the_network_is_the_same(kind: str) -> None:
    """Every element, node and parameter, in the same order."""
    assert twin(kind).network() == built(kind).network()


def test_all_eight_in_a_row_render_alike() -> None:
    kinds = ("feedback_clipper", "diode_clipper", "tone_blend", "emitter_follower",
             "coupling_high_pass", "opamp_gain", "transistor_boost", "level_control")  # fmt: skip
    assert set(kinds) == set(STAGES)
    built_in = Design("row", {kind: every_stage()[kind] for kind in kinds}, input_at_bias=True)
    listed = Design("row", {kind: twin(kind).stages["stage"] for kind in kinds}, input_at_bias=True)
    t = np.arange(600) / RATE
    take = 0.1 * np.sin(2.0 * np.pi * 330.0 * t) * np.minimum(t * 1e3, 1.0)
    one, other = (render(design, take, RATE).volts for design in (built_in, listed))
    assert np.abs(one - one[0]).max() > 1e-2
    assert one.tobytes() == other.tobytes()


@pytest.mark.parametrize("kind", list(STAGES))
def test_a_stage_lists_itself(kind: str) -> None:
    """What ``vadist stages`` tells of the wiring is what stands in the hand-written lists."""

    def told(wiring):
        return [(part.name, part.kind, part.connections) for part in wiring.parts]

    assert told(wiring_of(every_stage()[kind])) == told(twin(kind).stages["stage"].wiring)
    listed = {part.name for part in wiring_of(example_of(STAGES[kind])).parts}
    no_parts = {"returns_to", "clamp_returns_to"}
    assert set(STAGES[kind].fields()) - listed <= no_parts


@pytest.mark.parametrize("kind", list(STAGES))
def test_survives_writing(kind: str) -> None:
    assert parse_design(write_design(twin(kind))) == twin(kind)
