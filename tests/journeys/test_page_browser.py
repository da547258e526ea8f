"""The listening page in a browser: real clicks and keys, on a page opened from disk.

Authority: the documented keys and controls; the Web Audio API, in whose offline rendering a switch
must neither move a sample nor leave one of the other track; SciPy's binomial test.

Chromium is looked for at ``/usr/bin/chromium`` (Debian's package) or in ``CHROMIUM``. Without it
the tests fail under ``CI`` and are skipped elsewhere.
"""

import csv
import itertools
import json
import os
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

from vadist.audition import audition
from vadist.candidates import make_candidates
from vadist.design_files import load_design
from vadist.page import build_page

pytestmark = pytest.mark.browser

RATE = 48_000
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--autoplay-policy=no-user-gesture-required",
]


@pytest.fixture(scope="module")
def browser():
    missing = None
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing = "the Python package playwright is not installed"
    else:
        if not Path(CHROMIUM).exists():
            missing = f"there is no Chromium at {CHROMIUM}"
    if missing:
        if os.environ.get("CI"):
            pytest.fail(f"{missing}, and CI must test the page")
        pytest.skip(missing)
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield running
        running.close()


@pytest.fixture(scope="module")
def result():
    """Three candidates of a short take, one of them like the reference, and the blocks."""
    time = np.arange(RATE) / RATE
    note = 0.3 * np.exp(-2.0 * time) * np.sin(2 * np.pi * 440.0 * time)
    design = load_design("treble_boost")
    candidates = make_candidates(design, ["level=0.5", "boost.emitter_resistor=68R,150R"])
    return audition(design, candidates, note, RATE, taps=True)


@pytest.fixture(scope="module")
def page_file(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "listen.html"
    path.write_text(build_page(result, "</script><b>note</b>.wav", 10**8), encoding="utf-8")
    return path


@pytest.fixture
def open_page(browser, page_file):
    """Open the page with given settings; afterwards its console must be free of errors."""
    contexts, faults = [], []

    def opened(**settings):
        context = browser.new_context(offline=True, **settings)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda m: faults.append(m.text) if m.type in ("error", "warning") else 0)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("request", lambda r: faults.append(r.url) if r.url.startswith("http") else 0)
        page.goto(page_file.as_uri())
        page.wait_for_selector("#play:enabled")
        return page

    yield opened
    for context in contexts:
        context.close()
    assert faults == []


def gains(page) -> list[float]:
    return page.evaluate("auditionPage.player.gains")


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
    page.click("#play")
    page.wait_for_timeout(200)
    assert page.inner_text("#play") == "Pause"
    before = position(page)
    page.locator("label.track").nth(2).click()
    assert gains(page) == [0, 0, 1, 0, 0, 0, 0]
    assert position(page) >= before  # it went on, it did not start again
    assert "boost.emitter_resistor=68R" in page.inner_text("#announce")
    page.click("#play")
    stopped = position(page)
    page.wait_for_timeout(60)
    assert position(page) == stopped > 0.1
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
    page.uncheck("#blind-running-score")
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


@pytest.mark.parametrize("width", [320, 390])
def test_a_phone_shows_everything(open_page, tmp_path, width):
    page = open_page(
        viewport={"width": width, "height": 800}, is_mobile=True, has_touch=True,
        device_scale_factor=2,
    )  # fmt: skip
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.locator("label.track").nth(1).tap()
    assert gains(page)[1] == 1
    page.tap("#play")
    page.wait_for_timeout(100)
    assert page.inner_text("#play") == "Pause"
    small = page.evaluate(
        """[...document.querySelectorAll('button, select, label.track, input[type=number]')]
           .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 44)
           .map((e) => e.id || e.textContent)"""
    )
    assert small == []  # 44 CSS pixels: the target size of WCAG 2.1, 2.5.5
    shot = tmp_path / "phone.png"
    page.screenshot(path=shot, full_page=True)
    assert shot.stat().st_size > 10_000


def test_every_control_has_a_name(open_page):
    page = open_page()
    nameless = page.evaluate(
        """[...document.querySelectorAll('button, select, input, svg, [role=region]')]
           .filter((e) => !(e.labels && e.labels.length) && !e.getAttribute('aria-label')
             && !e.getAttribute('aria-labelledby') && !e.textContent.trim())
           .map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert nameless == []
    assert page.get_attribute("#announce", "aria-live") == "polite"
    assert "Spectrum of the reference" in page.inner_text("#spectrum-caption")


def luminance(colour: str) -> float:
    """Relative luminance of ``rgb(r, g, b)`` (WCAG 2.1)."""
    channels = [int(part) / 255 for part in colour[4:-1].split(",")]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out(open_page, scheme):
    """Contrast of at least 4.5 (WCAG 2.1, 1.4.3) in both schemes."""
    page = open_page(color_scheme=scheme)
    for selector, ground in (
        ("#tracks-title", "main section.transport"),
        (".small", "main section.transport"),
        ("#play", "#play"),
        ("figcaption", "main section.transport"),
    ):
        ink, paper = (
            page.evaluate(f"getComputedStyle(document.querySelector('{where}')).{what}")
            for where, what in ((selector, "color"), (ground, "backgroundColor"))
        )
        dark, light = sorted([luminance(ink), luminance(paper)])
        assert (light + 0.05) / (dark + 0.05) >= 4.5, selector


def test_it_prints_without_controls(open_page):
    page = open_page()
    page.emulate_media(media="print")
    assert page.is_hidden("#play")
    assert page.is_hidden("#blind")
    assert page.is_visible("#waveform")
    assert page.is_visible("#figures-title ~ .wide table")
    assert page.pdf(format="A4").startswith(b"%PDF")


def test_reduced_motion_is_respected(open_page):
    page = open_page(reduced_motion="reduce")
    assert page.evaluate(
        "getComputedStyle(document.querySelector('#play')).transitionDuration"
    ) in (
        "0s",
        "",
    )
    page.click("#play")
    lines = set()
    for _ in range(6):
        lines.add(page.get_attribute("#waveform .playhead", "x1"))
        page.wait_for_timeout(40)
    assert len(lines) <= 2  # the line steps twice a second
