"""Files of results: never put over an input, and over another file only when that was asked."""

import os
from collections.abc import Callable, Iterable
from pathlib import Path

from vadist.errors import UsageError
from vadist.files import AnyPath, same_file
from vadist.names import printable

Target = tuple[str, AnyPath | None]
"""An option and the file it names; None, or ``-`` for standard output, is no file."""


def refuse_taken(targets: Iterable[Target], inputs: Iterable[AnyPath], overwrite: bool) -> None:
    """Refuse a target that is an input, that another option names, or that is there already.

    Raises
    ------
    UsageError
        With the option and the file.
    """
    read = list(dict.fromkeys(os.fspath(path) for path in inputs))
    named: dict[str, str] = {}
    for option, path in targets:
        if path is None or os.fspath(path) == "-":
            continue
        place = f"{option} {printable(os.fspath(path))}"
        if (real := os.path.realpath(path)) in named:
            raise UsageError(f"{place}: is what {named[real]} writes; give another name")
        named[real] = option
        if not os.path.lexists(path):
            continue
        if any(same_file(path, each) for each in read):
            raise UsageError(f"{place}: is read by this run and is never replaced")
        if not overwrite and not Path(path).is_dir():
            raise UsageError(f"{place}: exists; give another name or --overwrite")


def tell(show: Callable[[], None], write: Callable[[], None]) -> None:
    """Show a result and write its files: these also where nobody reads on, as behind ``head``."""
    try:
        show()
    except (BrokenPipeError, SystemExit):  # the latter is rich's answer to the former
        write()
        raise
    write()


def remove_old(targets: Iterable[Target]) -> None:
    """Remove what an earlier run told, so that it cannot be taken for this run's."""
    for _, path in targets:
        if path is not None and os.fspath(path) != "-" and Path(path).is_file():
            Path(path).unlink(missing_ok=True)
