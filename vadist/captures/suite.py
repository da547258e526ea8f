"""Many captures, checked side by side."""

import os
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path

from vadist.captures.capture import Capture, Reading
from vadist.captures.check import CheckReport, CheckSettings, check_capture
from vadist.captures.evidence import Verdict
from vadist.captures.reading import read_capture
from vadist.captures.sidecar import read_stimulus
from vadist.designs.design import Design
from vadist.errors import UnjudgedError, VadistError


@dataclass(frozen=True)
class Job:
    """One capture to be checked.

    Attributes
    ----------
    name : str
    capture : Path
    design : Design
    source : Path or None
        Stimulus or capture of what drove the board.
    reading : Reading
    settings : CheckSettings
    limits : mapping
    """

    name: str
    capture: Path
    design: Design
    source: Path | None
    reading: Reading
    settings: CheckSettings
    limits: Mapping[str, float]


@dataclass(frozen=True)
class Outcome:
    """What became of a job: a report, or the error that prevented it.

    Attributes
    ----------
    name, design : str
    seconds : float
    report : CheckReport or None
    error : str
    unjudged : bool
        Whether the capture was read but shows nothing to judge by.
    """

    name: str
    design: str
    seconds: float
    report: CheckReport | None
    error: str = ""
    unjudged: bool = False

    @property
    def verdict(self) -> Verdict | None:
        """How the check ended; None if it could not be made."""
        if self.report is not None:
            return self.report.verdict
        return Verdict.NOT_JUDGED if self.unjudged else None


def count(outcomes: Sequence[Outcome]) -> str:
    """How many ended in which way, in words."""
    told = [o.verdict for o in outcomes]
    parts = [f"{told.count(Verdict.PASS)} of {len(told)} passed"]
    for verdict, words in (
        (Verdict.FAIL, "failed"),
        (Verdict.NOT_JUDGED, str(Verdict.NOT_JUDGED)),
        (Verdict.NOT_ALIGNED, str(Verdict.NOT_ALIGNED)),
        (None, "could not be checked"),
    ):
        if number := told.count(verdict):
            parts.append(f"{number} {words}")
    return ", ".join(parts)


def read_source(path: Path, reading: Reading) -> Capture:
    """Read what drove a board: a stimulus by its sidecar, or else a capture.

    Raises
    ------
    CaptureError
    """
    return read_stimulus(path) or read_capture(path, reading)


def run_job(job: Job) -> CheckReport:
    """Read and check one capture.

    Raises
    ------
    VadistError
    """
    capture = read_capture(job.capture, job.reading)
    source = None if job.source is None else read_source(job.source, job.reading)
    report = check_capture(capture, job.design, source, job.settings, job.limits)
    return replace(report, name=job.name)


def run_suite(
    jobs: Sequence[Job],
    threads: int | None = None,
    progress: Callable[[float], None] = lambda done: None,
) -> list[Outcome]:
    """Check every job, in parallel; one that fails does not stop the others.

    Parameters
    ----------
    jobs : sequence of Job
    threads : int, optional
        All cores by default. Results do not depend on it.
    progress : called with the fraction done

    Returns
    -------
    list of Outcome
        In the order of the jobs.
    """
    outcomes: dict[int, Outcome] = {}
    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        waiting = {pool.submit(_outcome, job): k for k, job in enumerate(jobs)}
        try:
            for future in as_completed(waiting):
                outcomes[waiting[future]] = future.result()
                progress(len(outcomes) / len(jobs))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return [outcomes[k] for k in range(len(jobs))]


def _outcome(job: Job) -> Outcome:
    start = time.perf_counter()
    try:
        report, error, unjudged = run_job(job), "", False
    except VadistError as failure:
        report, error, unjudged = None, str(failure), isinstance(failure, UnjudgedError)
    except MemoryError:
        report, error, unjudged = None, "memory is out; check a shorter capture", False
    return Outcome(job.name, job.design.name, time.perf_counter() - start, report, error, unjudged)
