"""The listening page with tracks heard through an impulse response: switched by a key, in place.

Authority: the documented key and control; the page opened from disk in a real browser.
"""

import numpy as np
import pytest
from page_browser import RATE, browser, gains, open_page

from vadist.audition.candidates import make_candidates
from vadist.audition.page import build_page
from vadist.audition.run import audition_design
from vadist.designs.files import load_design
from vadist.rendering.through import load_response

__all__ = ["browser", "open_page"]  # fixtures

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    time = np.arange(RATE // 2) / RATE
    note = 0.3 * np.exp(-2.0 * time) * np.sin(2 * np.pi * 440.0 * time)
    design = load_design("treble_boost")
    result = audition_design(
        design, make_candidates(design, ["level=0.5"]), note, RATE,
        through=load_response("roll-off", RATE, 1),
    )  # fmt: skip
    path = tmp_path_factory.mktemp("page") / "listen.html"
    path.write_text(build_page(result, "note.wav"), encoding="utf-8")
    return path


def test_the_response_is_switched_while_the_take_goes_on(open_page):
    page = open_page()
    assert page.locator("label.track").count() == 4
    page.evaluate("auditionPage.setLoop([0, 0.5])")
    page.click("#play")
    page.keyboard.press("2")
    before = page.evaluate("auditionPage.player.startedAt")
    page.keyboard.press("t")
    assert gains(page) == [0, 0, 0, 1]
    assert page.get_attribute("#through", "aria-pressed") == "true"
    assert "through roll-off" in page.inner_text("#announce")
    page.click("#through")
    assert gains(page) == [0, 1, 0, 0]
    assert page.get_attribute("#through", "aria-pressed") == "false"
    assert page.evaluate("auditionPage.player.playing")
    assert page.evaluate("auditionPage.player.startedAt") == before  # it did not start again
