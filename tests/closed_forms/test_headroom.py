"""Headroom ladder, levels at the stages, and what the hard clipper does as its drive is turned.

Authorities: a diode pair behind a resistor in closed form (the Wright omega function of
scipy.special; R. M. Corless, D. J. Jeffrey, "The Wright omega function", AISC 2002, LNCS 2385, from
memory, not located), whose harmonics are integrated here; Kirchhoff's current law. What the boosted
clipper does at minimum drive is common practice, no published source; where its blend dips follows
from the corners of its arms.
"""

import math

import numpy as np
import pytest
from example_circuits import (
    NO_LOAD_OHM,
    PUBLISHED_IS_A,
    PUBLISHED_R_OHM,
    PUBLISHED_VT_V,
    alone,
    published_clipper,
)
from scipy.optimize import brentq
from scipy.special import wrightomega

from vadist.analysis.chain_response import decibels, node_responses, solve_design, stage_responses
from vadist.analysis.resting import resting_stages, supply_current
from vadist.designs.files import load_design
from vadist.errors import UsageError
from vadist.large_signal.headroom import headroom_ladder
from vadist.large_signal.steady_sine import SineRunner, steady_sines
from vadist.plots import signals

LOW_E_HZ = 82.41


def pair_voltage(volts):
    """Volts across antiparallel diodes fed through R: V = v + 2 Is R sinh(v/(n Vt)).

    With one diode off, v = V + Is R - n Vt omega(ln(Is R/(n Vt)) + (V + Is R)/(n Vt)), right to
    Is R = 5.5 uV; Newton's steps take off what the other diode draws.
    """
    drop = PUBLISHED_IS_A * PUBLISHED_R_OHM
    size = np.abs(volts)
    ratio = drop / PUBLISHED_VT_V
    v = size + drop - PUBLISHED_VT_V * wrightomega((size + drop) / PUBLISHED_VT_V + np.log(ratio))
    v = v.real
    for _ in range(4):
        error = v + 2.0 * drop * np.sinh(v / PUBLISHED_VT_V) - size
        v = v - error / (1.0 + 2.0 * ratio * np.cosh(v / PUBLISHED_VT_V))
    return np.sign(volts) * v


def static_distortion(level, count=30):
    wave = pair_voltage(level * np.sin(2.0 * np.pi * np.arange(4096) / 4096))
    lines = np.abs(np.fft.rfft(wave))
    return math.sqrt(np.sum(lines[2 : count + 1] ** 2)) / lines[1]


def test_a_clipper_limits_where_its_closed_form_has_one_per_cent():
    """Memoryless, so at any frequency; within 0.1 % of level (interpolation)."""
    solved = solve_design(alone(published_clipper(None)).design())
    expected = brentq(lambda level: static_distortion(level) - 0.01, 0.1, 1.0)
    for frequency in (220.0, 1000.0):
        ladder = headroom_ladder(solved, frequency)
        assert ladder.limits[0].cause == "1 % distortion"
        assert ladder.limits[0].input_v == pytest.approx(expected, rel=1e-3)
        assert ladder.output_input_v == pytest.approx(expected, rel=1e-3)


def test_transfer_curves_show_half_the_gain_gone():
    """They are driven to where the closed form's fundamental has half the gain of a small one."""
    solved = solve_design(alone(published_clipper(None)).design())
    _, past = signals.limiting_levels(SineRunner(solved, 1000.0), ["stage"])
    sine = np.sin(2.0 * np.pi * np.arange(4096) / 4096)
    small = 1e-4

    def gain(level):
        return abs(np.fft.rfft(pair_voltage(level * sine))[1]) / (2048.0 * level)

    levels = np.geomspace(0.1, 5.0, 2000)
    expected = next(level for level in levels if gain(level) <= 0.5 * gain(small))
    # The next level of a grid of 64 over 0.1 mV to 5 V.
    assert expected <= past["stage"] * 1.001
    assert past["stage"] <= expected * (5.0 / 1e-4) ** (1.0 / 63.0) * 1.001


def test_levels_and_distortion_of_a_clipper_are_those_of_its_closed_form():
    levels = np.array([0.3, 1.0, 2.0])
    sines = steady_sines(solve_design(alone(published_clipper(None)).design()), 220.0, levels)
    low, high = sines.peaks("stage")
    # 873 steps may miss the crest by half a step: (pi/873)^2 / 2 of it.
    assert high == pytest.approx(pair_voltage(levels), rel=7e-6)
    assert low == pytest.approx(-pair_voltage(levels), rel=7e-6)
    expected = [static_distortion(level) for level in levels]
    assert sines.distortion("stage") == pytest.approx(expected, rel=1e-4)


def test_a_linear_block_adds_nothing_to_the_distortion_it_passes_on():
    """The coupling after an overdriven boost: 13 % go through, 1e-6 are its own (settling)."""
    sines = steady_sines(solve_design(load_design("boosted_hard_clipper")), 220.0, [0.3])
    assert sines.distortion("coupling")[0] > 0.1
    assert sines.added_distortion("coupling")[0] < 1e-5
    assert sines.added_distortion("boost")[0] > 0.1


def test_an_opamp_meets_its_swing_limit():
    """TL072 on 9 V swings 3 V either way of a stiff half; its 1 % comes within 0.1 V of that."""
    design = load_design("boosted_hard_clipper").with_value("supply.bias", 0.5)
    solved = solve_design(design.with_value("drive", 0.0))
    down, up = resting_stages(solved)["gain"].headroom_v
    assert (down, up) == (pytest.approx(3.0, abs=1e-6), pytest.approx(3.0, abs=1e-6))
    limit = {x.stage: x for x in headroom_ladder(solved, 1000.0).limits}["gain"]
    gain = abs(node_responses(solved, [1000.0])["gain.output"][0])
    assert limit.input_v * gain == pytest.approx(3.0, rel=0.05)


@pytest.fixture(scope="module", params=[LOW_E_HZ, 220.0, 1000.0])
def ladder(request):
    """Drive at minimum, low to high notes."""
    solved = solve_design(load_design("boosted_hard_clipper").with_value("drive", 0.0))
    return headroom_ladder(solved, request.param)


class TestHardClipperAtMinimumDrive:
    """The diodes of this design conduct at every setting of the drive: a boost feeds them.

    At minimum drive the boost limits before the op-amp on every note; with the drive opened the
    op-amp is first.
    """

    def test_the_diodes_limit_first_then_the_boost_then_the_opamp(self, ladder):
        assert [limit.stage for limit in ladder.rungs] == ["clipper", "boost", "gain", "buffer"]
        limits = {limit.stage: limit.input_v for limit in ladder.rungs}
        assert limits["boost"] < 0.9 * limits["gain"]

    def test_passive_blocks_never_limit(self, ladder):
        never = [limit.stage for limit in ladder.limits if math.isinf(limit.input_v)]
        assert never == ["coupling", "blend", "volume", "output_buffer", "output"]
        assert all(not limit.cause for limit in ladder.limits if math.isinf(limit.input_v))


def test_tone_at_half_rotation_is_lowest_between_the_corners_of_its_arms():
    """The blend alone: lowest between the arms' corners, 3 to 6 dB under either end of the band."""
    solved = solve_design(load_design("boosted_hard_clipper").with_value("tone", 0.5))
    f = np.geomspace(82.0, 8e3, 400)
    level = decibels(stage_responses(solved, f)["blend"])
    bottom = int(level.argmin())
    assert 482.0 < f[bottom] < 1064.0
    assert 3.0 < level[0] - level[bottom] < 6.0
    assert 3.0 < level[-1] - level[bottom] < 6.0
    for end in (0.0, 1.0):
        turned = solve_design(load_design("boosted_hard_clipper").with_value("tone", end))
        response = decibels(stage_responses(turned, f)["blend"])
        assert int(response.argmin()) in (0, len(f) - 1)


def test_the_supply_gives_what_the_parts_draw():
    """Kirchhoff: a collector resistor by its drop, a follower its emitter less its base current."""
    solved = solve_design(load_design("boosted_hard_clipper"))
    volts = solved.node_v
    drawn = dict(supply_current(solved).parts)
    assert drawn["boost.collector_resistor"] == pytest.approx(
        (9.0 - volts["boost.output"]) / 5.6e3, rel=1e-9
    )
    base = (volts["buffer.coupled"] - volts["buffer.base"]) / 1e3
    assert drawn["buffer.transistor"] == pytest.approx(
        volts["buffer.output"] / 6.8e3 - base, rel=1e-6
    )
    assert drawn["gain.opamp"] == 1.4e-3
    assert supply_current(solved).total_a == pytest.approx(sum(drawn.values()), rel=1e-12)


def test_a_sine_must_be_audible_and_have_a_level():
    solved = solve_design(alone(published_clipper(None), load_ohm=NO_LOAD_OHM).design())
    with pytest.raises(UsageError, match=r"frequency must be within 20\.\.20000 Hz \(got 5\)"):
        steady_sines(solved, 5.0, [0.1])
    with pytest.raises(UsageError, match="level must be above 0 V"):
        steady_sines(solved, 220.0, [0.1, 0.0])
