"""A population on a real Dask cluster: a scheduler and two worker processes, of which one dies.

They speak over the loopback interface.

Authority: the same population on threads of this process; every bit must be the same.
"""

import os
import re
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from vadist import load_design
from vadist.errors import UsageError
from vadist.population import cluster as cluster_module
from vadist.population import work
from vadist.population.boards import Boards
from vadist.population.cluster import shipment
from vadist.population.figure_names import parse_figure
from vadist.population.sound import hearing_of
from vadist.population.work import measure_population, pieces_of

RATE_HZ = 48_000
WORKER = "from distributed.cli.dask_worker import main; main()"
SCHEDULER = "from distributed.cli.dask_scheduler import main; main()"
QUIET = ("--no-dashboard",)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """Address of a scheduler, and its two workers' processes; without a nanny, so that one dies."""
    folder = tmp_path_factory.mktemp("cluster")
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONWARNINGS": "ignore"}
    processes = []

    def start(code, *words):
        log = folder / f"{len(processes)}.log"
        with log.open("wb") as told:
            processes.append(
                subprocess.Popen(
                    [sys.executable, "-c", code, *words], cwd=folder, env=environment,
                    stdout=told, stderr=told,
                )
            )  # fmt: skip
        return log

    log = start(SCHEDULER, "--host", "127.0.0.1", "--port", "0", *QUIET)
    address = None
    for _ in range(200):
        told = re.search(r"tcp://127\.0\.0\.1:\d+", log.read_text())
        if told:
            address = told[0]
            break
        time.sleep(0.1)
    assert address, log.read_text()
    for _ in range(2):
        start(WORKER, address, "--nthreads", "1", "--no-nanny", *QUIET)
    yield address, processes
    for process in processes:
        process.kill()
        process.wait()


def test_a_cluster_that_loses_a_worker_gives_the_same_bits(cluster, monkeypatch):
    from distributed import Client

    address, processes = cluster
    monkeypatch.setattr(work, "PIECE", 4)
    monkeypatch.setattr(work, "LANES_PIECE", 4)
    design = load_design("treble_boost")
    paths = ("boost.input_capacitor", "boost.collector_resistor")
    rng = np.random.default_rng(5)
    values = [design.value(p) for p in paths] * (1.0 + 0.1 * rng.uniform(-1, 1, (32, 2)))
    boards = Boards(design, paths, values)
    figures = [
        parse_figure(text, design)
        for text in ("boost rest", "gain at 1kHz", "bass cut", "null depth", "band change")
    ]
    sine = 0.1 * np.sin(2.0 * np.pi * 220.0 * np.arange(RATE_HZ // 2) / RATE_HZ)
    hearing = hearing_of(design, sine, RATE_HZ, oversample=2)
    here = measure_population(boards, figures, hearing=hearing, threads=2)
    assert not here.faults

    with Client(address) as client:
        client.wait_for_workers(2, timeout="30s")
        pieces = pieces_of(boards, figures)
        sent = shipment(client, pieces, hearing)
        assert (len(pieces), sent.workers) == (8, 2)
        # A piece holds a design and numbers, not the take: that goes to each worker once.
        assert sent.pieces / len(pieces) < 20_000 < 2 * len(sine) * 8 < sent.take
        killed = threading.Event()

        def kill_one(done: float) -> None:
            if done >= 0.2 and not killed.is_set():
                killed.set()
                os.kill(processes[1].pid, signal.SIGKILL)

        there = measure_population(
            boards, figures, hearing=hearing, cluster=client, progress=kill_one
        )
        assert killed.is_set()
        assert processes[1].wait(timeout=10) == -signal.SIGKILL
        assert len(client.scheduler_info()["workers"]) == 1
        # Pieces brought no take along: of one that was sent to each worker once, the one that
        # lives has handed on or taken over no more than that from the other.
        moved = client.run(
            lambda dask_worker: (
                sum(entry["total"] for entry in dask_worker.transfer_incoming_log)
                + dask_worker.transfer_outgoing_bytes_total
            )
        )
        print(sent, moved)
        assert max(moved.values()) <= 1.1 * sent.take
    assert np.array_equal(here.values, there.values)
    assert np.array_equal(here.boards, there.boards)


def test_a_cluster_that_does_not_answer_is_told(monkeypatch):
    monkeypatch.setattr(cluster_module, "PATIENCE_S", 0.5)
    design = load_design("treble_boost")
    with pytest.raises(UsageError, match=r"--cluster tcp://127.0.0.1:9: no scheduler answers"):
        measure_population([design], [parse_figure("rest", design)], cluster="tcp://127.0.0.1:9")
