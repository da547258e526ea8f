"""A process of its own for what is told of a design, so that sounds never wait for it.

Figures take as much of the interpreter as the stepping of a loop does; in one process the two would
hold each other up. This one gives way to everything else on the machine.
"""

import os
import signal
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import suppress
from multiprocessing import get_context
from typing import Any

_NICE = 10


class Teller:
    """Runs functions with what can be sent to a process, one after the other."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None

    def ask(self, work: Callable[..., Any], *given: Any) -> "Future[Any]":
        """Have something worked out; the process is started when it is first needed."""
        if self._pool is None:
            self._pool = ProcessPoolExecutor(1, get_context("spawn"), _polite)
        return self._pool.submit(work, *given)

    def stop(self) -> None:
        """End the process, whatever it is at."""
        pool, self._pool = self._pool, None
        if pool is None:
            return
        processes = list((getattr(pool, "_processes", None) or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            with suppress(OSError):
                process.terminate()


def _polite() -> None:
    """Leave interrupts to the one who asks, and the machine to everybody."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(_NICE)
