"""Files written whole or not at all.

A writer works on a hidden draft in the target's folder and renames it at the end, so a target is
either whole or untouched. Drafts have names of their own, so two programs never share one; what a
killed program left is cleared away a day later by the next that writes there.
"""

import os
import re
import secrets
import stat
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

from vadist.errors import AudioFileError
from vadist.names import printable

AnyPath = str | os.PathLike[str]

KEPT_S = 24 * 3600.0
"""Age at which the draft of a program that was killed is cleared away."""

_DRAFT = re.compile(r"\.vadist-[0-9a-f]{12}\.(part|draft\.wav)")


def refuse(path: Path, rule: str) -> AudioFileError:
    """One line that names a file and the rule it breaks."""
    return AudioFileError(f"{printable(path)}: {rule}")


@contextmanager
def told(path: Path, trouble: str) -> Iterator[None]:
    """Turn what the system or libsndfile raises into one line: `trouble`, then their reason."""
    try:
        yield
    except (OSError, RuntimeError, TypeError, ValueError) as error:  # libsndfile's: RuntimeError
        said = getattr(error, "strerror", None) or getattr(error, "error_string", None) or error
        reason = " ".join(str(said).split()).rstrip(".") or "no reason given"
        raise refuse(path, f"{trouble} ({reason})") from None


def draft_path(folder: Path, ending: str = "part") -> Path:
    """Name for a draft, ``part`` or ``draft.wav``, that no other program uses."""
    return folder / f".vadist-{secrets.token_hex(6)}.{ending}"


@cache
def clear_old_drafts(folder: Path) -> None:
    """Remove drafts that have not been written to for a day; looked for once a folder."""
    with suppress(OSError):
        for entry in os.scandir(folder):
            if _DRAFT.fullmatch(entry.name):
                age_s = time.time() - entry.stat(follow_symlinks=False).st_mtime
                if age_s > KEPT_S:
                    with suppress(OSError):
                        Path(entry.path).unlink()


class PartialFile:
    """A hidden draft beside its target, renamed onto it when whole."""

    def __init__(self, path: AnyPath, overwrite: bool) -> None:
        self.path = Path(path)
        self.overwrite = overwrite
        self.check_target()
        with told(self.path, "its folder cannot be made"):
            self.path.parent.mkdir(parents=True, exist_ok=True)
        clear_old_drafts(self.path.parent)
        self.partial = draft_path(self.path.parent)

    def check_target(self) -> None:
        """Refuse a target that is no file, or is there and may not be replaced."""
        with told(self.path, "cannot be written"), suppress(FileNotFoundError, NotADirectoryError):
            mode = self.path.lstat().st_mode
            if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
                raise refuse(self.path, "must be a file to write (a folder or device is there)")
            if not self.overwrite:
                raise refuse(self.path, "exists already; choose another name or allow overwriting")

    def commit(self) -> None:
        """Put the draft in the target's place, once its bytes are on the disk."""
        self.check_target()
        with told(self.path, "cannot be written"):
            with self.partial.open("rb+") as file:
                os.fsync(file.fileno())  # or a power cut may leave a name without its bytes
            self.partial.replace(self.path)

    def discard(self) -> None:
        """Remove the draft; after :meth:`commit` there is none."""
        with suppress(OSError):
            self.partial.unlink()


def write_text_atomically(path: AnyPath, text: str, overwrite: bool = False) -> None:
    """Write UTF-8 text whole or not at all, line ends as given."""
    write_lines_atomically(path, [text], overwrite)


def write_lines_atomically(path: AnyPath, pieces: Iterable[str], overwrite: bool = False) -> None:
    """Write pieces of UTF-8 text as they come, whole or not at all, line ends as given."""
    target = PartialFile(path, overwrite)
    try:
        with (
            told(target.path, "cannot be written"),
            target.partial.open("x", encoding="utf-8", newline="") as file,
        ):
            file.writelines(pieces)
        target.commit()
    finally:
        target.discard()


def write_bytes_atomically(path: AnyPath, content: bytes, overwrite: bool = False) -> None:
    """Write bytes whole or not at all."""
    target = PartialFile(path, overwrite)
    try:
        with told(target.path, "cannot be written"):
            target.partial.write_bytes(content)
        target.commit()
    finally:
        target.discard()


def same_file(a: AnyPath, b: AnyPath) -> bool:
    """Whether two paths lead to one file, through links too.

    >>> same_file("takes/riff.wav", "takes/../takes/riff.wav"), same_file("a.wav", "b.wav")
    (True, False)
    """
    try:
        return Path(a).samefile(b)
    except OSError:  # one is not there yet: compare where they would be
        return os.path.realpath(a) == os.path.realpath(b)
