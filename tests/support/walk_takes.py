"""A short walk for tests: quiet notes with one loud burst, along two blocks."""

import base64
import io
import re
from functools import cache

import numpy as np
import soundfile

from vadist import load_design
from vadist.walks.page import build_page
from vadist.walks.walk import Take, Walk, build_walk

RATE = 48_000
BURST_S = (0.5, 0.6)
HOSTILE = '</script><b onclick="x">$note'


def take() -> np.ndarray:
    """A second of 220 Hz at 50 mV with a burst of 440 Hz at 0.6 V in it."""
    time = np.arange(RATE) / RATE
    burst = (time >= BURST_S[0]) & (time < BURST_S[1])
    quiet = 0.05 * np.sin(2 * np.pi * 220 * time)
    return np.where(burst, 0.6 * np.sin(2 * np.pi * 440 * time), quiet)[:, None]


@cache
def short_walk() -> Walk:
    """Along the preset with the fewest blocks."""
    return build_walk(load_design("treble_boost"), Take(HOSTILE + ".wav", take(), RATE))


@cache
def short_page() -> str:
    """Its page."""
    return build_page(short_walk())


def sounds_of(page: str) -> dict[int, np.ndarray]:
    """What a page plays, by number: its FLAC as an independent reader has it."""
    texts = re.findall(r'id="audio-(\d+)">([^<]+)<', page)
    return {
        int(k): soundfile.read(io.BytesIO(base64.b64decode(text)), always_2d=True)[0]
        for k, text in texts
    }
