"""A headless Chromium and a listening page for it: fixtures for the tests of the page.

Chromium is looked for at ``/usr/bin/chromium`` (Debian's package) or in ``CHROMIUM``. Without it
the tests fail under ``CI`` and are skipped elsewhere.
"""

import os
from pathlib import Path

import numpy as np
import pytest

from vadist.audition.candidates import make_candidates
from vadist.audition.page import build_page
from vadist.audition.run import audition_design
from vadist.designs.files import load_design

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
    return audition_design(design, candidates, note, RATE, taps=True)


@pytest.fixture(scope="module")
def page_file(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "listen.html"
    path.write_text(build_page(result, "</script><b>note</b>.wav"), encoding="utf-8")
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
