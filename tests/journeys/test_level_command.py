"""A musician finds the volts of full scale, and hears when a take's level is no guitar's.

Authority: the definition of dBu (0.7746 V rms, IEC 60268-17); the amplitude of a synthesised tone,
which is its own truth; the contract of ``vadist level`` (its ``--help``).
"""

import math
import re

import numpy as np
import pytest
import soundfile
from render_runs import RIFF, run, sidecar

from vadist.cli import main


def level(*words, expect=0) -> None:
    assert main(["level", *map(str, words)]) == expect


def full_scale(said: str) -> float:
    """Peak volts from the option that is to be given to a render."""
    return float(re.search(r"--full-scale ([\d.]+)V", said)[1])


@pytest.mark.parametrize(("seed", "unit"), list(enumerate(["V", "Vrms", "Vpp", "dBu"])))
def test_a_tone_of_known_volts_at_an_unknown_gain(tmp_path, capsys, seed, unit):
    """Within 0.1 dB: with hum, hiss, DC, silence, a click, and any frequency and gain."""
    rng = np.random.default_rng(seed)
    rate = int(rng.choice([44_100, 48_000, 96_000]))
    volts, truth_v = 10 ** rng.uniform(-1.5, 0.0), 10 ** rng.uniform(0.3, 1.2)
    frequency = rng.uniform(80.0, 3000.0)
    time = np.arange(2 * rate) / rate
    heard = volts * np.sin(2 * np.pi * frequency * time + rng.uniform(0, 6)) / truth_v
    heard *= (time > 0.4) & (time < rng.uniform(1.0, 1.9))
    heard += 0.02 * volts / truth_v * np.sin(2 * np.pi * 50.0 * time + 1.0)
    heard += 0.001 * volts / truth_v * rng.standard_normal(len(time)) + 1e-4
    heard[100:110] += 0.5
    take = tmp_path / "tone.wav"
    soundfile.write(take, heard, rate, subtype="PCM_24")
    told = {
        "V": f"{volts}V", "Vrms": f"{volts / math.sqrt(2)}Vrms", "Vpp": f"{2 * volts}Vpp",
        "dBu": f"{20 * math.log10(volts / math.sqrt(2) / math.sqrt(0.6))}dBu",
    }[unit]  # fmt: skip
    level(take, "--tone", told)
    off_db = 20 * math.log10(full_scale(capsys.readouterr().out) / truth_v)
    print(f"{off_db:+.4f} dB")
    assert abs(off_db) < 0.1


def test_an_interface_by_its_data_sheet(capsys):
    """12.5 dBu is 0.7746 V x 10^(12.5/20) x sqrt(2); 20 dB of gain take a tenth of it."""
    level(RIFF, "--interface", "12.5dBu", "--gain", "20dB")
    said = capsys.readouterr()
    truth_v = math.sqrt(2 * 0.6) * 10 ** (12.5 / 20) / 10
    assert full_scale(said.out) == pytest.approx(truth_v, rel=1e-3)
    peak_v = truth_v * np.abs(soundfile.read(RIFF)[0]).max()
    assert f"input peak      {1e3 * peak_v:.3g} mV" in said.out
    assert said.err == ""


def test_a_note_of_a_usual_level_and_the_blocks_it_meets(capsys):
    level(RIFF, "--note", "--design", "treble_boost")
    said = capsys.readouterr().out
    peak = np.abs(soundfile.read(RIFF)[0]).max()
    assert full_scale(said) == pytest.approx(0.2 / peak, rel=1e-3)
    assert "a guess within 6 dB" in said
    rung = re.search(r"boost +([\d.]+) dB (above|below) ([\d.]+) mV", said)
    apart = 20 * math.log10(0.2 / (1e-3 * float(rung[3])))
    assert (apart > 0) == (rung[2] == "above")
    assert float(rung[1]) == pytest.approx(abs(apart), abs=0.1)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--tone", "0dBu"], "holds no steady tone"),
        (["--tone", "loud"], "--tone must be a level"),
        (["--interface", "12.5dBu", "--gain", "much"], "--gain must be decibels"),
        (["--channel", "2"], "has 1 channels, and no number 2"),
        (["--channel", "0"], "--channel must be at least 1"),
    ],
)
def test_what_cannot_be_told(tmp_path, capsys, words, told):
    take = RIFF
    if words == ["--tone", "loud"]:
        take = tmp_path / "tone.wav"
        soundfile.write(take, 0.1 * np.sin(np.arange(48_000) * 0.1), 48_000)
    level(take, *words, expect=2)
    said = capsys.readouterr()
    assert told in said.err
    assert said.out == ""


@pytest.mark.parametrize(
    ("given", "told"), [("1V", ""), ("12dBV", "hotter than passive"), ("20mV", "quieter than")]
)
def test_a_render_tells_the_input_in_volts(tmp_path, capsys, given, told):
    """Beside what the first blocks did with it; and warns of what no guitar gives."""
    samples, rate = soundfile.read(RIFF, start=16_000, frames=24_000)
    take, output = tmp_path / "take.wav", tmp_path / "out.wav"
    soundfile.write(take, samples * 0.6 / np.abs(samples).max(), rate, subtype="PCM_24")
    run(take, "--design", "treble_boost", "--full-scale", given, "--out", output)
    said = capsys.readouterr()
    peak_v = 0.6 * {"1V": 1.0, "12dBV": math.sqrt(2) * 10**0.6, "20mV": 0.02}[given]
    assert sidecar(output)["input"]["peak_v"] == pytest.approx(peak_v, rel=1e-5)
    assert f"  input peak {peak_v:.3g} V, as loud as a sine of " in said.out
    reached = next(iter(sidecar(output)["stages"].values()))
    far = max(reached["high_v"] - reached["rest_v"], reached["rest_v"] - reached["low_v"])
    assert f"{next(iter(sidecar(output)['stages']))} {far:.3g} V from rest" in said.out
    assert told in said.err
    assert ("is --full-scale right?" in said.err) == bool(told)
