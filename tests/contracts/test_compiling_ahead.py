"""Compiling ahead says what it does and ends when it is told to.

Authority: the contract of ``vadist.kernel.ahead``; the operating system's word on its processes.
"""

import logging
import signal

import pytest
from example_circuits import every_stage

from vadist.circuits.operating_point import solve_network
from vadist.designs.chain import Chain
from vadist.kernel import ahead
from vadist.pool import Stopped
from vadist.stepping.circuit import build_circuit


def test_work_that_is_called_off_ends_its_processes(monkeypatch, tmp_path, caplog) -> None:
    monkeypatch.setenv("VADIST_CACHE", str(tmp_path))
    stages = {f"boost{k}": every_stage()["transistor_boost"] for k in range(4)}
    circuit = build_circuit(solve_network(Chain(stages, load_ohm=1e6).design().network()), 384_000)
    program = circuit.program(0, 16)
    started, begin = [], ahead._started
    monkeypatch.setattr(ahead, "_started", lambda p: started.append(begin(p)) or started[-1])

    def waits() -> None:
        if started:
            raise Stopped

    with caplog.at_level(logging.INFO), pytest.raises(Stopped):
        ahead.compile_ahead([program], waits)
    assert "compiling" in caplog.text
    assert [process.wait(timeout=10) for process in started] == [-signal.SIGKILL]
