"""What the pictures of a design show: levels that limit it, axes that hold something, true words.

Authority: the ladder and the resting limits of the design itself, which pictures and sentences must
not contradict; what a picture's own words promise. The ladder has its authority in
``test_headroom``.
"""

import json
import math
import re

import pytest
from example_circuits import alone, published_clipper
from inspected import inspected

from vadist.analysis.chain_response import solve_design
from vadist.analysis.resting import resting_stages
from vadist.designs.files import load_design, preset_names
from vadist.inspection.figures import HOTTEST_V, LEVEL_V, as_json, inspect_design
from vadist.inspection.text import print_inspection
from vadist.large_signal import headroom
from vadist.large_signal.steady_sine import SineRunner, steady_sines
from vadist.plots import signals
from vadist.plots.style import look
from vadist.stages import STAGES


def told(found, capsys) -> str:
    print_inspection(found)
    return " ".join(capsys.readouterr().out.split())


@pytest.fixture
def boost():
    return inspected("treble_boost")


def test_a_limit_below_the_search_is_told_as_one(capsys, monkeypatch):
    """A clipper that limits at some 0.4 V, searched from 1 V up."""
    monkeypatch.setattr(headroom, "LOWEST_V", 1.0)
    found = inspect_design(alone(published_clipper(None)).design())
    (limit,) = found.ladder.rungs
    assert (limit.below, limit.input_v) == (True, pytest.approx(1.0))
    assert found.ladder.output_below
    text = told(found, capsys)
    assert "stage < 1.00 V < -0.8 1 % distortion" in text
    assert "limits already below 1.00 V peak at the input (1 % distortion)" in text
    assert "has 1 % distortion already below 1.00 V peak" in text
    data = as_json(found)["ladder"]
    assert data["output_below"]
    assert data["limits"][0]["below"]
    with look():
        axes = signals.ladder_figure(found).axes[0]
    assert [text.get_text() for text in axes.texts] == ["below 1.00 V"]


def test_a_limit_within_the_search_is_told_plainly(boost, capsys):
    (limit,) = boost.ladder.rungs
    assert not limit.below
    text = told(boost, capsys)
    assert "<" not in text
    assert "below" not in text


def test_the_order_of_limiting_is_told_from_the_ladder(capsys):
    found = inspected("boosted_hard_clipper")
    order = [limit.stage for limit in found.ladder.rungs]
    words = ("first", "second", "third", "fourth")
    text = told(found, capsys)
    for block in found.blocks:
        if block.name in order:
            place = words[order.index(block.name)]
            start = text.index(f" {block.name} {block.job}")
            limits = text[text.index("limits ", start) :]
            assert re.match(r"limits [^()]*\([^()]*\), (\w+) of 4", limits)[1] == place


def test_static_sentences_claim_no_order():
    """Which block limits first depends on values; only the ladder may say so."""
    sentences = [stage.job for stage in STAGES.values()]
    sentences += [load_design(name).description for name in preset_names()]
    for sentence in sentences:
        assert not re.search(r"\b(first|last|before)\b.*\b(rail|clip|diode)", sentence)
        assert not re.search(r"\b(rail|clip|diode).*\b(first|last|before)\b", sentence)


@pytest.mark.parametrize("name", ["treble_boost", "boosted_hard_clipper"])
def test_a_boost_panel_reaches_a_rail(name):
    solved = solve_design(load_design(name))
    runner = SineRunner(solved, signals.CURVE_HZ)
    first, past = signals.limiting_levels(runner, ["boost"])
    assert first["boost"] < past["boost"]
    sines = runner.run([past["boost"]])
    low, high = (float(side[0]) for side in sines.peaks("boost"))
    down, up = resting_stages(solved)["boost"].headroom_v
    assert min(down + low, up - high) < headroom.CONTACT_V


def test_levels_of_pictures_come_from_the_design(boost):
    """One that stays clean is driven harder, to 10 % or to the hottest pickup."""
    assert boost.level_v == LEVEL_V
    assert LEVEL_V < boost.picture_level_v <= HOTTEST_V
    sines = steady_sines(solve_design(boost.design), 220.0, [LEVEL_V, boost.picture_level_v])
    clean, shown = sines.distortion(list(boost.design.stages)[-1])
    assert clean < 0.05
    if boost.picture_level_v < HOTTEST_V:
        # Interpolated between levels a factor 1.4 apart, which is enough to choose a picture's.
        assert shown == pytest.approx(0.1, rel=0.2)
    with look():
        scope = signals.scope_figure(solve_design(boost.design), boost)
    assert any(f"{1e3 * boost.picture_level_v:.0f} mV peak" in t.get_text() for t in scope.texts)


def test_a_level_asked_for_is_the_one_shown():
    found = inspect_design(load_design("treble_boost"), level_v=0.05)
    assert (found.level_v, found.picture_level_v) == (0.05, 0.05)


def test_a_design_that_clips_is_shown_at_a_typical_note():
    found = inspect_design(alone(published_clipper(None)).design(), level_v=None)
    assert found.ladder.output_heavy_v > LEVEL_V
    found = inspected("boosted_hard_clipper")
    assert found.picture_level_v == LEVEL_V


def test_the_headroom_picture_has_no_empty_decade_and_no_row_twice():
    found = inspected("boosted_hard_clipper")
    turned = {limit.stage: limit for limit in found.clean_up.ladder.limits}
    with look():
        axes = signals.ladder_figure(found).axes[0]
    lines = [line for line in axes.get_lines() if line.get_marker() != "None"]
    marks = [line.get_xdata()[0] for line in lines]
    low, high = axes.get_xlim()
    assert low < min(marks) < 10.0 * low
    assert high == headroom.HIGHEST_V
    moved = [
        limit for limit in found.ladder.rungs
        if abs(math.log(turned[limit.stage].input_v / limit.input_v)) > 0.01
    ]  # fmt: skip
    assert len(marks) == len(found.ladder.rungs) + len(moved)
    assert 0 < len(moved) < len(found.ladder.rungs)


def test_every_line_of_a_transfer_panel_is_explained():
    found = inspected("boosted_hard_clipper")
    with look():
        figure = signals.transfer_figure(solve_design(found.design), found.ladder)
    words = " ".join(text.get_text() for text in figure.texts)
    for word in ("thin", "thick", "dotted", "dashed", "beside the dotted line"):
        assert word in words


def test_a_clipper_has_a_ladder_and_a_drive_to_turn_down():
    """At minimum drive a typical note of the boosted hard clipper still clips."""
    found = inspected("boosted_hard_clipper")
    assert found.ladder.rungs
    assert found.clean_up.settings == {"drive": 0.0}
    assert found.clean_up.distortion > 0.1
    assert found.clean_up.ladder.output_input_v < 0.02
    json.dumps(as_json(found), allow_nan=False)
