"""Render dry takes through a design, to WAV files and their sidecars."""

import argparse
import hashlib
import math
import os
import re
import sys
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.cli import options as shared
from vadist.errors import (
    AudioFileError,
    ConvergenceError,
    DesignError,
    UsageError,
    VadistError,
)
from vadist.names import printable

if TYPE_CHECKING:
    from vadist.cli.progress import Bars
    from vadist.designs.design import Design
    from vadist.rendering.files import FileReport, FileSettings

SUBTYPES = {"24": "PCM_24", "16": "PCM_16", "float": "FLOAT"}

Job = tuple["Design", Path]
"""A design and a take to be rendered through it."""

_AUDIO_SUFFIXES = (
    ".wav", ".wave", ".flac", ".aif", ".aiff", ".mp3", ".ogg", ".opus", ".m4a", ".aac", ".wma",
)  # fmt: skip
# Endings of --out that mean a file: those that cannot be written are then refused.

_MOST_NAMED = 20
_TELLING_DB = 0.05
_LONGEST_STEM = 240
# Bytes; file systems take 255, and the sidecar adds .wav.json.


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist render``."""
    parser.add_argument("takes", nargs="+", metavar="TAKE", help=shared.TAKE)
    parser.add_argument(
        "--design", required=True, action="append", metavar="NAME|FILE", dest="designs",
        help=f"{shared.DESIGN}; given several times, every take is rendered through each",
    )  # fmt: skip
    shared.add_settings(parser)
    parser.add_argument(
        "--out", metavar="FILE|FOLDER",
        help="output WAV or FLAC (one take, one design) or folder; default: here",
    )  # fmt: skip
    shared.add_full_scale(parser)
    parser.add_argument(
        "--output-full-scale", metavar="LEVEL", help="the same for the output; default: as the take"
    )
    shared.add_quality(parser)
    parser.add_argument(
        "--from-power-up", action="store_true",
        help="begin as the supply is switched on, capacitors empty, instead of at rest: thump "
        "included",
    )  # fmt: skip
    parser.add_argument(
        "--normalise", metavar="LEVEL",
        help="scale to a peak (-1dBFS) or a loudness (-18LUFS, true peaks at most -1 dBTP) instead "
        "of calibrated volts",
    )  # fmt: skip
    parser.add_argument(
        "--bits", choices=sorted(SUBTYPES), default="24", help="output samples (default 24)"
    )
    shared.add_threads(parser)
    parser.add_argument("--overwrite", action="store_true", help="replace existing outputs")


def run(options: argparse.Namespace) -> int:
    """Render every take through every design; one that fails does not take the others with it."""
    from vadist.designs.files import apply_settings, load_design
    from vadist.rendering.files import FileSettings

    from . import CAUTION
    from .progress import progress_bars

    settings = FileSettings(
        full_scale_v=parse_level_option("--full-scale", options.full_scale),
        output_full_scale_v=None
        if options.output_full_scale is None
        else parse_level_option("--output-full-scale", options.output_full_scale),
        oversample=options.oversample,
        accuracy_db=shared.parse_accuracy(options.accuracy),
        threads=options.threads,
        normalise=None if options.normalise is None else parse_normalise(options.normalise),
        subtype=SUBTYPES[options.bits],
        overwrite=options.overwrite,
        from_power_up=options.from_power_up,
    )
    designs = [apply_settings(load_design(name), options.settings) for name in options.designs]
    takes = shared.expanded(options.takes)
    jobs = [(design, take) for take in takes for design in designs]
    told = [*options.settings, *(["from=power-up"] if options.from_power_up else [])]
    outputs = output_paths(jobs, told, options.out)
    check_outputs(takes, outputs, overwrite=settings.overwrite)
    worst, made = 0, False
    with progress_bars() as bars:
        outcomes = _outcomes(jobs, outputs, settings, bars)
        for (design, take), outcome in zip(jobs, outcomes, strict=True):
            if isinstance(outcome, VadistError):
                through = f" through {design.name}" if len(designs) > 1 else ""
                named = isinstance(outcome, ConvergenceError | UsageError)
                place = f"{printable(take)}{through}: " if named else ""
                bars.print(f"vadist: {place}{outcome}", sys.stderr)
                worst = max(worst, outcome.exit_code)
            else:
                print_report(outcome, settings, bars)
                made = True
    if made:
        print(CAUTION, file=sys.stderr)
    return worst


def _outcomes(
    jobs: Sequence[Job], outputs: Sequence[Path], settings: "FileSettings", bars: "Bars"
) -> "Iterator[FileReport | VadistError]":
    """Render takes, short ones several at a time; what came of each, in order."""
    from vadist.pool import Stopped, results
    from vadist.rendering.files import render_file

    stop = threading.Event()

    def work(job: Job, output: Path) -> "FileReport | VadistError":
        design, take = job
        with bars.bar(printable(output.stem)) as update:

            def progress(done: float) -> None:
                if stop.is_set():
                    raise Stopped
                update(done)

            try:
                return render_file(design, take, output, settings, progress)
            except VadistError as error:
                return error

    executor = ThreadPoolExecutor(takes_at_once([take for _, take in jobs], settings.threads))
    try:
        yield from results(executor, work, jobs, outputs)
    finally:
        stop.set()
        executor.shutdown(cancel_futures=True)


def check_outputs(takes: Sequence[Path], outputs: Sequence[Path], *, overwrite: bool) -> None:
    """Refuse, before any work, outputs that would cost somebody a file; all are named.

    Raises
    ------
    AudioFileError
    """
    from vadist.rendering.files import check_output, existing

    there = [] if overwrite else existing(outputs)
    if len(there) > 1:
        names = ", ".join(map(printable, there[:_MOST_NAMED]))
        more = f" and {len(there) - _MOST_NAMED} more" if len(there) > _MOST_NAMED else ""
        raise AudioFileError(f"{names}{more}: exist; give another --out or --overwrite")
    for output in outputs:
        for take in takes:
            check_output(take, output, overwrite=overwrite)


def takes_at_once(takes: Sequence[Path], threads: int | None) -> int:
    """How many takes to render side by side.

    A short take alone leaves cores idle. Long ones fill them, and each needs memory: together
    they hold no more than one long take does, with a byte of a file reckoned as a sample.
    """
    from vadist.rendering.spans import SPAN_SAMPLES

    largest = 0
    for take in takes:
        with suppress(OSError):  # told when it is read
            largest = max(largest, take.stat().st_size)
    return max(1, min(threads or os.cpu_count() or 1, len(takes), SPAN_SAMPLES // max(largest, 1)))


def print_report(report: "FileReport", settings: "FileSettings", bars: "Bars") -> None:
    """Where the output is and what is to be known of it."""
    found = report.diagnostics
    output = printable(report.output)
    error = "silent" if found.error_db is None else f"numerical error {found.error_db:.1f} dB"
    if found.error.worst_db is not None:
        error += f", worst 40 ms {found.error.worst_db:.1f} dB at {found.error.worst_s:.2f} s"
    peak = f"peak {report.peak_v:.3g} V"
    if settings.normalise is not None:
        peak += f" before a gain of {report.gain_db:+.1f} dB"
    bars.print(f"{output}  {report.seconds:.2f} s, {found.method}, {peak}, {error}", sys.stdout)
    if report.missed_db > _TELLING_DB and settings.normalise is not None:
        wanted = settings.normalise[1]
        bars.print(
            f"vadist: {output}: is at {wanted - report.missed_db:.1f} LUFS, {report.missed_db:.1f} "
            f"dB below the {wanted:g} asked for: louder, its true peaks would pass -1 dBTP",
            sys.stderr,
        )
    if report.clipped_samples and settings.subtype == "FLOAT":
        bars.print(
            f"vadist: {output}: {report.clipped_samples} samples are beyond full scale; "
            f"floats keep them, but players clip them: the output reaches {report.peak_v:.3g} V",
            sys.stderr,
        )
    elif report.clipped_samples:
        bars.print(
            f"vadist: {output}: {report.clipped_samples} samples beyond full scale were "
            f"clipped; the output reaches {report.peak_v:.3g} V: use --output-full-scale, "
            "--normalise or --bits float",
            sys.stderr,
        )
    if found.seams_mended:
        bars.print(
            f"vadist: {output}: {found.seams_mended} of {found.seams} seams did not settle "
            "and were run again serially",
            sys.stderr,
        )


def output_paths(jobs: Sequence[Job], settings: Sequence[str], out: str | None) -> list[Path]:
    """Output of every job; two never share one.

    Raises
    ------
    UsageError
    """
    if out is not None and not _is_folder(out) and Path(out).suffix.lower() in _AUDIO_SUFFIXES:
        if len(jobs) > 1:
            raise UsageError(
                f"--out {printable(out)}: is one file; give a folder for {len(jobs)} takes"
            )
        return [Path(out)]
    folder = Path(out) if out is not None else Path()
    outputs = [folder / output_name(design, take, settings) for design, take in jobs]
    for k, output in enumerate(outputs):
        if output in outputs[:k]:
            design, take = jobs[k]
            raise UsageError(
                f"{printable(take)} through {printable(design.name)}: would be written to "
                f"{printable(output)}, as an earlier one would"
            )
    return outputs


def _is_folder(name: str) -> bool:
    try:
        return Path(name).is_dir()
    except OSError:  # too long, say: told where it is to be written
        return False


def output_name(design: "Design", take: Path, settings: Sequence[str]) -> str:
    """File name that holds the take, the design and what was set in it.

    Long ones are cut, and told apart by a hash of the whole.
    """
    changed = dict(setting.partition("=")[::2] for setting in settings)
    values = [f"{path.strip()}={value.strip()}" for path, value in changed.items()]
    # A name may hold spaces, slashes, anything.
    words = re.sub(r"[^\w.+=-]+", "_", "--".join((design.name, *values)).replace("%", "pct"))
    stem = f"{take.stem}-{words}"
    if len(os.fsencode(stem)) > _LONGEST_STEM:
        mark = hashlib.sha256(os.fsencode(stem)).hexdigest()[:8]
        while len(os.fsencode(stem)) > _LONGEST_STEM - len(mark) - 1:
            stem = stem[:-1]
        stem = f"{stem}-{mark}"
    return f"{stem}.wav"


def parse_level_option(option: str, text: str) -> float:
    """Peak volts, or an error that names the option."""
    from vadist.quantities import parse_level

    try:
        return parse_level(text)
    except DesignError as error:
        raise UsageError(f"{option} {error}") from None


def parse_normalise(text: str) -> tuple[str, float]:
    """``-1dBFS``, ``-18LUFS`` or ``-18LKFS``."""
    from vadist.quantities import parse_loudness

    if not text.lower().endswith(("dbfs", "lufs", "lkfs")):
        raise UsageError(f"--normalise must be like -1dBFS or -18LUFS (got {text!r})")
    try:
        if text.lower().endswith("dbfs"):
            kind, level = "peak", float(text[:-4])
        else:
            kind, level = "loudness", parse_loudness(text)
    except (ValueError, DesignError):
        level = math.nan
    if level <= 0.0 and math.isfinite(level):
        return kind, level
    raise UsageError(f"--normalise must be a number at or below 0 (got {text!r})")
