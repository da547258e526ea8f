"""Names of a session's outputs: what differs stands in them, and no two are alike."""

import os
import re
import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.errors import UsageError
from vadist.names import file_words, nearest, printable, short_stem

if TYPE_CHECKING:
    from vadist.sessions.plan import Job

FIELDS = ("take", "folder", "design", "settings", "number")
"""What a pattern may hold: the take's name and its folder's, the design's, what was changed in
it, and the number of the render."""

USUAL = "{take}-{design}--{settings}"

_FIELD = re.compile(r"\{([^{}]*)\}")
_JOINTS = "-_. "
_MOST_NAMED = 20


def check_pattern(pattern: str) -> None:
    """Refuse a pattern with a field that is none, or that leads out of the folder.

    Raises
    ------
    UsageError
    """
    for field in _FIELD.findall(pattern):
        if field not in FIELDS:
            raise UsageError(
                f"--name {printable(pattern)}: there is no field {{{printable(field)}}}"
                f"{nearest(field, FIELDS)}; known: {', '.join(f'{{{f}}}' for f in FIELDS)}"
            )
    plain = _FIELD.sub("", pattern)
    if "{" in plain or "}" in plain:
        raise UsageError(f"--name {printable(pattern)}: a brace stands alone")
    if Path(pattern).is_absolute() or ".." in Path(pattern).parts:
        raise UsageError(f"--name {printable(pattern)}: must stay within the folder of --out")


def output_name(pattern: str, job: "Job", number: int, count: int, suffix: str) -> str:
    """File name of a job, with the folders that its pattern asks for.

    A field that is empty takes what joins it to its neighbour with it; long names are cut, and
    told apart by a hash of the whole.
    """
    values = {
        "take": job.take.stem,
        "folder": file_words(job.take.absolute().parent.name),
        "design": file_words(job.name),
        "settings": "--".join(file_words(change) for change in job.changes),
        "number": f"{number:0{len(str(count))}}",
    }
    parts = [
        _filled(part, values).strip(_JOINTS) if "{settings}" in part else _filled(part, values)
        for part in pattern.split("/")
    ]
    parts = [short_stem(part) for part in parts if part]
    return "/".join(parts) + suffix


def _filled(part: str, values: dict[str, str]) -> str:
    return _FIELD.sub(lambda found: values[found[1]], part)


def refuse_collisions(outputs: Sequence[Sequence[Path]], told: Sequence[str]) -> None:
    """Refuse outputs that would share a file, also where capitals make no difference; all at once.

    Parameters
    ----------
    outputs : sequence of sequence of Path
        Of each job.
    told : sequence of str
        What each job is, for the message.

    Raises
    ------
    UsageError
        One line for each file that two jobs would write.
    """
    first: dict[str, int] = {}
    faults = []
    for k, paths in enumerate(outputs):
        for path in paths:
            key = unicodedata.normalize("NFC", os.path.realpath(path)).casefold()
            other = first.setdefault(key, k)
            if other != k:
                faults.append(
                    f"{told[k]}: would be written to {printable(path)}, as an earlier one would "
                    f"({told[other]})"
                )
    if faults:
        more = [f"and {len(faults) - _MOST_NAMED} more"] if len(faults) > _MOST_NAMED else []
        hint = "give a --name that tells them apart, like {folder}-{take}-{design}--{settings}"
        raise UsageError("\n".join([*faults[:_MOST_NAMED], *more, hint]))
