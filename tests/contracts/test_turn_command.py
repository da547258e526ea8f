"""``vadist turn``: what it prints, what it refuses, how it stops.

Authority: the exit codes of the command line, and its rule of one line for bad input.
"""

import importlib.util
import re
import signal
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from vadist.cli import main


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    path = tmp_path_factory.mktemp("take") / "note.wav"
    soundfile.write(path, 0.1 * np.sin(2 * np.pi * 220.0 * np.arange(9600) / 48e3), 48_000)
    return path


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--length", "30s"], "--length must be within 0.1..20 s"),
        (["--length", "long"], "--length must be"),
        (["--linger", "1s"], "--linger must be at least 5 s"),
        (["--port", "99999"], "--port must be within"),
        (["--from", "9s"], "holds nothing from 9 s on"),
        (["--set", "volum.pot=1k"], "unknown value"),
    ],
)
def test_bad_input_is_one_line(take, capsys, words, said) -> None:
    assert main(["turn", "treble_boost", str(take), "--no-open", *words]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1


def test_without_the_extra_it_says_what_to_install(take, capsys, monkeypatch) -> None:
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name == "uvicorn" else found(name)
    )
    assert main(["turn", "treble_boost", str(take), "--no-open"]) == 2
    told = capsys.readouterr().err
    assert "pip install 'vadist[page]'" in told
    assert told.count("\n") == 1


def test_the_command_line_needs_no_server_to_start() -> None:
    code = "import sys, vadist.cli as c; c.build_parser(); print({'uvicorn'} & set(sys.modules))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "set()"


def test_an_interrupt_stops_it_and_its_port_is_free(take, tmp_path) -> None:
    command = [sys.executable, "-m", "vadist", "turn", "treble_boost", str(take), "--no-open"]
    with subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout is not None
        said = "".join(running.stdout.readline() for _ in range(4))
        assert re.search(r"open http://127\.0\.0\.1:\d+/\?token=[\w-]{43}\n", said)
        assert "NIOSH" in said
        running.send_signal(signal.SIGINT)
        assert running.wait(20) == 130
        assert running.stderr is not None
        assert "Traceback" not in running.stderr.read()
    assert not list(tmp_path.iterdir())
