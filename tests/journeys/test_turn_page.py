"""The page of ``vadist turn`` in a headless Chromium: a person turns, undoes, keeps, compares.

Authority: what the page promises, and the loop as the desk renders it, sample for sample.
"""

import threading

import numpy as np
import pytest
from page_browser import browser  # noqa: F401 - a fixture

from vadist.designs.files import design_text, load_design
from vadist.turning.saving import Keeper
from vadist.turning.server import Served, made_server
from vadist.turning.work import Desk

RATE = 48_000
NAME = "treble_boost"
PART = "boost.emitter_resistor"
FIELD = "#value-boost\\.emitter_resistor"
STARTS_NOTED = """() => {
  window.starts = [];
  const { start } = AudioBufferSourceNode.prototype;
  AudioBufferSourceNode.prototype.start = function noted(when, offset) {
    window.starts.push([when, offset]);
    return start.call(this, when, offset);
  };
}"""


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    time = np.arange(RATE // 2) / RATE
    note = 0.2 * np.exp(-3.0 * time) * np.sin(2 * np.pi * 196.0 * time)
    desk = Desk(load_design(NAME), design_text(NAME), note[:, None], RATE, threads=2)
    folder = tmp_path_factory.mktemp("turned")
    served = Served(desk, Keeper(folder.resolve(), NAME, "note.wav"), 600.0)
    server, listening, address = made_server(served)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    yield served, address
    server.should_exit = True
    thread.join(20)


@pytest.fixture
def open_page(browser, served):  # noqa: F811
    """Open the page; afterwards its console must be free of errors, and nobody else was asked."""
    contexts, faults = [], []
    own = served[1].partition("?")[0]

    def noted(message):
        refused = "status of 422" in message.text  # a value without sense, which the page tells
        if message.type in ("error", "warning") and not refused:
            faults.append(message.text)

    def asked(request):
        if not request.url.startswith((own, "data:")):
            faults.append(request.url)

    def opened(**settings):
        context = browser.new_context(**settings)
        contexts.append(context)
        page = context.new_page()
        page.on("console", noted)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("request", asked)
        page.goto(served[1])
        page.wait_for_selector("#play:enabled")
        return page

    yield opened
    for context in contexts:
        context.close()
    assert faults == []


def settled(page, texts):
    """Wait until what is heard as turned has these settings and has settled."""
    for _ in range(400):
        track = page.evaluate(
            "(({settings, sound}) => ({settings, settled: sound.settled}))(turnPage.tracks.list[1])"
        )
        if track == {"settings": texts, "settled": True}:
            return
        page.wait_for_timeout(25)
    raise AssertionError(f"still {track}")


def test_a_value_is_turned_heard_undone_kept_and_compared(open_page, served) -> None:
    page = open_page()
    page.click("#play")
    field = page.locator(FIELD)
    first = field.input_value()
    field.focus()
    origin = page.evaluate("turnPage.player.origin")
    page.evaluate(STARTS_NOTED)
    field.press("ArrowUp")
    up = served[0].desk.stepped({}, PART, 1, "E12")
    settled(page, {PART: up})
    assert field.input_value() == up
    assert page.inner_text("#was-boost\\.emitter_resistor") == f"was {first}"
    # The sound goes on, on the clock it had, at a whole frame of it and in the loop.
    assert page.evaluate("turnPage.player.origin") == origin
    frames = page.evaluate(
        "(turnPage.player.voice.when - turnPage.player.origin) * turnPage.player.rate"
    )
    assert abs(frames - round(frames)) < 1e-3
    when, offset = page.evaluate("window.starts.at(-1)")
    assert when == page.evaluate("turnPage.player.voice.when")
    total = page.evaluate("turnPage.player.frames")
    assert round(offset * RATE, 6) == round(frames) % total
    sent = page.evaluate("Array.from(turnPage.player.voice.sound.channels[0])")
    desk = served[0].desk
    assert np.array_equal(sent, desk.sound({PART: up}).sound.volts[:, 0].astype(np.float32))
    latency = page.evaluate("turnPage.latencies.at(-1).ms")
    assert 0.0 < latency < 30_000.0

    page.click("#keep")
    assert page.locator("#tracks .track").count() == 3
    page.click("#undo")
    settled(page, {})
    assert field.input_value() == first
    page.click("#redo")
    settled(page, {PART: up})
    page.keyboard.press("Escape")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("3")
    assert page.evaluate("turnPage.tracks.chosen") == 2
    page.keyboard.press("r")
    assert page.evaluate("turnPage.tracks.chosen") == 0
    same = "turnPage.player.voice.sound === turnPage.tracks.list[0].sound"
    assert page.evaluate(same)
    page.keyboard.press("r")
    assert page.evaluate("turnPage.tracks.chosen") == 2


def test_keys_that_come_faster_than_sounds_add_up_and_the_last_is_heard(open_page, served) -> None:
    page = open_page()
    page.click("#play")
    page.locator(FIELD).focus()
    for _ in range(7):
        page.keyboard.press("ArrowDown")
    settled(page, {PART: served[0].desk.stepped({}, PART, -7, "E12")})


def test_values_are_typed_chosen_left_out_and_refused(open_page, served) -> None:
    page = open_page()
    field = page.locator(FIELD)
    field.fill("4k7")
    field.press("Enter")
    settled(page, {PART: "4k7"})
    field.fill("lots")
    field.press("Enter")
    page.wait_for_selector("#problem:not(:empty)")
    assert PART in page.inner_text("#problem")
    assert field.get_attribute("aria-invalid") == "true"
    assert field.input_value() == "lots"
    assert page.evaluate("JSON.stringify(turnPage.settings)") == f'{{"{PART}":"4k7"}}'
    page.click("#reset")
    settled(page, {})
    page.select_option("#value-boost\\.transistor", "2N5088")
    settled(page, {"boost.transistor": "2N5088"})
    page.click("#reset")
    page.locator("#block-volume input[type=checkbox]").uncheck()
    settled(page, {"volume": "none"})
    assert "out" in page.get_attribute("#block-volume", "class")
    knob = page.locator("#value-level")
    page.click("#reset")
    knob.focus()
    page.mouse.move(*centre(knob))
    page.mouse.wheel(0, -100)
    settled(page, {"level": served[0].desk.stepped({}, "level", 1, "E12")})
    page.mouse.wheel(0, 100)
    settled(page, {})


def centre(locator):
    box = locator.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_curves_figures_and_schematic_follow(open_page) -> None:
    page = open_page()
    page.wait_for_selector("#ladder tbody tr")
    page.locator(FIELD).focus()
    page.locator(FIELD).press("PageUp")
    page.wait_for_selector("#figures td.moved")
    page.wait_for_selector("#response .of-now")
    page.wait_for_selector("#response .of-reference")
    page.wait_for_selector("#scope .of-now")
    page.wait_for_selector("#spectrum .of-now")
    for _ in range(200):
        drawn = page.locator("#drawing svg text").all_text_contents()
        if page.locator(FIELD).input_value() in [text.strip() for text in drawn]:
            break
        page.wait_for_timeout(25)
    page.select_option("#node", "boost")
    assert "boost" in page.inner_text("#scope-caption")
    page.locator("#drawing text.goes", has_text="R1").first.click()
    assert page.evaluate("document.activeElement.id").startswith("value-boost.")


def test_a_blind_test_between_two_tracks(open_page) -> None:
    page = open_page()
    page.locator(FIELD).fill("4k7")
    page.locator(FIELD).press("Enter")
    settled(page, {PART: "4k7"})
    page.fill("#blind-trials", "2")
    page.click("#blind-start")
    assert page.locator(".sheet").is_hidden()
    for _ in range(2):
        page.keyboard.press("a")
        assert page.evaluate("turnPage.player.sound === turnPage.tracks.list[0].sound")
        page.keyboard.press("b")
        assert page.evaluate("turnPage.player.sound === turnPage.tracks.list[1].sound")
        page.keyboard.press("x")
        page.keyboard.press("f")
    assert "of 2 right" in page.inner_text("#blind-verdict")
    assert page.locator(".sheet").is_visible()


def test_levels_are_matched_or_true_and_what_is_kept_is_saved(open_page, served) -> None:
    page = open_page()
    page.locator("#value-level").fill("0.2")
    page.locator("#value-level").press("Enter")
    settled(page, {"level": "0.2"})
    gains = page.evaluate("turnPage.tracks.list.map(({sound}) => turnPage.player.factor(sound))")
    assert gains[1] > gains[0]
    page.select_option("#level", "true")
    gains = page.evaluate("turnPage.tracks.list.map(({sound}) => turnPage.player.factor(sound))")
    assert gains[1] == gains[0]
    page.click("#keep")
    page.fill("#save-name", "softer")
    page.click("#save-design")
    page.wait_for_selector("#saved:not(:empty)")
    folder = served[0].keeper.folder
    assert load_design(folder / "softer.toml").value("level") == 0.2
    page.click("#copy")
    page.wait_for_selector("#command:not([hidden])")
    assert "--set level=0.2" in page.inner_text("#command")


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_is_wider_than_the_window_and_all_fields_have_names(open_page, width) -> None:
    page = open_page(viewport={"width": width, "height": 844})
    page.wait_for_selector("#drawing svg")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    nameless = page.evaluate(
        "[...document.querySelectorAll('input, select, button')].filter((e) =>"
        " !e.labels?.length && !e.textContent.trim() && !e.getAttribute('aria-label'))"
        ".map((e) => e.outerHTML)"
    )
    assert nameless == []
