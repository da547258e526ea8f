"""Boards made ready for the threads of a card: solved and discretised in processes.

Some 15 ms a board of small linear algebra, which threads cannot share out; a process that is given
a share of the boards can.
"""

import os
import pickle
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from vadist.arrays import IndexArray
from vadist.designs.design import Design
from vadist.errors import DesignError
from vadist.gpu.lane_tables import LaneTables, kin
from vadist.population.solved import solve_stack
from vadist.population.stacks import alike
from vadist.stepping.circuit import Circuit, build_circuit
from vadist.stepping.paces import usual_pace

_FEW = 64
# Boards that are done before a process has begun.

_NAP_S = 0.05

_CODE = (
    "import pickle, sys; from vadist.population.tabled import made_ready; "
    "given = pickle.load(sys.stdin.buffer); "
    "sys.stdout.buffer.write(pickle.dumps(made_ready(*given)))"
)


@dataclass(frozen=True)
class Ready:
    """Boards of a population, those of one structure together.

    Attributes
    ----------
    groups : list of (boards, LaneTables)
        Numbers of the boards and their lanes.
    faults : mapping of board -> text
    """

    groups: list[tuple[IndexArray, LaneTables]]
    faults: dict[int, str]


def made_ready(designs: Sequence[Design], rate_hz: float) -> Ready:
    """Solve and discretise boards, here and now.

    Parameters
    ----------
    designs : sequence of Design
    rate_hz : float
        The oversampled rate.
    """
    circuits: list[Circuit] = []
    numbers: list[int] = []
    alike_ones, faults = alike(designs)
    for group in alike_ones:
        for first in range(0, len(group), _FEW):
            boards, networks = zip(*group[first : first + _FEW], strict=True)
            try:
                stack = solve_stack([designs[board] for board in boards], networks)
            except DesignError as error:  # a fault of the structure, which all have
                faults |= dict.fromkeys(boards, str(error))
                continue
            faults |= {boards[k]: text for k, text in stack.faults.items()}
            for k in range(len(stack)):
                if k not in stack.faults:
                    solved = stack.board(k)
                    circuits.append(build_circuit(solved, rate_hz, (), usual_pace))
                    numbers.append(boards[k])
    together: dict[object, list[int]] = {}
    for k, circuit in enumerate(circuits):
        together.setdefault(kin(circuit), []).append(k)
    groups = [
        (np.array([numbers[k] for k in group]), LaneTables.of([circuits[k] for k in group]))
        for group in together.values()
    ]
    return Ready(groups, faults)


def made_ready_together(
    designs: Sequence[Design],
    rate_hz: float,
    processes: int | None = None,
    tick: Callable[[float], None] = lambda done: None,
) -> Ready:
    """The same, in as many processes as there are cores.

    Parameters
    ----------
    processes : int, optional
        All cores by default.
    tick : called with the share that is done, again and again; what it raises stops the work
    """
    count = min(processes or os.cpu_count() or 1, -(-len(designs) // _FEW))
    if count < 2:
        return made_ready(designs, rate_hz)
    cuts = np.linspace(0, len(designs), count + 1).astype(int)
    running: list[subprocess.Popen[bytes]] = []
    found: dict[int, Ready] = {}
    try:
        for first, last in pairwise(cuts):
            running.append(_started(designs[first:last], rate_hz))

        def collect(k: int) -> None:
            told = running[k].communicate()[0]
            if running[k].returncode == 0:
                found[k] = pickle.loads(told)

        waiting = [threading.Thread(target=collect, args=(k,)) for k in range(count)]
        for thread in waiting:
            thread.start()
        while any(thread.is_alive() for thread in waiting):
            tick(len(found) / count)
            time.sleep(_NAP_S)
    except OSError:
        return made_ready(designs, rate_hz)
    finally:
        for process in running:
            process.kill()
    for k, (first, last) in enumerate(pairwise(cuts)):
        if k not in found:  # its process died
            found[k] = made_ready(designs[first:last], rate_hz)
    return _joined([found[k] for k in range(count)], cuts)


def _started(designs: Sequence[Design], rate_hz: float) -> "subprocess.Popen[bytes]":
    # One thread each: there are as many processes as cores.
    alone = {f"{library}_NUM_THREADS": "1" for library in ("OMP", "OPENBLAS", "MKL")}
    process = subprocess.Popen(
        [sys.executable, "-c", _CODE],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **alone},
    )
    assert process.stdin is not None
    process.stdin.write(pickle.dumps((designs, rate_hz)))
    process.stdin.close()
    process.stdin = None
    return process


def _joined(every: Sequence[Ready], cuts: IndexArray) -> Ready:
    groups: dict[object, list[tuple[IndexArray, LaneTables]]] = {}
    faults: dict[int, str] = {}
    for first, ready in zip(cuts[:-1].tolist(), every, strict=True):
        faults |= {first + board: text for board, text in ready.faults.items()}
        for boards, lanes in ready.groups:
            groups.setdefault(kin(lanes.circuit), []).append((first + boards, lanes))
    joined = [
        (np.concatenate([b for b, _ in parts]), LaneTables.joined([t for _, t in parts]))
        for parts in groups.values()
    ]
    return Ready(joined, faults)
