"""How long it takes from a key to the new sound on the page of ``vadist turn``.

Run by hand: ``python tests/studies/turning.py``. It starts the command on the boosted hard clipper
with a loop of 4 s, opens the page in a headless Chromium, presses arrow keys in fields of late
parts and of early ones, each to a value that was not heard before, and tells medians and 95th
percentiles from the key's own time to that at which the new sound starts, as scheduled on the audio
clock; then the same work without a browser in processor seconds. What else the machine did in the
meantime is told by its load.
"""

import argparse
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from vadist.audition.files import read_excerpt
from vadist.designs.files import design_text, load_design
from vadist.turning.work import Desk

ROOT = Path(__file__).parents[2]
TAKE = ROOT / "demo_audio" / "chords.wav"
NAME = "boosted_hard_clipper"
LATE = ("clipper.shunt_capacitor", "blend.high_capacitor", "volume.level_pot", "tone", "level")
EARLY = ("buffer.input_capacitor", "boost.emitter_resistor", "boost.input_capacitor", "drive")
WAIT_MS = 60_000
SWITCHES = ["--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required"]


def told(label: str, milliseconds: list[float], limit_ms: float | None = None) -> None:
    median, late = np.percentile(milliseconds, [50, 95])
    verdict = ""
    if limit_ms is not None:
        verdict = f"; median {'under' if median < limit_ms else 'NOT under'} {limit_ms:.0f} ms"
    print(
        f"{label:<34} {median:6.0f} ms median, {late:6.0f} ms 95th percentile, "
        f"{len(milliseconds)} changes{verdict}"
    )


def pressed(page, path: str, presses: int) -> tuple[list[float], list[float]]:
    """Time from the key to the first sound and to the settled one, each press by itself."""
    field = page.locator(f"#value-{path.replace('.', chr(92) + '.')}")
    first, settled = [], []
    for _ in range(presses):
        field.focus()
        page.evaluate("turnPage.latencies.length = 0")
        field.press("ArrowUp")
        begun = time.monotonic()
        while True:
            found = page.evaluate("turnPage.latencies")
            if found and found[-1]["kind"] == "settled":
                break
            if 1000.0 * (time.monotonic() - begun) > WAIT_MS:
                raise SystemExit(f"{path}: nothing was heard; {page.inner_text('#problem')}")
            time.sleep(0.05)
        first.append(found[0]["ms"])
        settled.append(found[-1]["ms"])
        page.wait_for_timeout(250)
    return first, settled


def in_the_browser(presses: int) -> None:
    from playwright.sync_api import sync_playwright

    chromium = os.environ.get("CHROMIUM", "/usr/bin/chromium")
    command = [sys.executable, "-m", "vadist", "turn", NAME, str(TAKE), "--no-open"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        try:
            address = next(
                found[0] for line in running.stdout if (found := re.search(r"http://\S+", line))
            )
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(
                    executable_path=chromium,
                    args=SWITCHES,
                )
                page = browser.new_page()
                page.goto(address)
                page.wait_for_selector("#play:enabled", timeout=WAIT_MS)
                page.click("#play")
                page.wait_for_selector("#ladder tbody tr", timeout=WAIT_MS)
                for label, paths, limit_ms in (
                    ("late part", LATE, 500),
                    ("early part", EARLY, 800),
                ):
                    first, settled = [], []
                    for path in paths:
                        heard, done = pressed(page, path, presses)
                        first += heard
                        settled += done
                        print(f"  {path:<26} {' '.join(f'{ms:.0f}' for ms in heard)}")
                    told(f"{label}, key to new sound", first, limit_ms)
                    told(f"{label}, key to settled sound", settled)
                browser.close()
        finally:
            running.terminate()


def without_a_browser(presses: int) -> None:
    excerpt = read_excerpt(TAKE, 0.0, 4.0)
    desk = Desk(load_design(NAME), design_text(NAME), excerpt.samples, excerpt.sample_rate_hz)
    for label, paths in (("late part", LATE), ("early part", EARLY)):
        spent: dict[str, list[float]] = {"draft": [], "settled": []}
        walls = []
        for path in paths:
            settings = {}
            for _ in range(presses):
                settings[path] = desk.stepped(settings, path, 1, "E12")
                for kind in spent:
                    begun, wall = time.process_time(), time.perf_counter()
                    desk.sound(settings, draft=kind == "draft")
                    spent[kind].append(time.process_time() - begun)
                    if kind == "draft":
                        walls.append(time.perf_counter() - wall)
        draft, more = (np.percentile(spent[kind], [50, 95]) for kind in spent)
        print(
            f"{label}: first sound {draft[0]:.2f} CPU seconds median, {draft[1]:.2f} in 95 % "
            f"({np.median(walls):.2f} s by the clock); to settle {more[0]:.2f} more"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--presses", type=int, default=4, choices=range(1, 6),
        help="of each value (4); a level of 0.75 has five steps to its end",
    )  # fmt: skip
    options = parser.parse_args()
    print(f"{os.cpu_count()} cores, load before {os.getloadavg()[0]:.1f}")
    without_a_browser(options.presses)
    in_the_browser(options.presses)
    print(f"load after {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
