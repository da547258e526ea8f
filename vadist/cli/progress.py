"""A progress bar on a terminal, nothing elsewhere."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float], None]]:
    """Show a bar on standard error while the block runs; call what it yields with 0..1."""
    if not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn())
    bar = Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True)
    with bar:
        task = bar.add_task(label, total=1.0)
        yield lambda done: bar.update(task, completed=done)
