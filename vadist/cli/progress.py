"""Progress bars on a terminal, nothing elsewhere."""

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from rich.progress import Progress


class Bars:
    """Bars on standard error, one for each piece of work that runs; safe to use from threads."""

    def __init__(self, display: "Progress | None") -> None:
        self._display = display
        self._lock = threading.Lock()

    @contextmanager
    def bar(self, label: str) -> Iterator[Callable[[float], None]]:
        """Show a bar while the block runs; call what it yields with 0..1."""
        display = self._display
        if display is None:
            yield lambda done: None
            return
        task = display.add_task(label, total=1.0)
        try:
            yield lambda done: display.update(task, completed=done)
        finally:
            display.remove_task(task)

    def print(self, line: str, file: TextIO) -> None:
        """Print a line above the bars."""
        with self._lock:
            if self._display is not None:
                self._display.stop()
            print(line, file=file, flush=True)
            if self._display is not None:
                self._display.start()


@contextmanager
def progress_bars() -> Iterator[Bars]:
    """Show bars while the block runs, if standard error is a terminal."""
    if not sys.stderr.isatty():
        yield Bars(None)
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn())
    display = Progress(
        *columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True,
        redirect_stdout=False, redirect_stderr=False,
    )  # fmt: skip
    with display:
        yield Bars(display)


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float], None]]:
    """Show a single bar while the block runs; call what it yields with 0..1."""
    with progress_bars() as bars, bars.bar(label) as update:
        yield update
