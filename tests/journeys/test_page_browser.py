"""The listening page in a browser: real clicks and keys, on a page opened from disk.

Authority: the documented keys and controls; the Web Audio API, in whose offline rendering a switch
must neither move a sample nor leave one of the other track; SciPy's binomial test.
"""

import csv
import itertools
import json
import re

import numpy as np
import pytest
from page_browser import browser, gains, open_page, page_file, result
from scipy.stats import binomtest

from vadist.designs.files import load_design
from vadist.quantities import write_quantity

__all__ = ["browser", "open_page", "page_file", "result"]  # fixtures

pytestmark = pytest.mark.browser


def position(page) -> float:
    return page.evaluate("auditionPage.player.position")


def drag(page, start: float, stop: float) -> None:
    """Drag over the waveform, from share to share of its width."""
    waveform = page.locator("#waveform")
    waveform.scroll_into_view_if_needed()
    page.mouse.wheel(0, 200)  # out from under the bar that stays at the top
    page.wait_for_timeout(100)
    box = waveform.bounding_box()
    y = box["y"] + box["height"] / 3
    page.mouse.move(box["x"] + start * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + stop * box["width"], y, steps=4)
    page.mouse.up()


def test_play_switch_and_pause(open_page):
    page = open_page()
    assert page.title() == "Audition of </script><b>note</b>.wav"
    page.evaluate("auditionPage.setLoop([0, 1])")  # a busy machine must not reach the end
    page.click("#play")
    page.wait_for_timeout(200)
    assert page.inner_text("#play") == "Pause"
    before, after = page.evaluate(
        """() => {
          const { player } = auditionPage;
          const before = player.position;
          document.querySelectorAll("label.track")[2].click();
          return [before, player.position];
        }"""
    )
    assert gains(page) == [0, 0, 1, 0, 0, 0, 0]
    assert 0 <= (after - before) % 1.0 < 0.1  # it went on, it did not start again
    assert "boost.emitter_resistor=68R" in page.inner_text("#announce")
    page.click("#play")
    stopped = position(page)
    page.wait_for_timeout(60)
    assert position(page) == stopped > 0.0
    assert page.inner_text("#play") == "Play"


def test_the_end_of_the_take_stops_the_player(open_page):
    page = open_page()
    page.evaluate("auditionPage.player.seek(0.9)")
    page.click("#play")
    page.locator("#play", has_text="Play").wait_for(timeout=3000)
    assert position(page) == 0.0


def test_switching_is_accurate_to_the_sample(open_page, result):
    """The page's own graph, offline: one track up to the switch, the other 5 ms later."""
    page = open_page()
    heard = page.evaluate(
        """async () => {
          const { player } = auditionPage;
          const frames = 24000, at = 12800;
          player.open();
          const context = new OfflineAudioContext(1, frames, player.sampleRate);
          const Player = player.constructor;
          const voices = Player.connect(context, player.buffers, context.destination);
          voices[0].gain.gain.value = 1;
          Player.startTogether(voices, 0, 0, null);
          context.suspend(at / player.sampleRate).then(() => {
            Player.fade(voices, [0, 0, 1, 0, 0, 0, 0], context.currentTime);
            context.resume();
          });
          return Array.from((await context.startRendering()).getChannelData(0));
        }"""
    )
    heard = np.array(heard)
    first, second = (result.tracks[k].samples[:24_000, 0] for k in (0, 2))
    step = 2.0**-24  # half a step of the page's 24-bit samples
    assert np.abs(heard[:12_800] - first[:12_800]).max() <= step
    assert np.abs(heard[13_050:] - second[13_050:]).max() <= step
    assert np.abs(first - second)[13_050:].max() > 1e-3  # the two can be told apart
    low, high = np.minimum(first, second), np.maximum(first, second)
    within = slice(12_800, 13_050)
    assert np.all(heard[within] >= low[within] - 1e-6)
    assert np.all(heard[within] <= high[within] + 1e-6)


def test_the_difference_is_the_one_in_the_table(open_page, result):
    page = open_page()
    page.keyboard.press("3")
    page.keyboard.press("d")
    mix = gains(page)
    assert page.get_attribute("#difference", "aria-pressed") == "true"
    tracks = np.stack([track.samples[:, 0] for track in result.tracks], axis=1)
    left = tracks @ np.array(mix)
    depth = 10 * np.log10(np.sum(left**2) / np.sum(tracks[:, 0] ** 2))
    assert depth == pytest.approx(result.tracks[2].comparison.null_depth_db, abs=1e-6)
    page.keyboard.press("d")
    assert gains(page) == [0, 0, 1, 0, 0, 0, 0]
    page.keyboard.press("1")
    assert page.is_disabled("#difference")


def test_a_loop_by_mouse(open_page):
    page = open_page()
    drag(page, 0.25, 0.45)
    page.click("#play")
    page.wait_for_timeout(600)
    start, stop = page.evaluate("auditionPage.player.loop")
    assert start == pytest.approx(0.25, abs=0.02)
    assert stop == pytest.approx(0.45, abs=0.02)
    assert start <= position(page) <= stop
    assert page.inner_text("#play") == "Pause"  # still, after three times around
    assert page.input_value("#loop-from") == f"{start:.2f}"
    page.click("#loop-clear")
    assert page.evaluate("auditionPage.player.loop") is None


def test_a_loop_by_keyboard_and_the_other_keys(open_page):
    page = open_page()
    page.keyboard.press("[")
    page.evaluate("auditionPage.player.seek(0.4)")
    page.keyboard.press("]")
    assert page.evaluate("auditionPage.player.loop") == [0, 0.4]
    page.keyboard.press("l")
    assert page.evaluate("auditionPage.player.loop") is None
    page.keyboard.press("n")
    assert gains(page)[1] == 1
    page.keyboard.press("p")
    page.keyboard.press("p")
    assert gains(page)[-1] == 1
    page.keyboard.press("r")
    assert gains(page)[0] == 1
    page.keyboard.press("r")
    assert gains(page)[-1] == 1
    page.keyboard.press("Home")
    assert position(page) == 0.0
    page.keyboard.press("Space")
    page.wait_for_timeout(150)
    assert page.inner_text("#play") == "Pause"
    page.keyboard.press("Space")
    assert page.inner_text("#play") == "Play"


def test_a_blind_test_to_its_end(open_page, tmp_path):
    page = open_page()
    page.select_option("#blind-b", "3")
    page.fill("#blind-trials", "8")
    page.check("#blind-running-score")
    assert page.inner_text("#blind-needed").startswith("7 of 8 right")
    page.click("#blind-start")
    assert page.is_hidden("#pictures")
    assert page.is_disabled("#difference")
    for trial in range(8):
        assert page.inner_text("#blind-trial") == f"Trial {trial + 1} of 8"
        for letter in "ABX":
            page.click(f"#blind-hear-{letter}")
            assert sum(gains(page)) == 1
        # An ear that knows: the gains tell which of the two X is.
        x_is_a = gains(page)[0] == 1
        right = trial != 3
        if trial % 2:
            page.click("#blind-is-A" if x_is_a == right else "#blind-is-B")
        else:
            page.keyboard.press("f" if x_is_a == right else "j")
        if trial == 4:
            p = binomtest(4, 5, alternative="greater").pvalue
            assert page.inner_text("#blind-score") == f"4 of 5 right, p = {p:.3f} by guessing"
    assert page.inner_text("#blind-verdict").startswith("7 of 8 right, p = 0.035.")
    assert page.is_visible("#pictures")
    assert page.inner_text("#play") == "Play"
    with page.expect_download() as saved:
        page.click("#blind-json")
    saved.value.save_as(tmp_path / "blind.json")
    told = json.loads((tmp_path / "blind.json").read_text(encoding="utf-8"))
    assert (told["trials"], told["right"]) == (8, 7)
    assert told["p_value"] == pytest.approx(binomtest(7, 8, alternative="greater").pvalue, rel=1e-9)
    assert told["b"] == "boost.emitter_resistor=150R"
    assert [answer["right"] for answer in told["answers"]] == [k != 3 for k in range(8)]
    with page.expect_download() as saved:
        page.click("#blind-csv")
    saved.value.save_as(tmp_path / "blind.csv")
    with (tmp_path / "blind.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["x"] for row in rows] == [answer["x"] for answer in told["answers"]]
    assert rows[0]["take"] == "</script><b>note</b>.wav"


def test_x_is_drawn_fairly_and_the_page_does_not_tell(open_page):
    page = open_page()
    page.fill("#blind-trials", "100")
    assert not page.is_checked("#blind-running-score")  # it would sway the answers
    page.evaluate("auditionPage.setLoop([0, 1])")  # the end of the take would show as "Play"
    page.select_option("#blind-b", "2")
    page.click("#blind-start")
    seen, marks = [], set()
    for _ in range(100):
        page.keyboard.press("x")
        seen.append(gains(page)[0] == 1)
        marks.add(re.sub(r"[\d.e+-]", "", page.locator("#controls").evaluate("e => e.outerHTML")))
        page.keyboard.press("f")
        if page.is_hidden("#blind-run"):
            break
    # Two-sided binomial: a fair coin leaves 30..70 in one run of 26 000.
    assert 30 <= sum(seen) <= 70
    assert len(seen) == 100
    assert len(marks) == 1  # what is on the page does not depend on what X is
    runs = sum(a != b for a, b in itertools.pairwise(seen))
    assert 25 <= runs <= 75


def test_two_tracks_must_differ(open_page):
    page = open_page()
    page.select_option("#blind-b", "0")
    page.click("#blind-start")
    assert page.inner_text("#blind-problem") == "Choose two different tracks for A and B."
    assert page.is_hidden("#blind-run")


def test_two_tracks_that_are_the_same_are_told_before_the_test(open_page, result):
    """The first candidate is the reference; the second differs from both."""
    assert np.array_equal(result.tracks[0].samples, result.tracks[1].samples)
    page = open_page()
    page.click("#blind-start")
    assert page.inner_text("#blind-problem").startswith("A and B are the same, sample for sample")
    assert page.is_hidden("#blind-run")
    assert page.inner_text("#blind-start") == "Start all the same"
    page.select_option("#blind-b", "2")
    assert page.inner_text("#blind-problem") == ""
    page.click("#blind-start")
    assert page.is_visible("#blind-run")
    page.click("#blind-leave")
    page.select_option("#blind-b", "1")
    page.click("#blind-start")
    page.click("#blind-start")
    assert page.is_visible("#blind-run")  # twice asked, once told


def test_the_score_is_kept_until_the_end(open_page):
    page = open_page()
    page.select_option("#blind-b", "3")
    page.click("#blind-start")
    page.keyboard.press("f")
    assert page.inner_text("#blind-score") == "The score is shown at the end."


def test_every_number_chooses_its_track(browser):
    """The page's own keys, over as many tracks as a folder of an audition may hold."""
    from importlib import resources

    keys = (resources.files("vadist.pages") / "keyboard.js").read_text(encoding="utf-8")
    page = browser.new_page()
    told = page.evaluate(
        """keys => {
          const NumberKeys = new Function(`${keys}; return NumberKeys;`)();
          const chosen = [];
          const typed = (count, ...presses) => {
            let last = null;
            const numbers = new NumberKeys(count, (track) => { last = track + 1; });
            for (const [key, when] of presses) (numbers.typed(key, when) ?? (() => {}))();
            chosen.push(last);
          };
          for (let track = 1; track <= 75; track += 1) {
            typed(75, ...[...String(track)].map((key, k) => [key, 1e6 + 100 * k]));
          }
          typed(75, ["1", 1e6], ["2", 1e6 + 2000]); // too late to belong together
          typed(9, ["1", 1e6], ["2", 1e6 + 100]); // nine tracks: no number has two digits
          typed(12, ["1", 1e6], ["3", 1e6 + 100]); // no track 13
          typed(12, ["0", 1e6]);
          return chosen;
        }""",
        keys,
    )
    page.close()
    assert told == [*range(1, 76), 2, 2, 3, None]


def test_the_reference_says_what_it_holds(open_page):
    page = open_page()
    assert page.inner_text("label.track.reference small") == (
        "level=0.5, boost.emitter_resistor="
        + write_quantity(load_design("treble_boost").value("boost.emitter_resistor"), "ohm")
    )


def test_guessing_probabilities(open_page):
    """Many outcomes at once, read off the page's own test objects."""
    page = open_page()
    page.fill("#blind-trials", "1")
    needed = {}
    for trials in (1, 4, 5, 12, 16, 50, 100):
        page.fill("#blind-trials", str(trials))
        needed[trials] = page.inner_text("#blind-needed")
    for trials, text in needed.items():
        limits = [
            k for k in range(trials + 1)
            if binomtest(k, trials, alternative="greater").pvalue <= 0.05
        ]  # fmt: skip
        expected = f"{limits[0]} of {trials} right" if limits else "Too few trials"
        assert text.startswith(expected)
