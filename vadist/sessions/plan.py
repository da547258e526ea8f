"""What a session will do, before it does: renders, minutes of audio, time and disk."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from vadist.audio_files import BYTES_PER_SAMPLE, TakeReader
from vadist.circuits.sections import split_into_sections
from vadist.designs.design import Design
from vadist.errors import VadistError
from vadist.rendering.files import LONGEST_TAIL_S
from vadist.rendering.settings import FileSettings
from vadist.rendering.spans import SPAN_SAMPLES
from vadist.stepping.paces import usual_pace
from vadist.stepping.resampling import default_oversample

_STEP_NS, _SAMPLE_NS, _RENDER_S = 20.0, 30.0, 0.4
# CPU time of a device's step, and of a sample of the oversampled rate besides: what the table of
# docs/speed.md comes to within a third; and of a render's warm-ups, its statement of error and its
# files.

_BYTES_OF_A_DRAFT = 8


@dataclass(frozen=True)
class Job:
    """One render of a session.

    Attributes
    ----------
    take : Path
    design : Design
        As it is rendered.
    name : str
        Of the design.
    changes : tuple of str
        ``path=value``.
    """

    take: Path
    design: Design
    name: str
    changes: tuple[str, ...]

    @property
    def told(self) -> str:
        """The render in words."""
        return f"{self.take} through {', '.join((self.name, *self.changes))}"


@dataclass(frozen=True)
class TakeFacts:
    """What a take's header says.

    Attributes
    ----------
    frames, channels, sample_rate_hz : int
    """

    frames: int
    channels: int
    sample_rate_hz: int


@cache
def facts_of(take: Path) -> TakeFacts | None:
    """Length and form of a take; None of one that cannot be read, which its render will tell."""
    try:
        with TakeReader(take) as reader:
            return TakeFacts(reader.frames, reader.channels, reader.sample_rate_hz)
    except VadistError:
        return None


@dataclass(frozen=True)
class Plan:
    """What some jobs come to.

    Attributes
    ----------
    renders : int
    audio_s : float
        Seconds of audio that come out.
    work_s : float
        Roughly, on all threads together.
    disk_bytes : int
        Of the outputs, FLAC reckoned as WAV.
    draft_bytes : int
        Of drafts, besides, while it runs.
    """

    renders: int
    audio_s: float
    work_s: float
    disk_bytes: int
    draft_bytes: int

    def __str__(self) -> str:
        """One line."""
        disk = f"{self.disk_bytes / 1e6:.3g} MB on disk"
        if self.draft_bytes >= 1e6:
            disk += f" and {self.draft_bytes / 1e6:.3g} MB for drafts meanwhile"
        many = f"{self.renders} render" + ("s" if self.renders != 1 else "")
        return f"{many}, {_time(self.audio_s)} of audio, roughly {_time(self.work_s)}, {disk}"


def _time(seconds: float) -> str:
    if seconds < 1.0:
        return "less than a second"
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5970.0 else f"{seconds / 3600.0:.1f} h"


def make_plan(jobs: Sequence[Job], settings: FileSettings, *, together: bool) -> Plan:
    """Reckon what jobs will take.

    Parameters
    ----------
    jobs : sequence of Job
    settings : FileSettings
    together : bool
        Whether all drafts are kept until the last one is there.
    """
    audio_s, disk, drafts = 0.0, 0, [0]
    for job in jobs:
        if (facts := facts_of(job.take)) is not None:
            frames, channels = _length(facts, settings)
            audio_s += frames / facts.sample_rate_hz
            voices = 1 if settings.through is None else 2
            disk += voices * frames * channels * BYTES_PER_SAMPLE[settings.subtype]
            drafts.append(frames * channels * _BYTES_OF_A_DRAFT)
    if settings.normalise is None and settings.through is None and settings.tail != "auto":
        draft_bytes = 0
    else:
        draft_bytes = sum(drafts) if together else max(drafts)
    cores = settings.threads or os.cpu_count() or 1
    work_s = sum(costs(jobs, settings)) / cores
    return Plan(len(jobs), audio_s, work_s, disk, draft_bytes)


def _length(facts: TakeFacts, settings: FileSettings) -> tuple[int, int]:
    """Frames at most, and channels, of a render."""
    tail_s = LONGEST_TAIL_S if isinstance(settings.tail, str) else settings.tail
    frames = facts.frames + round(tail_s * facts.sample_rate_hz)
    return frames, facts.channels if settings.channels is None else len(settings.channels)


def costs(jobs: Sequence[Job], settings: FileSettings) -> list[float]:
    """CPU seconds of each render, roughly; 0 of a take that cannot be read."""
    paces: dict[int, float] = {}
    found = []
    for job in jobs:
        facts = facts_of(job.take)
        if facts is None:
            found.append(0.0)
            continue
        if id(job.design) not in paces:
            paces[id(job.design)] = _sample_ns(job.design)
        frames, channels = _length(facts, settings)
        factor = settings.oversample or default_oversample(facts.sample_rate_hz)
        samples = frames * channels * factor
        found.append(_RENDER_S + samples * 1e-9 * paces[id(job.design)])
    return found


def _sample_ns(design: Design) -> float:
    """Nanoseconds of a sample of the oversampled rate."""
    try:
        sections = split_into_sections(design.network())
    except VadistError:  # its render will tell
        return _SAMPLE_NS
    return _SAMPLE_NS + _STEP_NS * sum(usual_pace(s) * len(s.devices) for s in sections)


def jobs_at_once(takes: Sequence[Path], threads: int | None) -> int:
    """How many takes to render side by side.

    A short take alone leaves cores idle. Long ones fill them, and each needs memory: together
    they hold no more than one long take does, with a byte of a file reckoned as a sample.
    """
    largest = max((_size(take) for take in takes), default=0)
    return max(1, min(threads or os.cpu_count() or 1, len(takes), SPAN_SAMPLES // max(largest, 1)))


def _size(take: Path) -> int:
    try:
        return take.stat().st_size
    except OSError:  # told when it is read
        return 0
