"""The page of a session: takes picked, designs switched at the same place, in a real browser.

Authority: the documented keys and controls; the page and its audio opened from disk; the outputs,
whose samples at one loudness the page must decode to.
"""

import numpy as np
import pytest
import soundfile
from page_browser import browser
from render_runs import RIFF, run

from vadist.measure import integrated_loudness
from vadist.sessions import page as session_page

__all__ = ["browser"]  # a fixture

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """Two takes of two rates, two designs, one of them through the roll-off: folder and takes."""
    folder = tmp_path_factory.mktemp("session")
    samples = soundfile.read(RIFF, start=16_000, frames=36_000)[0]
    takes = [folder / "first <b>.wav", folder / "second.wav"]
    for take, rate in zip(takes, (48_000, 44_100), strict=True):
        soundfile.write(take, samples, rate, subtype="PCM_24")
    return folder, takes


@pytest.fixture(scope="module", params=["inside", "beside"])
def page_file(request, session):
    folder, takes = session
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "beside":
            patch.setattr(session_page, "LIMIT_BYTES", 50_000)
        run(*takes, "--design", "treble_boost", "--try", "level=0.2,0.9", "--through", "roll-off",
            "--out", folder / "out", "--skip-existing", "--page",
            folder / request.param)  # fmt: skip
    assert (folder / "beside-audio").exists() == (request.param == "beside")
    return folder / f"{request.param}.html"


@pytest.fixture
def page(browser, page_file):
    context, faults = browser.new_context(offline=True), []
    opened = context.new_page()
    opened.on("console", lambda m: faults.append(m.text) if m.type in ("error", "warning") else 0)
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.goto(page_file.as_uri())
    opened.wait_for_selector("#play:enabled")
    yield opened
    context.close()
    assert faults == []


def wait_for(page, condition: str) -> None:
    """Until an expression holds; the page forbids the evaluation that playwright waits by."""
    for _ in range(300):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(50)
    raise AssertionError(condition)


def heard(page) -> list[float]:
    return page.evaluate("sessionPage.player.gains")


def test_takes_are_picked_and_designs_switched_in_place(page):
    assert page.locator("label.track").all_inner_texts()[3].split("\n")[-1] == (
        "treble boost, level=0.9, through roll-off"
    )
    page.keyboard.press("Space")
    wait_for(page, "sessionPage.player.playing && sessionPage.player.position > 0.02")
    begun = page.evaluate("sessionPage.player.startedAt")
    page.keyboard.press("3")
    assert heard(page) == [0, 0, 1, 0]
    page.keyboard.press("n")
    assert heard(page) == [0, 0, 0, 1]
    assert page.evaluate("sessionPage.player.startedAt") == begun  # nothing began again
    page.keyboard.press("j")
    wait_for(page, "sessionPage.player?.sampleRate === 44100")
    page.wait_for_selector("#play:enabled")
    assert page.evaluate("document.getElementById('take').value") == "1"
    assert heard(page) == [0, 0, 0, 1]  # the same design of the next take
    page.select_option("#take", "0")
    wait_for(page, "sessionPage.player?.sampleRate === 48000")
    page.wait_for_selector("#play:enabled")
    page.locator("label.track").nth(1).click()
    assert heard(page) == [0, 1, 0, 0]
    assert page.locator("#take option").first.inner_text() == "first <b>.wav"


def test_what_is_heard_is_the_outputs_at_one_loudness(page, session):
    """Decoded samples against the files, up to a gain; loudness by the meter of BS.1770.

    A step and a half: half a step of rounding, and Chromium divides positive samples of 16 bits by
    32767 and negative ones by 32768.
    """
    tracks = page.evaluate("sessionPage.player.tracks.map((t) => Array.from(t.channels[0]))")
    levels = []
    for samples, name in zip(
        tracks, ("0.2", "0.2--through=roll-off", "0.9", "0.9--through=roll-off"), strict=True
    ):
        wave = np.array(samples)
        path = session[0] / "out" / f"first <b>-treble_boost--level={name}.wav"
        truth = soundfile.read(path)[0]
        gain = np.vdot(truth, wave) / np.vdot(truth, truth)
        np.testing.assert_allclose(wave, gain * truth, rtol=0, atol=1.5 * 2.0**-15)
        levels.append(integrated_loudness(wave, 48_000))
    np.testing.assert_allclose(levels, levels[0], atol=0.02)
