"""Worker threads that an interrupt can stop."""

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager


class Stopped(Exception):  # noqa: N818 - it is no error: the work was called off
    """Raised inside a worker whose work has been called off."""


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
