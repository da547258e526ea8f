"""What inspect says each part and block is for: gains, knobs, absences, a low fifth, jobs.

Authorities: shares of an op-amp's gain in closed form; the static curve of a diode pair (Wright
omega function, ``test_headroom``), whose products are integrated here; designs edited by hand;
plain periods, many of them; the figures of the design, which no sentence may contradict.
"""

import dataclasses
import math
import re

import numpy as np
import pytest
from example_circuits import alone, ideal_opamp, published_clipper
from test_headroom import pair_voltage

from vadist.analysis.chain_response import decibels, solve_design, stage_responses
from vadist.analysis.corners import find_corners
from vadist.analysis.crossings import WHOLE
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.designs.toml import parse_design
from vadist.inspection.figures import CORNER_LEVELS_V, LEVEL_V, blocks_of, inspect_design
from vadist.inspection.without import absences, measure
from vadist.large_signal import leaps, steady_sine
from vadist.large_signal.headroom import first_limit, headroom_ladder
from vadist.large_signal.low_fifth import low_fifth
from vadist.stages import OpAmpGain

# A pre-amplifier of 10, 1 + 9k1/1k, into diodes, a knob behind them. Bass: 1/(2 pi 1k 10u) = 16 Hz.
SMALL = """
name = "small"
[supply]
bias = 0.5
[[stage]]
name = "in"
type = "coupling_high_pass"
capacitor = "100n"
bias_resistor = "470k"
[[stage]]
name = "gain"
type = "opamp_gain"
opamp = "TL072"
feedback_resistor = "9k1"
leg_resistor = "1k"
leg_capacitor = "10u"
[[stage]]
name = "clipper"
type = "diode_clipper"
series_resistor = "2k2"
diodes = "1N4148"
[[stage]]
name = "volume"
type = "level_control"
input_capacitor = "1u"
level_pot = "100k"
[controls.level]
moves = ["volume.level_pot"]
position = 0.5
"""


def test_an_opamps_gain_belongs_to_two_resistors():
    """Of 1 + a the share of a is a / (1 + a), a = 9: 0.9 of the feedback's, -0.9 of the leg's."""
    stage = OpAmpGain(
        opamp=ideal_opamp(1e10), feedback_resistor=9e3, leg_resistor=1e3, leg_capacitor=0.1
    )
    design = Design("gain", {"gain": stage}, input_at_bias=True)
    found = find_corners(solve_design(design))
    shares = {share.part: share.sensitivity for share in found.gains["gain"]}
    wanted = {"gain.feedback_resistor": 0.9, "gain.leg_resistor": -0.9}
    assert shares == {part: pytest.approx(share, abs=1e-4) for part, share in wanted.items()}
    assert found.gains[WHOLE] == found.gains["gain"]


def test_a_rail_that_settles_slowly_is_leapt_over_to_the_same_end(monkeypatch):
    """A clipper on a divider of 22k and 22k with 10u: 11k x 10u is 0.11 s, 24 periods.

    Half the design's plain stop, 3e-5 of a period for 24 periods, is 0.04 % of the size.
    """
    text = SMALL.replace(
        "bias = 0.5", 'bias_upper = "22k"\nbias_lower = "22k"\nbias_capacitor = "10u"'
    ).replace('diodes = "1N4148"', 'diodes = {forward = "1N4148", reverse = "red LED"}')
    design = parse_design(text, "small.toml")
    runner = steady_sine.SineRunner(solve_design(design), 220.0)
    periods = []
    process = steady_sine.Stepper.process
    monkeypatch.setattr(
        steady_sine.Stepper, "process", lambda s, v: (periods.append(1), process(s, v))[1]
    )
    leapt = runner.run([0.05, 0.5])
    quick = len(periods)
    monkeypatch.setattr(leaps, "_STATES", 10**9)
    monkeypatch.setattr(steady_sine, "_SETTLED", 1e-6)
    plain = runner.run([0.05, 0.5])
    assert 2 * quick < len(periods) - quick
    for stage in design.stages:
        size = np.ptp(plain.volts[stage], axis=0)
        assert (np.abs(leapt.volts[stage] - plain.volts[stage]).max(axis=0) < 4e-4 * size).all()


def test_a_low_fifth_through_a_static_curve_has_the_products_of_its_integral():
    """Memoryless, so one period of 2:3 through the closed form is all; its even lines are zero."""
    level = 1.0
    angle = 2.0 * np.pi * np.arange(4096) / 4096
    wave = pair_voltage(level * (np.sin(2.0 * angle) + np.sin(3.0 * angle)) / 2.0)
    lines = np.abs(np.fft.rfft(wave))[:486]  # to 20 kHz
    strange = [k for k in range(1, len(lines)) if k % 2 and k % 3]
    expected = np.linalg.norm(lines[strange]) / math.hypot(lines[2], lines[3])
    found = low_fifth(solve_design(alone(published_clipper(None)).design()), level)
    assert found.low_hz == pytest.approx(82.407, abs=1e-3)
    assert found.high_hz / found.low_hz == pytest.approx(1.5)
    assert found.foreign == pytest.approx(expected, rel=1e-3)
    assert found.octave_below == pytest.approx(lines[1] / lines[2], rel=1e-3)


@pytest.fixture(scope="module")
def small() -> Design:
    return parse_design(SMALL, "small.toml")


@pytest.fixture(scope="module")
def small_inspected(small):
    return inspect_design(small, without=True)


def test_a_block_left_out_is_the_design_edited_by_hand(small, small_inspected):
    """The tables of the file cut away, where the rest can stand without: `volume`, `clipper`."""
    edited = {
        stage: parse_design(re.sub(rf'\[\[stage\]\]\nname = "{stage}".*?(?=\n\[)', "", SMALL,
                                   flags=re.DOTALL).replace('[controls.level]\nmoves = '
                                   '["volume.level_pot"]\nposition = 0.5', "" if stage == "volume"
                                   else '[controls.level]\nmoves = ["volume.level_pot"]'), "cut")
        for stage in ("volume", "clipper")
    }  # fmt: skip
    rows = {row.stage: row.measured for row in small_inspected.without}
    assert list(rows) == ["", *small.stages]
    assert rows[""] == measure(small, 220.0, 0.1)
    for stage, design in edited.items():
        assert list(design.stages) == [s for s in small.stages if s != stage]
        by_hand = measure(design, 220.0, 0.1)
        for field in dataclasses.fields(by_hand):
            here, there = (getattr(m, field.name) for m in (rows[stage], by_hand))
            if field.name == "first":
                assert (here.stage, here.cause) == (there.stage, there.cause)
                here, there = here.input_v, there.input_v
            wanted = None if there is None else pytest.approx(there, rel=1e-6, abs=1e-12)
            assert here == wanted, (stage, field.name)
    # 9.1 + 1 is 20.1 dB; a clipper that is gone leaves the op-amp's 3 V to limit first.
    assert rows[""].gain_db - rows["gain"].gain_db == pytest.approx(20.1, abs=0.1)
    assert rows["clipper"].first.stage == "gain"
    assert rows["clipper"].first.input_v == pytest.approx(3.0 / 10.1, rel=0.05)


def test_a_block_that_cannot_be_left_out_says_why():
    """A wire to the bias rail behind the clipper's resistor: without it the op-amp is shorted."""
    tied = (
        '[[stage]]\nname = "tied"\ntype = "wired"\n[stage.parts]\n'
        'w = "resistor 0: source to output"\nt = "resistor 0: output to bias"\n'
    )
    text = SMALL.replace('[[stage]]\nname = "volume"', tied + '[[stage]]\nname = "volume"')
    rows = {row.stage: row for row in absences(parse_design(text, "small.toml"), 220.0, 0.1)}
    assert rows["clipper"].measured is None
    assert "shorts" in rows["clipper"].problem
    assert rows["tied"].measured is not None


def test_every_knob_is_told_with_corners_and_headroom(small, small_inspected):
    """A knob behind the diodes changes no headroom; at half of a linear track its gain is half."""
    rows = {row.position: row for row in small_inspected.controls}
    assert list(rows) == [0.0, 0.25, 0.5, 0.75, 1.0]
    for position, row in rows.items():
        turned = headroom_ladder(
            solve_design(small.with_value("level", max(position, 1e-3))), 220.0
        )
        assert row.limit_v == pytest.approx(turned.output_input_v, rel=0.01)
    assert rows[0.5].gain_db[1] == pytest.approx(rows[1.0].gain_db[1] - 6.02, abs=0.3)
    # 15.9 Hz of the leg; 1u with the pot's 100k and 100n with 470k lie far below.
    assert rows[1.0].bass_cut_hz == pytest.approx(16.0, rel=0.1)


def test_the_first_limit_is_the_ladders_first_rung(small):
    solved = solve_design(small)
    rung, first = headroom_ladder(solved, 220.0).rungs[0], first_limit(solved, 220.0)
    assert (first.stage, first.cause) == (rung.stage, rung.cause)
    assert first.input_v == pytest.approx(rung.input_v, rel=0.01)


@pytest.mark.parametrize(
    ("name", "drive"), [("small", None), ("boosted_hard_clipper", 0.0), ("soft_clipper", 1.0)]
)
def test_no_job_contradicts_the_figures(name, drive, small):
    design = small if drive is None else load_design(name).with_value("drive", drive)
    solved = solve_design(design)
    sines = steady_sine.steady_sines(solved, 220.0, [LEVEL_V, *CORNER_LEVELS_V])
    ladder = headroom_ladder(solved, 220.0)
    blocks = blocks_of(solved, sines, ladder, find_corners(solved))
    gains = {s: float(decibels(h)[0]) for s, h in stage_responses(solved, [1e3]).items()}
    limits = {limit.stage: limit for limit in ladder.limits}
    for block in blocks:
        job, gain_db = block.job, gains[block.name]
        raised = re.search(r"raises the level (\S+) times", job)
        assert (raised is not None) == (gain_db >= 1.0), job
        if raised:
            assert float(raised[1]) == pytest.approx(10.0 ** (gain_db / 20.0), rel=0.06)
        assert ("takes" in job and "dB" in job) == (gain_db <= -1.0), job
        assert ("more than any other" in job) == (gain_db >= 1.0 and gain_db == max(gains.values()))
        limit = limits[block.name]
        if limit.cause == "1 % distortion" and limit.input_v < 0.09:
            assert re.search("(clip|distorts) this note", job), job
        if math.isinf(limit.input_v):
            assert "note" not in job, job
