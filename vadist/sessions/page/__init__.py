"""The page of a session: every take through every design, to switch between at the same place.

Audio is FLAC, a script file a take, decoded when that take is chosen. Up to
:data:`LIMIT_BYTES` the scripts stand in the page, beyond it in a folder beside. Player, keys and
style are those of an audition's page.
"""

import base64
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vadist.audio_files import TakeReader
from vadist.audition.matching import SILENCE_V, match_levels
from vadist.audition.page.size import expected_bytes
from vadist.files import write_text_atomically
from vadist.flac import MOST_CHANNELS, flac_bytes
from vadist.pages import listening_style, program, script_json, templates

LIMIT_BYTES = 40_000_000
"""Largest page with its audio inside."""

_BITS = 16


@dataclass(frozen=True)
class Shelf:
    """Outputs of one take.

    Attributes
    ----------
    take : str
        Its name, for people.
    names : tuple of str
        What each output is.
    outputs : tuple of Path
    """

    take: str
    names: tuple[str, ...]
    outputs: tuple[Path, ...]


def page_bytes(samples: int) -> float:
    """What a page with so many samples inside will take, all channels together, roughly."""
    return expected_bytes(samples, _BITS)


def audio_folder(page: Path) -> Path:
    """Where the audio of a page lies that is too large to hold it."""
    return page.with_name(f"{page.stem}-audio")


def write_page(page: Path, shelves: Sequence[Shelf]) -> bool:
    """Write a page for outputs that are there.

    All tracks of a take come to one loudness on the page; the files stay as they are.

    Parameters
    ----------
    page : Path
    shelves : sequence of Shelf

    Returns
    -------
    bool
        Whether the audio is inside; else it lies in :func:`audio_folder`.

    Raises
    ------
    AudioFileError
    """
    folder, inside = audio_folder(page), True
    total, scripts, takes = 0, [], []
    shutil.rmtree(folder, ignore_errors=True)
    for number, shelf in enumerate(shelves):
        told, script = _encoded(number, shelf)
        takes.append(told)
        scripts.append(script)
        total += len(script)
        if total > LIMIT_BYTES:
            inside = False
        if not inside:  # memory holds no more than a page would
            for k, text in enumerate(scripts):
                if text:
                    write_text_atomically(folder / f"{k}.js", text, overwrite=True)
                    scripts[k] = ""
    html = (
        templates("vadist.sessions", "page")
        .get_template("session.html")
        .render(
            style=listening_style(),
            program=program("vadist.sessions.page", ("session.js",)),
            data=script_json({"takes": takes, "folder": "" if inside else folder.name}),
            takes=takes,
            scripts=scripts if inside else [],
        )
    )
    write_text_atomically(page, html, overwrite=True)
    return inside


def _encoded(number: int, shelf: Shelf) -> tuple[dict[str, Any], str]:
    """What the page is told of a take, and the script that holds its tracks."""
    tracks, rate = [], 0
    for path in shelf.outputs:
        with TakeReader(path) as reader:
            rate = reader.sample_rate_hz
            tracks.append(reader.read(reader.frames)[:, :MOST_CHANNELS])
    frames = max(len(track) for track in tracks)
    tracks = [np.pad(track, ((0, frames - len(track)), (0, 0))) for track in tracks]
    loud = [k for k, track in enumerate(tracks) if np.abs(track).max() >= SILENCE_V]
    gains = [0.0] * len(tracks)
    if loud:
        match = match_levels([tracks[k] for k in loud], [shelf.names[k] for k in loud], rate)
        for k, gain_db in zip(loud, match.gains_db, strict=True):
            gains[k] = gain_db
    texts = [
        base64.b64encode(flac_bytes(track * 10.0 ** (gain / 20.0), rate, _BITS)).decode("ascii")
        for track, gain in zip(tracks, gains, strict=True)
    ]
    told = {"name": shelf.take, "tracks": list(shelf.names), "rate": rate, "frames": frames}
    return told, f"sessionAudio({number}, {script_json(texts)});\n"
