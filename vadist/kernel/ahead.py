"""Large kernels compiled ahead, side by side, in processes of their own.

Compiling takes seconds and cannot be interrupted; a process can. What was compiled is found in the
cache afterwards. Where no process can be started or nothing can be kept, a kernel is compiled when
it is first needed.
"""

import logging
import os
import pickle
import subprocess
import sys
import time
from collections.abc import Callable, Iterable

from vadist.kernel.compiled import is_kept
from vadist.kernel.structure import Program

_CODE = (
    "import pickle, sys; given = sys.stdin.buffer.read(); "
    "from vadist.kernel.compiled import kernel; kernel(pickle.loads(given))"
)
_NAP_S = 0.05

_LOG = logging.getLogger(__name__)


def compile_ahead(programs: Iterable[Program], waits: Callable[[], None]) -> None:
    """Compile what is not kept yet, as many at once as there are cores.

    Parameters
    ----------
    programs : iterable of Program
        The largest is best given first.
    waits : callable
        Called all the time; what it raises calls the work off.
    """
    waiting = [p for p in dict.fromkeys(programs) if p.large and not is_kept(p)]
    if not waiting:
        return
    _LOG.info("compiling this kind of circuit, once: a moment (%d kernels)", len(waiting))
    running: list[subprocess.Popen[bytes]] = []
    try:
        while waiting or running:
            running = [process for process in running if process.poll() is None]
            while waiting and len(running) < (os.cpu_count() or 1):
                running.append(_started(waiting.pop(0)))
            waits()
            time.sleep(_NAP_S)
    except OSError:
        return
    finally:
        for process in running:
            process.kill()


def _started(program: Program) -> "subprocess.Popen[bytes]":
    process = subprocess.Popen(
        [sys.executable, "-c", _CODE],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    assert process.stdin is not None
    with process.stdin as pipe:
        pipe.write(pickle.dumps(program))
    return process
