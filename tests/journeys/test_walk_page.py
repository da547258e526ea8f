"""The page of a walk in a browser: played, switched, walked by keys, on a phone, printed.

Authority: the documented keys and controls; WCAG 2.1 (1.4.10 reflow, 2.4.7 visible focus, 2.5.5
target size, 4.1.2 names).
"""

import numpy as np
import pytest
from page_browser import browser, open_page
from walk_takes import HOSTILE, short_page, short_walk

from vadist.cli import main

__all__ = ["browser", "open_page"]  # fixtures

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("walk") / "walk.html"
    path.write_text(short_page(), encoding="utf-8")
    return path


def gains(page) -> dict[int, float]:
    """Tracks that are heard, with their gains."""
    found = page.evaluate("[walkPage.numbers, walkPage.player.gains]")
    return {number: gain for number, gain in zip(*found, strict=True) if gain}


def test_buttons_play_and_switch_without_a_step_in_time(open_page):
    page = open_page()
    page.evaluate("walkPage.setLoop([0, 1])")  # a busy machine must not reach the end
    page.click("#block-1 button:has-text('Before')")
    page.wait_for_timeout(200)
    assert page.inner_text("#play") == "Pause"
    assert gains(page) == {0: 1}
    before, after = page.evaluate(
        """() => {
          const { player } = walkPage;
          const before = player.position;
          document.querySelector("#block-2 button[data-track='2']").click();
          return [before, player.position];
        }"""
    )
    assert 0 <= (after - before) % 1.0 < 0.1  # it went on, it did not start again
    assert gains(page) == {2: 1}
    assert page.inner_text("#hearing") == "Hearing after volume"
    pressed = page.locator("button[aria-pressed=true]")
    assert pressed.count() == 1
    assert page.locator("#block-2.current").count() == 1
    page.click("#play")
    assert page.inner_text("#play") == "Play"


def test_true_levels_are_those_of_the_volts(open_page):
    """Side by side they differ by what their loudness differs; the loudest stays."""
    page, tracks = open_page(), short_walk().sounds.tracks
    page.click("#block-1 button:has-text('Before')")
    page.check("input[value=true]")
    wanted = 10 ** ((tracks[0].level - tracks[1].level) / 20)
    assert gains(page) == {0: pytest.approx(wanted, rel=1e-6)}
    assert wanted < 0.5
    assert f"{20 * np.log10(1 / wanted):.1f} dB below the loudest" in page.inner_text("#hearing")
    page.click("#block-1 button:has-text('After')")
    assert gains(page) == {1: 1}
    # Against the whole without the boost, the whole is the louder one.
    number = short_walk().sounds.without["boost"]
    page.locator("#block-1").get_by_role("button", name="The whole without it").click()
    wanted = 10 ** ((tracks[number].level - tracks[2].level) / 20)
    assert gains(page) == {number: pytest.approx(wanted, rel=1e-6)}
    page.check("input[value=matched]")
    assert gains(page) == {number: 1}


def test_a_walk_by_keys(open_page):
    page, sounds = open_page(), short_walk().sounds
    assert gains(page) == {sounds.whole: 1}
    for key, track in (
        ("b", 0), ("a", 1), ("n", 2), ("b", 1), ("n", 2), ("p", 1), ("w", sounds.whole),
        ("o", sounds.without["boost"]), ("2", 2), ("o", sounds.without["volume"]), ("1", 1),
    ):  # fmt: skip
        page.keyboard.press(key)
        assert list(gains(page)) == [track], key
    assert page.evaluate("document.activeElement.id") == "title-1"
    page.keyboard.press("t")
    assert page.is_checked("input[value=true]")
    page.keyboard.press("t")
    assert page.is_checked("input[value=matched]")
    page.keyboard.press("[")
    page.evaluate("walkPage.player.seek(0.4)")
    page.keyboard.press("]")
    assert page.evaluate("walkPage.player.loop") == [0, 0.4]
    page.keyboard.press("l")
    page.keyboard.press("ArrowLeft")
    assert page.evaluate("walkPage.player.position") == 0
    page.keyboard.press("Space")
    page.wait_for_timeout(150)
    assert page.inner_text("#play") == "Pause"
    page.keyboard.press("Space")
    assert page.inner_text("#play") == "Play"


def test_focus_is_seen_and_everything_has_a_name(open_page):
    page = open_page()
    for _ in range(4):
        page.keyboard.press("Tab")
        width = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
        assert width == "3px"
    nameless = page.evaluate(
        """[...document.querySelectorAll('button, input, img, [role=img], [role=region]')]
           .filter((e) => !(e.labels && e.labels.length) && !e.getAttribute('aria-label')
             && !e.getAttribute('aria-labelledby') && !e.textContent.trim() && !e.alt)
           .map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert nameless == []
    assert page.get_attribute("#announce", "aria-live") == "polite"
    assert HOSTILE + ".wav" in page.inner_text("header")
    seen = page.evaluate("[...document.images].every((i) => i.complete && i.naturalWidth > 100)")
    assert seen


@pytest.mark.parametrize("width", [320, 390])
def test_a_phone_shows_everything(open_page, width):
    page = open_page(viewport={"width": width, "height": 800}, is_mobile=True, has_touch=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.locator("#block-1 button").nth(1).tap()
    assert gains(page) == {1: 1}
    small = page.evaluate(
        """[...document.querySelectorAll('button, .levels label, .path a')]
           .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 44)
           .map((e) => e.id || e.textContent)"""
    )
    assert small == []


def test_it_prints_a_block_to_a_page(open_page):
    page = open_page()
    page.emulate_media(media="print")
    assert page.is_hidden("#play")
    assert page.is_hidden("#block-1 button >> nth=0")
    assert page.is_visible("#block-1 .schematic svg")
    assert page.is_visible("#whole table >> nth=0")
    pdf = page.pdf(format="A4")
    assert pdf.startswith(b"%PDF")
    # The path, two blocks, and the whole on at most three.
    assert 4 <= pdf.count(b"/Type /Page\n") <= 6


def test_without_a_take(browser, tmp_path):
    path = tmp_path / "walk.html"
    assert main(["walk", "treble_boost", "--out", str(path)]) == 0
    page = browser.new_page()
    faults = []
    page.on("console", lambda m: faults.append(m.text))
    page.goto(path.as_uri())
    assert page.is_hidden("#play")
    assert page.is_visible("#block-2 .told")
    page.close()
    assert faults == []
