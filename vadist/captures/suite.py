"""Many captures in one file, checked side by side.

Shape of a suite::

    name = "board 7"
    design = "boosted_hard_clipper"     # for every capture that names none of its own
    input = "stimulus.wav"              # likewise
    set = ["drive=0.3"]
    [reading]                           # as on the command line: units, probe, full_scale, ...
    [settings]                          # band, gain, offset, clock, ...
    [limits]
    esr = "-36dB"
    [[capture]]
    file = "low drive.csv"              # relative to the suite
    name = "low drive"
    set = ["drive=0.1"]                 # after the suite's
    limits = {esr = "-30dB"}            # added to the suite's
"""

import os
import time
import tomllib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vadist.captures.capture import Capture, Reading
from vadist.captures.check import CheckReport, CheckSettings, check_capture
from vadist.captures.evidence import Verdict
from vadist.captures.limits import DEFAULT_LIMITS, parse_limits
from vadist.captures.options import reading_from, settings_from
from vadist.captures.reading import read_capture
from vadist.captures.sidecar import read_stimulus
from vadist.designs.design import Design
from vadist.designs.files import apply_settings, load_design
from vadist.errors import CaptureError, UnjudgedError, UsageError, VadistError
from vadist.names import nearest

_SUITE_KEYS = ("name", "design", "input", "set", "reading", "settings", "limits", "capture")
_CAPTURE_KEYS = ("file", "name", "design", "input", "set", "reading", "settings", "limits")


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
    return Outcome(job.name, job.design.name, time.perf_counter() - start, report, error, unjudged)


def read_suite(path: str | Path) -> tuple[str, list[Job]]:
    """Read a suite file.

    Returns
    -------
    name : str
    jobs : list of Job

    Raises
    ------
    UsageError, DesignError, CaptureError
        With the file, the capture and the key.
    """
    path = Path(path)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: is not TOML: {error}") from None
    _known(table, _SUITE_KEYS, str(path))
    entries = table.get("capture", [])
    if not isinstance(entries, list) or not entries:
        raise UsageError(f"{path}: has no [[capture]]")
    jobs = [_job(path, table, entry, k + 1) for k, entry in enumerate(entries)]
    return str(table.get("name", path.stem)), jobs


def _job(path: Path, suite: Mapping[str, Any], entry: Any, number: int) -> Job:
    place = f"{path}: capture {number}"
    _known(entry, _CAPTURE_KEYS, place)
    if not isinstance(entry.get("file"), str):
        raise UsageError(f"{place}: lacks file, the name of the capture")
    named = entry.get("design", suite.get("design"))
    if not isinstance(named, str):
        raise UsageError(f"{place}: lacks a design, its own or the suite's")
    beside = path.parent / named
    source = entry.get("input", suite.get("input"))
    reading = {**_table(suite, "reading", place), **_table(entry, "reading", place)}
    settings = {**_table(suite, "settings", place), **_table(entry, "settings", place)}
    limits = {
        **parse_limits(_table(suite, "limits", place), place),
        **parse_limits(_table(entry, "limits", place), place),
    }
    try:
        design = load_design(beside if beside.is_file() else named)
        design = apply_settings(design, [*_list(suite, place), *_list(entry, place)])
        return Job(
            str(entry.get("name", Path(entry["file"]).stem)),
            path.parent / entry["file"],
            design,
            None if source is None else path.parent / str(source),
            reading_from(reading),
            settings_from(settings),
            limits or DEFAULT_LIMITS,
        )
    except VadistError as error:
        raise type(error)(f"{place}: {error}") from None


def _known(table: Any, keys: Sequence[str], place: str) -> None:
    if not isinstance(table, Mapping):
        raise UsageError(f"{place}: must be a table")
    for key in table:
        if key not in keys:
            known = nearest(key, keys) or f"; there are {', '.join(keys)}"
            raise UsageError(f"{place}: unknown key {key!r}{known}")


def _table(holder: Mapping[str, Any], key: str, place: str) -> Mapping[str, Any]:
    held = holder.get(key, {})
    if not isinstance(held, Mapping):
        raise CaptureError(f"{place}: {key} must be a table")
    return held


def _list(holder: Mapping[str, Any], place: str) -> list[str]:
    held = holder.get("set", [])
    if not isinstance(held, list) or not all(isinstance(text, str) for text in held):
        raise UsageError(f'{place}: set must be a list such as ["drive=0.3"]')
    return held
