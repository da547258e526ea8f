"""Worker threads that an interrupt can stop."""

import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor, wait
from contextlib import contextmanager
from typing import TypeVar

Result = TypeVar("Result")

_NAP_S = 0.1


class Stopped(Exception):  # noqa: N818 - it is no error: the work was called off
    """Raised inside a worker whose work has been called off."""


def results(
    executor: Executor, work: Callable[..., Result], *arguments: Iterable[object]
) -> Iterator[Result]:
    """Results of some work on each set of arguments, in order.

    Waits in short naps: an interrupt that arrives just before a wait without end begins would be
    noticed only after it, and on some systems never during it.
    """
    for future in [executor.submit(work, *each) for each in zip(*arguments, strict=True)]:
        while not wait([future], timeout=_NAP_S).done:
            pass
        yield future.result()


class StoppablePool:
    """A thread pool and the sign that its work is called off.

    Parameters
    ----------
    threads : int
    progress : called with each amount of work done, from any thread
    """

    def __init__(self, threads: int, progress: Callable[[int], None]) -> None:
        self.executor = ThreadPoolExecutor(threads)
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._progress = progress

    def tick(self, amount: int) -> None:
        """Report work done; raises :class:`Stopped` if the work is called off."""
        if self._stop.is_set():
            raise Stopped
        with self._lock:
            self._progress(amount)

    def stop(self) -> None:
        """Call the work off: workers end at their next tick."""
        self._stop.set()


@contextmanager
def stoppable_pool(
    threads: int, progress: Callable[[int], None] = lambda amount: None
) -> Iterator[StoppablePool]:
    """Worker threads for a block of work; leaving by an exception stops them at once."""
    pool = StoppablePool(threads, progress)
    try:
        yield pool
    except BaseException:
        pool.stop()
        raise
    finally:
        pool.executor.shutdown(wait=True, cancel_futures=True)
