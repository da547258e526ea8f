"""What of a session is there already: told by content, not by name.

An output is done if its sidecar tells of the same take, design, settings, response and versions,
and the file beside it is what the sidecar says. A sidecar takes its place just before its output
does, so whatever moment a run is cut short at, an output has one.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from vadist.designs.files import write_design
from vadist.errors import AudioFileError, VadistError
from vadist.names import printable
from vadist.rendering.files import outputs_of
from vadist.rendering.settings import FileSettings, audible
from vadist.rendering.sidecars import made_with, sidecar_path
from vadist.rendering.sources import sha256_of
from vadist.rendering.through import ROLL_OFF
from vadist.sessions.plan import Job

_MOST_NAMED = 20

Sidecar = Mapping[str, Any]


@cache
def hash_of(path: Path) -> str:
    """SHA-256 of a take or a response; empty if it cannot be read, which its render will tell."""
    try:
        return sha256_of(path)
    except VadistError:
        return ""


def recipes(job: Job, settings: FileSettings) -> list[dict[str, Any]]:
    """What makes each output of a job what it is, as its sidecar tells it."""
    heard = settings.audible
    usual = {
        "made_with": made_with(),
        "take": hash_of(job.take),
        "design": write_design(job.design),
        "settings": {**heard, "through": None},
        "through": "",
    }
    if settings.through is None:
        return [usual]
    known = settings.through == ROLL_OFF
    through = ROLL_OFF if known else hash_of(Path(settings.through))
    return [usual, {**usual, "through": through}]


def _recipe_of(sidecar: Sidecar) -> dict[str, Any]:
    response = sidecar["through"] or {"sha256": "", "name": ""}
    return {
        "made_with": sidecar["made_with"],
        "take": sidecar["take"]["sha256"],
        "design": sidecar["design"],
        "settings": {**audible(sidecar["settings"]), "through": None},
        "through": response["sha256"] or response["name"],
    }


def read_sidecar(output: Path) -> Sidecar | None:
    """Sidecar of an output; None where there is none that could be read."""
    try:
        read = json.loads(sidecar_path(output).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return read if isinstance(read, dict) else None


def mark_of(jobs: Sequence[Job], settings: FileSettings) -> str:
    """Mark of renders that share a gain: of what makes all of them what they are."""
    text = json.dumps([recipes(job, settings) for job in jobs], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def mark(recipe: Mapping[str, Any]) -> str:
    """Mark of one recipe."""
    return hashlib.sha256(json.dumps(recipe, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True)
class Standing:
    """How an output stands.

    Attributes
    ----------
    done : bool
    free : bool
        Whether nothing is there but what an interrupted run of the same job left.
    """

    done: bool
    free: bool


def standing(output: Path, recipe: Mapping[str, Any]) -> Standing:
    """How an output stands against what it is to be."""
    sidecar = read_sidecar(output)
    try:
        ours = sidecar is not None and _recipe_of(sidecar) == recipe
    except (KeyError, TypeError):  # of another version
        ours = False
    if ours and sidecar is not None and output.is_file():
        done = sha256_of(output) == sidecar["output"]["sha256"]
        return Standing(done, False)
    left = ours or not sidecar_path(output).exists()
    return Standing(False, left and not output.exists())


def pending(
    jobs: Sequence[Job], outputs: Sequence[Path], settings: FileSettings
) -> tuple[list[int], list[int]]:
    """Numbers of the jobs that are to be rendered, and of those that are done.

    Raises
    ------
    AudioFileError
        Naming all outputs that hold something else, unless settings let them be replaced.
    """
    to_do, done, other = [], [], []
    for k, (job, output) in enumerate(zip(jobs, outputs, strict=True)):
        pairs = zip(outputs_of(output, settings), recipes(job, settings), strict=True)
        found = [(path, standing(path, recipe)) for path, recipe in pairs]
        if all(each.done for _, each in found):
            done.append(k)
            continue
        to_do.append(k)
        other += [path for path, each in found if not (each.done or each.free)]
    if other and not settings.overwrite:
        names = ", ".join(map(printable, other[:_MOST_NAMED]))
        more = f" and {len(other) - _MOST_NAMED} more" if len(other) > _MOST_NAMED else ""
        raise AudioFileError(
            f"{names}{more}: made otherwise, or changed since; give another --out, or --overwrite "
            "to replace them"
        )
    return to_do, done
