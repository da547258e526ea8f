"""Render dry takes through a design, to WAV files and their sidecars."""

import argparse
import math
import os
import re
import sys
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.errors import ConvergenceError, DesignError, UsageError, VadistError

if TYPE_CHECKING:
    from vadist.cli.progress import Bars
    from vadist.design import Design
    from vadist.render_files import FileReport, FileSettings

SUBTYPES = {"24": "PCM_24", "16": "PCM_16", "float": "FLOAT"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist render``."""
    parser.add_argument("takes", nargs="+", metavar="TAKE", help="WAV, FLAC or AIFF")
    parser.add_argument("--design", required=True, metavar="NAME|FILE", help="preset or TOML file")
    parser.add_argument(
        "--set", action="append", default=[], metavar="PATH=VALUE", dest="settings",
        help="change a value: drive=0.7, clipper.shunt_capacitor=22n; may be repeated",
    )  # fmt: skip
    parser.add_argument(
        "--out", metavar="FILE|FOLDER", help="output WAV (one take) or folder; default: here"
    )
    parser.add_argument(
        "--full-scale", default="1V", metavar="LEVEL",
        help="peak volts of a full-scale sample, as 1V, 500mV, 12dBu, -3dBV (default 1V)",
    )  # fmt: skip
    parser.add_argument(
        "--output-full-scale", metavar="LEVEL", help="the same for the output; default: as the take"
    )
    quality = parser.add_mutually_exclusive_group()
    quality.add_argument(
        "--oversample",
        type=int,
        metavar="N",
        help="factor; default reaches 352.8 kHz (8 at 48 kHz)",
    )
    quality.add_argument(
        "--accuracy", metavar="DB", help="wanted numerical error, as -90dB: picks the factor"
    )
    parser.add_argument(
        "--normalise", metavar="LEVEL",
        help="scale to a peak (-1dBFS) or a loudness (-18LUFS) instead of calibrated volts",
    )  # fmt: skip
    parser.add_argument(
        "--bits", choices=sorted(SUBTYPES), default="24", help="output samples (default 24)"
    )
    parser.add_argument("--threads", type=int, metavar="N", help="default: all cores")
    parser.add_argument("--overwrite", action="store_true", help="replace existing outputs")


def run(options: argparse.Namespace) -> int:
    """Render every take; one that fails does not take the others with it."""
    from vadist.design_files import apply_settings, load_design
    from vadist.render_files import FileSettings, check_output

    from .progress import progress_bars

    design = apply_settings(load_design(options.design), options.settings)
    settings = FileSettings(
        full_scale_v=parse_level_option("--full-scale", options.full_scale),
        output_full_scale_v=None
        if options.output_full_scale is None
        else parse_level_option("--output-full-scale", options.output_full_scale),
        oversample=options.oversample,
        accuracy_db=None if options.accuracy is None else parse_decibels(options.accuracy),
        threads=options.threads,
        normalise=None if options.normalise is None else parse_normalise(options.normalise),
        subtype=SUBTYPES[options.bits],
        overwrite=options.overwrite,
    )
    takes = [Path(take) for take in options.takes]
    outputs = output_paths(takes, design, options.out)
    for output in outputs:
        for other in takes:
            check_output(other, output, overwrite=settings.overwrite)
    worst = 0
    with progress_bars() as bars:
        outcomes = _outcomes(design, takes, outputs, settings, bars)
        for take, outcome in zip(takes, outcomes, strict=True):
            if isinstance(outcome, VadistError):
                named = isinstance(outcome, ConvergenceError | UsageError)
                bars.print(f"vadist: {f'{take}: ' if named else ''}{outcome}", sys.stderr)
                worst = max(worst, outcome.exit_code)
            else:
                print_report(outcome, settings, bars)
    return worst


def _outcomes(
    design: "Design",
    takes: Sequence[Path],
    outputs: Sequence[Path],
    settings: "FileSettings",
    bars: "Bars",
) -> "Iterator[FileReport | VadistError]":
    """Render takes, short ones several at a time; what came of each, in order."""
    from vadist.pool import Stopped, results
    from vadist.render_files import render_file

    stop = threading.Event()

    def work(take: Path, output: Path) -> "FileReport | VadistError":
        with bars.bar(take.name) as update:

            def progress(done: float) -> None:
                if stop.is_set():
                    raise Stopped
                update(done)

            try:
                return render_file(design, take, output, settings, progress)
            except VadistError as error:
                return error

    executor = ThreadPoolExecutor(takes_at_once(takes, settings.threads))
    try:
        yield from results(executor, work, takes, outputs)
    finally:
        stop.set()
        executor.shutdown(cancel_futures=True)


def takes_at_once(takes: Sequence[Path], threads: int | None) -> int:
    """How many takes to render side by side.

    A short take alone leaves cores idle. Long ones fill them, and each needs memory: together
    they hold no more than one long take does, with a byte of a file reckoned as a sample.
    """
    from vadist.rendering import SPAN_SAMPLES

    largest = max((take.stat().st_size for take in takes if take.is_file()), default=0)
    return max(1, min(threads or os.cpu_count() or 1, len(takes), SPAN_SAMPLES // max(largest, 1)))


def print_report(report: "FileReport", settings: "FileSettings", bars: "Bars") -> None:
    """Where the output is and what is to be known of it."""
    found = report.diagnostics
    error = "silent" if found.error_db is None else f"numerical error {found.error_db:.1f} dB"
    if found.error.worst_db is not None:
        error += f", worst 40 ms {found.error.worst_db:.1f} dB at {found.error.worst_s:.2f} s"
    peak = f"peak {report.peak_v:.3g} V"
    bars.print(
        f"{report.output}  {report.seconds:.2f} s, {found.method}, {peak}, {error}", sys.stdout
    )
    if report.clipped_samples and settings.subtype == "FLOAT":
        bars.print(
            f"vadist: {report.output}: {report.clipped_samples} samples are beyond full scale; "
            f"floats keep them, but players clip them: the output reaches {report.peak_v:.3g} V",
            sys.stderr,
        )
    elif report.clipped_samples:
        bars.print(
            f"vadist: {report.output}: {report.clipped_samples} samples beyond full scale were "
            f"clipped; the output reaches {report.peak_v:.3g} V: use --output-full-scale, "
            "--normalise or --bits float",
            sys.stderr,
        )
    if found.seams_mended:
        bars.print(
            f"vadist: {report.output}: {found.seams_mended} of {found.seams} seams did not settle "
            "and were run again serially",
            sys.stderr,
        )


def output_paths(takes: list[Path], design: "Design", out: str | None) -> list[Path]:
    """Output of every take; two takes never share one.

    Raises
    ------
    UsageError
    """
    if out is not None and out.lower().endswith(".wav"):
        if len(takes) > 1:
            raise UsageError(f"--out {out}: is one file; give a folder for {len(takes)} takes")
        return [Path(out)]
    folder = Path(out) if out is not None else Path()
    name = re.sub(r"[^\w.+-]+", "_", design.name)  # a name may hold spaces, slashes, anything
    outputs = [folder / f"{take.stem}-{name}.wav" for take in takes]
    for k, output in enumerate(outputs):
        if output in outputs[:k]:
            raise UsageError(f"{takes[k]}: would be written to {output}, as an earlier take would")
    return outputs


def parse_level_option(option: str, text: str) -> float:
    """Peak volts, or an error that names the option."""
    from vadist.quantities import parse_level

    try:
        return parse_level(text)
    except DesignError as error:
        raise UsageError(f"{option} {error}") from None


def parse_decibels(text: str) -> float:
    """``-90dB`` or ``-90`` as a number."""
    try:
        return float(text.lower().removesuffix("db"))
    except ValueError:
        raise UsageError(f"--accuracy must be decibels like -90dB (got {text!r})") from None


def parse_normalise(text: str) -> tuple[str, float]:
    """``-1dBFS`` or ``-18LUFS``."""
    for suffix, kind in (("dbfs", "peak"), ("lufs", "loudness")):
        if text.lower().endswith(suffix):
            try:
                level = float(text[: -len(suffix)])
            except ValueError:
                break
            if level <= 0.0 and math.isfinite(level):
                return kind, level
            raise UsageError(f"--normalise must be a number at or below 0 (got {text!r})")
    raise UsageError(f"--normalise must be like -1dBFS or -18LUFS (got {text!r})")
