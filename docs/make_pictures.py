"""Make the pictures of the README again, from the presets and the demo takes.

    python docs/make_pictures.py [NAME...]

The schematic comes from ``vadist draw``, the scope picture from ``vadist inspect --plots``; the
listening page is written by ``vadist audition`` and photographed in a headless Chromium
(``/usr/bin/chromium``, or ``CHROMIUM``).
"""

import os
import shutil
import sys
import tempfile
from pathlib import Path

from vadist.cli import main

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "docs" / "pictures"
INSPECTED = ("inspect", "boosted_hard_clipper", "--set", "drive=0")
AUDITIONED = (
    "audition", str(ROOT / "demo_audio" / "palm_muted_riff.wav"),
    "--design", "boosted_hard_clipper",
    "--try", "clipper.shunt_capacitor=4n7,10n,22n", "--try", "clipper.diodes=1N34A,red LED",
)  # fmt: skip
LARGEST = 200_000
"""Bytes of a picture at most: a README is read over telephones, too."""


def drawing(path: Path) -> None:
    """Draw what `vadist inspect` draws under the name of the file."""
    with tempfile.TemporaryDirectory() as folder:
        _run(*INSPECTED, "--plots", folder, "--format", path.suffix[1:])
        shutil.copyfile(Path(folder) / path.name, path)


def schematic(path: Path) -> None:
    """Draw a preset's schematic, as `vadist draw` does."""
    _run("draw", "boosted_hard_clipper", "--out", str(path), "--overwrite")


def listening_page(path: Path) -> None:
    """Photograph the listening page with a second track chosen."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    chromium = os.environ.get("CHROMIUM", "/usr/bin/chromium")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        _run(*AUDITIONED, "--out", folder, "--overwrite")
        running = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = running.new_page(viewport={"width": 1100, "height": 900})
        page.goto((Path(folder) / "listen.html").as_uri())
        page.wait_for_selector("#play:enabled")
        page.keyboard.press("2")
        page.wait_for_timeout(1000)
        page.screenshot(path=path)
        running.close()
    Image.open(path).convert("RGB").quantize(128).save(path, optimize=True)


PICTURES = {
    "board.svg": schematic,
    "scope.svg": drawing,
    "listen.png": listening_page,
}


def _run(*words: str) -> None:
    if main(words) != 0:
        sys.exit(1)


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name in sys.argv[1:] or PICTURES:
        PICTURES[name](FOLDER / name)
        size = (FOLDER / name).stat().st_size
        print(f"{FOLDER / name}  {size / 1e3:.0f} kB")
        if size > LARGEST:
            sys.exit(f"{name} has more than {LARGEST / 1e3:.0f} kB")
