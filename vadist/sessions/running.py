"""Renders of a session, short ones side by side; drafts first where they share a gain."""

import dataclasses
import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

from vadist.errors import VadistError
from vadist.files import KEPT_S, write_text_atomically
from vadist.pool import Stopped, results
from vadist.rendering.diagnostics import Diagnostics
from vadist.rendering.files import (
    finish,
    outputs_of,
    render_file,
    rendering_of,
    voices_of,
    write_draft,
)
from vadist.rendering.levels import Gain, Level, normalising_gain
from vadist.rendering.report import FileReport
from vadist.rendering.settings import FileSettings
from vadist.rendering.sources import Source
from vadist.sessions.plan import Job, costs, jobs_at_once
from vadist.sessions.resume import mark, read_sidecar, recipes

Outcome = FileReport | VadistError
Progress = Callable[[float], None]

TOGETHER = ("session", "design", "file")
"""What shares a gain: all renders, those of a design as it was set, or none."""

_DRAFTS = ".vadist-session-"

_LEAST_COST_S = 1e-3


class _Counter:
    """Progress of several jobs as one number, each weighed by what it costs."""

    def __init__(self, weights: Sequence[float], progress: Progress) -> None:
        self._weights = [max(weight, _LEAST_COST_S) for weight in weights]
        self._done = [0.0] * len(weights)
        self._progress = progress
        self._lock = threading.Lock()
        self.stopped = threading.Event()

    def of(self, k: int) -> Progress:
        """Progress of one job."""

        def update(done: float) -> None:
            if self.stopped.is_set():
                raise Stopped
            with self._lock:
                self._done[k] = done
                parts = zip(self._weights, self._done, strict=True)
                self._progress(sum(w * d for w, d in parts) / sum(self._weights))

        return update


def run_jobs(
    jobs: Sequence[Job],
    outputs: Sequence[Path],
    settings: FileSettings,
    progress: Progress = lambda done: None,
) -> Iterator[Outcome]:
    """Render jobs; what came of each, in order, as soon as all before it are there."""

    def work(job: Job, output: Path, update: Progress) -> Outcome:
        try:
            return render_file(job.design, job.take, output, settings, update)
        except VadistError as error:
            return error
        finally:
            update(1.0)

    with _workers(jobs, settings, progress) as (executor, counter):
        updates = [counter.of(k) for k in range(len(jobs))]
        yield from results(executor, work, jobs, outputs, updates)


class _workers:  # noqa: N801 - it reads as the function it is
    """Threads for jobs, called off when the block is left early."""

    def __init__(self, jobs: Sequence[Job], settings: FileSettings, progress: Progress) -> None:
        self._executor = ThreadPoolExecutor(
            jobs_at_once([job.take for job in jobs], settings.threads)
        )
        self._counter = _Counter(costs(jobs, settings), progress)

    def __enter__(self) -> tuple[ThreadPoolExecutor, _Counter]:
        return self._executor, self._counter

    def __exit__(self, *_: object) -> None:
        self._counter.stopped.set()
        self._executor.shutdown(cancel_futures=True)


def run_together(
    jobs: Sequence[Job],
    outputs: Sequence[Path],
    settings: FileSettings,
    done: Sequence[int],
    groups: Sequence[object],
    folder: Path,
    progress: Progress = lambda done: None,
) -> Iterator[Outcome]:
    """Render jobs that share a gain; what came of each that was not done, in order.

    Parameters
    ----------
    jobs, outputs
        Of the whole session.
    settings : FileSettings
        With ``normalise`` and the session's mark.
    done : sequence of int
        Jobs whose outputs are there; their gain is the group's.
    groups : sequence
        What each job shares its gain with.
    folder : Path
        Drafts go into a hidden one within it. What an interrupted run left there is taken up
        again, by a day later at most; it is removed when all that was to be done is.
    progress : called with the fraction done

    Raises
    ------
    UsageError
        If a group is silent.
    """
    to_do = [k for k in range(len(jobs)) if k not in set(done)]
    known: dict[object, list[Gain]] = {}
    for k in done:
        if groups[k] not in known:
            known[groups[k]] = _gains_of(outputs[k], settings)
    _clear_old(folder)
    folder = folder / f"{_DRAFTS}{mark({'session': settings.session})[:12]}"
    drafts = [folder / f"{mark(recipes(job, settings)[0])[:32]}.wav" for job in jobs]

    def draw(k: int, update: Progress) -> tuple[Diagnostics, list[Level]] | VadistError:
        try:
            return _drafted(jobs[k], drafts[k], outputs[k], settings, update)
        except VadistError as error:
            return error
        finally:
            update(1.0)

    def write(k: int) -> Outcome:
        drawn = drafted[k]
        if isinstance(drawn, VadistError):
            return drawn
        diagnostics, levels = drawn
        try:
            with Source(jobs[k].take, settings) as source:
                voices = voices_of(source, settings, drafts[k], outputs[k], diagnostics)
                return finish(jobs[k].design, source, settings, voices, levels, known[groups[k]])
        except VadistError as error:
            return error

    with _workers([jobs[k] for k in to_do], settings, progress) as (executor, counter):
        updates = [counter.of(k) for k in range(len(to_do))]
        drafted = dict(zip(to_do, results(executor, draw, to_do, updates), strict=True))
        for group in dict.fromkeys(groups[k] for k in to_do):
            members = [drafted[k] for k in to_do if groups[k] == group]
            heard = [each[1] for each in members if not isinstance(each, VadistError)]
            if group not in known and heard and settings.normalise is not None:
                known[group] = [
                    normalising_gain(voice, settings.heard_full_scale_v, settings.normalise)
                    for voice in zip(*heard, strict=True)
                ]
        failed = False
        for outcome in results(executor, write, to_do):
            failed |= isinstance(outcome, VadistError)
            yield outcome
    if not failed:
        shutil.rmtree(folder, ignore_errors=True)


def _clear_old(folder: Path) -> None:
    """Remove drafts of sessions that nobody went on with for a day."""
    for old in folder.glob(f"{_DRAFTS}*"):
        with suppress(OSError):
            newest = max((path.stat().st_mtime for path in old.iterdir()), default=0.0)
            if time.time() - newest > KEPT_S:
                shutil.rmtree(old, ignore_errors=True)


def _drafted(
    job: Job, draft: Path, output: Path, settings: FileSettings, update: Progress
) -> tuple[Diagnostics, list[Level]]:
    """Draft of a job, rendered unless it is there, and the levels of its voices."""
    told = draft.with_suffix(".json")
    with Source(job.take, settings) as source:
        if draft.is_file() and told.is_file():
            diagnostics = Diagnostics.from_table(json.loads(told.read_text(encoding="utf-8")))
        else:
            draft.unlink(missing_ok=True)
            rendering = rendering_of(job.design, source, settings)
            write_draft(rendering, source, draft, update)
            diagnostics = rendering.diagnostics(0)
            text = json.dumps(dataclasses.asdict(diagnostics))
            write_text_atomically(told, text, overwrite=True)
        voices = voices_of(source, settings, draft, output, diagnostics)
        return diagnostics, [v.level(source, settings.heard_full_scale_v) for v in voices]


def _gains_of(output: Path, settings: FileSettings) -> list[Gain]:
    """Gains that the voices of a job that is done were given."""
    found = []
    for path in outputs_of(output, settings):
        sidecar = read_sidecar(path)
        assert sidecar is not None  # it is done
        told = sidecar["output"]["loudness_missed_db"]
        found.append(Gain(float(sidecar["settings"]["gain"]), float(told)))
    return found
