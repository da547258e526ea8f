"""Work on threads: results in order, and an interrupt that is never missed.

Authority: Python's own rule that signal handlers run in the main thread, whichever thread the
system woke for the signal.
"""

import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from vadist.pool import results


@pytest.fixture
def executor():
    with ThreadPoolExecutor(2) as threads:
        yield threads


def test_results_come_in_order(executor: ThreadPoolExecutor) -> None:
    """The first may take the longest; an error comes where its result would."""

    def work(seconds: float, name: str) -> str:
        time.sleep(seconds)
        if name == "bad":
            raise ValueError(name)
        return name

    found = results(executor, work, [0.25, 0.0, 0.0], ["slow", "quick", "bad"])
    assert [next(found), next(found)] == ["slow", "quick"]
    with pytest.raises(ValueError, match="bad"):
        next(found)


def test_an_interrupt_another_thread_was_woken_for(executor: ThreadPoolExecutor) -> None:
    """The main thread waits and is not woken; it must still notice within a nap."""
    begun, end = threading.Event(), threading.Event()

    def work() -> None:
        begun.set()
        end.wait(20.0)

    def interrupt() -> None:
        begun.wait()
        time.sleep(0.05)  # until the main thread waits
        signal.pthread_kill(threading.get_ident(), signal.SIGINT)

    usual = signal.signal(signal.SIGINT, signal.default_int_handler)
    threading.Thread(target=interrupt).start()
    start = time.monotonic()
    try:
        with pytest.raises(KeyboardInterrupt):
            list(results(executor, lambda _: work(), [0]))
        waited = time.monotonic() - start
    finally:
        signal.signal(signal.SIGINT, usual)
        end.set()
    assert waited < 5.0
