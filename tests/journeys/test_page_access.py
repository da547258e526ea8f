"""The listening page is there for everyone: phones, screen readers, print, dark rooms, calm eyes.

Authority: WCAG 2.1 (1.4.3 contrast, 1.4.10 reflow at 320 px, 2.5.5 target size, 4.1.2 names).
"""

import numpy as np
import pytest
from page_browser import browser, gains, open_page, page_file, result

__all__ = ["browser", "open_page", "page_file", "result"]  # fixtures

pytestmark = pytest.mark.browser


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
