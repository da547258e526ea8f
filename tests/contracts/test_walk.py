"""Contract of walks: figures are the inspection's, sounds the renders', and nothing breaks a page.

Authority: `inspect_design` and `render` themselves, pyloudnorm for loudness, an independent FLAC
reader, closed forms for the straight line.
"""

import dataclasses
import html
import json
import re

import numpy as np
import pyloudnorm
import pytest
import soundfile
from walk_takes import BURST_S, HOSTILE, RATE, short_page, short_walk, sounds_of, take

from vadist import load_design, render
from vadist.analysis.chain_response import solve_design, stage_responses
from vadist.cli import main
from vadist.errors import ConvergenceError, UsageError
from vadist.inspection.figures import as_json, inspect_design
from vadist.inspection.whole import absence_rows, control_rows, current_rows, noise_rows
from vadist.inspection.words import decibels, hertz, percent, volts
from vadist.walks.moments import grid_hz, hardest_moments, passed
from vadist.walks.page import build_page
from vadist.walks.sentences import Teller
from vadist.walks.sounds import check_take, side_by_side
from vadist.walks.walk import build_walk

DESIGN = load_design("treble_boost")


@pytest.fixture(scope="module")
def rendered():
    return render(DESIGN, take(), RATE, taps=tuple(DESIGN.stages))


def seen(page: str) -> str:
    """Text of a page as it is read."""
    bare = re.sub(r"<(script|style|svg).*?</\1>|<wbr>", "", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", bare)).split())


def test_the_figures_are_those_of_an_inspection():
    """The page has no figures of its own: it is given an inspection, and shows it."""
    found = inspect_design(DESIGN, without=True)
    knob = [row for row in found.controls if row.position in (0.0, 0.5, 1.0)]
    assert [stop.knobs for stop in short_walk().stops] == [(), tuple(knob)]
    assert json.dumps(as_json(short_walk().found)) == json.dumps(as_json(found))
    text = seen(short_page())
    for block in found.blocks:
        assert f"{decibels(block.gain_db)} at 1.00 kHz" in text
        assert f"between {volts(block.level.low_v, sign=True)} and " in text
        assert f"with {percent(block.level.distortion)} THD" in text
        assert f"its output stands at {volts(block.resting.output_v)}." in text
        for share in block.gain_parts[:1]:
            way = "raises" if share.sensitivity > 0 else "lowers"
            said = f"({share.value}) sets it most: 1 % more {way} the gain by "
            assert f"{said}{abs(share.sensitivity):.1f} %" in text
        for corner in block.corners:
            assert f"{corner.kind.partition(' ')[0]} " in text
            assert f"{hertz(corner.frequency_hz)} (-3 dB)" in text
    for rung in found.ladder.rungs:
        assert f"From {volts(rung.input_v)} peak at the board's input" in text
    tables = control_rows(found.controls), absence_rows(found.without)
    for row in (row for told in tables for row in told.rows):
        assert " ".join(" ".join(row).split()) in text
    for told in (noise_rows(found), current_rows(found)):
        assert all(" ".join(row) in text for row in told.rows)


def test_before_and_after_are_the_taps_of_a_render(rendered):
    """To half a step of 24 bits: the dry take, then what leaves each block, from rest."""
    sounds, heard = short_walk().sounds, sounds_of(short_page())
    truth = [take()] + [
        rendered.taps[stage] - rendered.stages[stage].rest_v for stage in DESIGN.stages
    ]
    text = seen(short_page())
    for stage in DESIGN.stages:
        reached = rendered.stages[stage]
        low, high = reached.low_v - reached.rest_v, reached.high_v - reached.rest_v
        assert f"goes from {volts(low, sign=True)} to {volts(high, sign=True)} about rest" in text
    for k, wanted in enumerate(truth):
        gain = 10 ** (sounds.tracks[k].gain_db / 20)
        assert np.abs(heard[k] - gain * wanted).max() <= 2.0**-24
        assert np.abs(wanted).max() * gain > 0.05  # those steps are small ones


def test_without_a_block_is_the_render_without_it(rendered):
    """To a step of 16 bits: another batch has other seams, -100 dB and less."""
    sounds, heard = short_walk().sounds, sounds_of(short_page())
    for stage, number in sounds.without.items():
        left = DESIGN.with_value(stage, "none")
        alone = render(left, take(), RATE)
        rest_v = alone.stages[tuple(left.stages)[-1]].rest_v
        wanted = 10 ** (sounds.tracks[number].gain_db / 20) * (alone.volts - rest_v)
        assert np.abs(heard[number] - wanted).max() <= 2.0**-15
    assert list(sounds.without) == list(DESIGN.stages)


def test_turned_knobs_are_renders_too():
    sounds, heard = short_walk().sounds, sounds_of(short_page())
    number = sounds.turned["level", 1.0]
    turned = DESIGN.with_value("level", 1.0)
    alone = render(turned, take(), RATE)
    rest_v = alone.stages["volume"].rest_v
    wanted = 10 ** (sounds.tracks[number].gain_db / 20) * (alone.volts - rest_v)
    assert np.abs(heard[number] - wanted).max() <= 2.0**-15
    at = DESIGN.controls["level"].position
    assert sounds.turned.get(("level", at), sounds.whole) == sounds.whole


def test_everything_plays_at_one_loudness():
    heard, sounds = sounds_of(short_page()), short_walk().sounds
    meter = pyloudnorm.Meter(RATE)
    levels = [meter.integrated_loudness(samples) for samples in heard.values()]
    assert max(levels) - min(levels) < 0.1
    assert levels[0] == pytest.approx(sounds.match.level, abs=0.1)
    # What is told on a button is the loudness of the volts.
    for k, samples in heard.items():
        own = meter.integrated_loudness(samples) - sounds.tracks[k].gain_db
        assert sounds.tracks[k].level == pytest.approx(own, abs=0.1)


def test_a_block_is_shown_where_it_works_hardest():
    boost, volume = short_walk().stops
    assert boost.moment.limits
    assert not volume.moment.limits
    for stop in (boost, volume):
        assert BURST_S[0] - 0.02 < stop.moment.start_s < stop.moment.stop_s < BURST_S[1] + 0.02
    # Behind 1 % at 244 mV, 0.6 V of a straight line are far beyond both rails.
    assert boost.moment.swing_v < 9.0 < boost.moment.line_v


def test_the_hardest_moment_is_no_matter_of_loudness():
    """A block that is a straight line but for one small bump, where the take is quiet."""
    solved, ladder = solve_design(DESIGN), short_walk().found.ladder
    responses = stage_responses(solved, grid_hz())
    path = [take()]
    for response in responses.values():
        path.append(passed(path[-1][:, 0], response, RATE)[:, None])
    at = round(0.2 * RATE)
    path[1][at : at + 48, 0] += 1.0
    found = hardest_moments(solved, ladder, path, RATE)
    assert found["boost"].start_s < 0.2 < found["boost"].stop_s
    assert np.abs(path[1]).argmax() > RATE // 2  # far from where it is loudest
    assert found["boost"].swing_v > found["boost"].line_v
    assert BURST_S[0] - 0.02 < found["volume"].start_s < BURST_S[1]


def test_the_straight_line_of_a_pole_is_its_step():
    """1/(1 + s tau) answers a step with 1 - exp(-t/tau)."""
    tau = 1e-3
    response = 1 / (1 + 2j * np.pi * grid_hz() * tau)
    step = np.ones(4800)
    time = np.arange(4800) / RATE
    line = passed(step, response, RATE)
    inner = slice(48, 4700)  # a step of samples rings where it begins and where it ends
    assert np.abs(line - (1 - np.exp(-time / tau)))[inner].max() < 0.02


def test_one_that_cannot_be_solved_does_not_take_the_others_along():
    good = load_design("treble_boost")
    bad = dataclasses.replace(good, name="bad")

    def rendered(designs):
        if any(design.name == "bad" for design in designs):
            raise ConvergenceError("no solution\nat all")
        return [np.zeros((3, 1)) for _ in designs]

    found = side_by_side(rendered, [good, bad, good])
    assert [type(each) for each in found] == [np.ndarray, str, np.ndarray]
    assert found[1] == "no solution"


def test_sentences_follow_their_figures():
    """What no inspection of a preset shows: silence, a corner that comes, one that goes."""
    found = short_walk().found
    whole, absent, other = found.without
    block = found.blocks[0]

    def told(**changes):
        rows = (
            whole,
            dataclasses.replace(absent, measured=dataclasses.replace(absent.measured, **changes)),
            other,
        )
        teller = Teller(dataclasses.replace(found, without=rows), {})
        return dict(teller.tell(block, None))["Without it"]  # fmt: skip

    same = dataclasses.asdict(whole.measured)
    same["first"] = whole.measured.first
    assert told(**same) == "Leave it out, and the whole hardly changes."
    assert "next to nothing of a small signal" in told(**{**same, "gain_db": -200.0})
    gone = told(**{**same, "treble_cut_hz": None})
    assert gone == "Leave it out, and the whole's treble cut at 44.6 kHz is gone."
    more = told(**{**same, "gain_db": same["gain_db"] + 3.0, "noise_v": 0.5 * same["noise_v"]})
    assert more == "Leave it out, and the whole has 3.0 dB more gain and 6.0 dB less noise."
    assert "next to no THD instead of 0.37 % THD" in told(**{**same, "distortion": 1e-9})
    cannot = Teller(dataclasses.replace(
        found, without=(whole, dataclasses.replace(absent, measured=None, problem="why"), other)
    ), {})  # fmt: skip
    assert dict(cannot.tell(block, None))["Without it"] == "It cannot be left out: why."


def test_a_bypassed_block_is_told_as_such():
    boost, volume = build_walk(DESIGN.with_value("boost", "none")).stops
    assert boost.job == "Bypassed: its input is wired to its output."
    assert (boost.told, boost.drawing) == ((), "")
    assert boost.undrawn == "boost is bypassed, so there is nothing to draw"
    assert "next to no THD" in dict(volume.told)["A note"]


def test_names_cannot_break_the_page():
    page = short_page()
    assert HOSTILE not in page
    assert html.escape(HOSTILE) + ".wav" in page.replace("&#34;", "&quot;")
    named = dataclasses.replace(DESIGN, name=HOSTILE, description="<i>$x$</i>")
    walk = dataclasses.replace(short_walk(), design=named)
    page = build_page(walk)
    assert HOSTILE not in page
    assert "<i>" not in page
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page).group(1)
    assert policy.startswith("default-src 'none'")
    assert "http" not in re.sub(r"http://www\.w3\.org/2000/svg", "", seen(page))


def test_a_walk_without_a_take_has_no_sound():
    page = build_page(dataclasses.replace(short_walk(), take=None, sounds=None))
    assert "<script" not in page
    assert "<button" not in page
    assert "there is nothing to hear" in page


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (np.zeros((RATE, 1)), "the take is silent"),
        (np.ones((RATE * 200, 1)), "--length"),
        (np.ones((RATE, 9)), "at most 8 channels"),
    ],
)
def test_a_take_that_no_page_holds_is_refused_before_any_work(samples, said):
    with pytest.raises(UsageError, match=said):
        check_take(DESIGN, samples, RATE)


def test_what_is_refused_is_one_line(tmp_path, capsys):
    silent = tmp_path / "silent.wav"
    soundfile.write(silent, np.zeros(RATE), RATE)
    there = tmp_path / "there.html"
    there.write_text("kept", encoding="utf-8")
    for words, said in (
        (["treble_boost", "--out", str(there)], "exists; give another name or --overwrite"),
        (["treble_boost", "--out", str(tmp_path / "walk.pdf")], "a page must end in .html"),
        (["treble_boost", str(silent), "--out", str(tmp_path / "w.html")], "the take is silent"),
        (["treble_boost", str(tmp_path / "no.wav"), "--out", str(tmp_path / "w.html")], "no.wav"),
        (["treble_boost", "--frequency", "5", "--out", str(tmp_path / "w.html")], "20..20000"),
        (["treble_boos", "--out", str(tmp_path / "w.html")], "treble_boost"),
    ):
        assert main(["walk", *words]) == 2
        lines = capsys.readouterr().err.splitlines()
        assert len(lines) == 1
        assert said in lines[0]
    assert there.read_text(encoding="utf-8") == "kept"
    assert not (tmp_path / "w.html").exists()


def test_the_page_of_nine_blocks_and_five_seconds_stays_small():
    """What sounds are expected to take; `vadist walk` of the nine tells what they do."""
    from vadist.audition.page.size import expected_bytes
    from vadist.walks.sounds import NOTCHES, OTHER_BITS, PATH_BITS

    design = load_design("boosted_hard_clipper")
    blocks, frames = len(design.stages), 5 * RATE
    assert blocks == 9
    size = expected_bytes((blocks + 1) * frames, PATH_BITS)
    size += expected_bytes((blocks + len(NOTCHES) * len(design.controls)) * frames, OTHER_BITS)
    assert size < 13e6
