"""Renders from the command line, and what is asked of their outputs."""

import json
from pathlib import Path

import pytest
import soundfile

from vadist.cli import main

DEMO = Path(__file__).parents[2] / "demo_audio"
RIFF = DEMO / "palm_muted_riff.wav"
STEP_24 = 2.0**-23


@pytest.fixture
def take(tmp_path):
    """Half a second of a demonstration take, from its second note."""
    samples, rate = soundfile.read(RIFF, start=16_000, frames=24_000)
    path = tmp_path / "take.wav"
    soundfile.write(path, samples, rate, subtype="PCM_24")
    return path


def run(*words, expect=0):
    assert main(["render", *map(str, words)]) == expect


def sidecar(output) -> dict:
    return json.loads(output.with_name(output.name + ".json").read_text(encoding="utf-8"))


def names(folder) -> list[str]:
    return sorted(p.name for p in folder.iterdir())
