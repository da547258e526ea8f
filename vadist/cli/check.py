"""Check captures of a board against its design: exit code 0 if every limit is met, 1 if not.

What could not be aligned or judged is neither passed nor failed; its exit code is 1 too.
"""

import argparse
import json
import sys
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vadist.cli.bench import FLAGS, READING, SETTINGS, add_capture_arguments, given, read_bench
from vadist.cli.bench import inputs as bench_inputs
from vadist.cli.options import DESIGN, add_threads
from vadist.cli.outputs import refuse_taken, remove_old, tell
from vadist.cli.progress import progress_bar
from vadist.errors import UnjudgedError, UsageError, VadistError
from vadist.names import printable, whole

if TYPE_CHECKING:
    from vadist.captures.suite import Outcome


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist check``."""
    parser.add_argument(
        "capture", metavar="CAPTURE|SUITE",
        help="text (also gzip), WAV, FLAC or NumPy; or a .toml that lists many",
    )  # fmt: skip
    parser.add_argument("--design", metavar="NAME|FILE", help=DESIGN)
    add_capture_arguments(parser)
    verdict = parser.add_argument_group("verdict")
    verdict.add_argument(
        "--limit", action="append", default=[], metavar="NAME=VALUE", dest="limit",
        help="esr=-36dB, model_error=-40dB, pre_emphasised_esr, rms_error=10mV, max_error, "
        "harmonic_level=0.5dB, harmonic_phase=5deg, clip_level=2%%, asymmetry=2%%, dc=50mV; "
        "default model_error=-40dB",
    )  # fmt: skip
    verdict.add_argument("--limits", metavar="FILE", help="TOML file of limits")
    verdict.add_argument("--json", metavar="FILE", help="write the figures; - for standard output")
    verdict.add_argument("--junit", metavar="FILE", help="write JUnit XML")
    verdict.add_argument(
        "--plot", metavar="FILE|FOLDER", help="overlay, residual, spectra; a folder for a suite"
    )
    add_threads(verdict)
    verdict.add_argument(
        "--overwrite", action="store_true", help="replace existing results; never what is read"
    )


@dataclass(frozen=True)
class _Checked:
    """What a run found: for people, for other programs, and the pictures it is to draw."""

    name: str
    outcomes: "list[Outcome]"
    text: str
    plain: dict[str, Any]
    pictures: list[Path]


def run(options: argparse.Namespace) -> int:
    """Check one capture or a suite."""
    is_suite = options.capture.lower().endswith(".toml")
    reports = [("--json", options.json), ("--junit", options.junit)]
    plot = [("--plot", options.plot)]
    refuse_taken([*reports, *plot], _inputs(options, is_suite), options.overwrite)
    remove_old(reports)
    start = time.perf_counter()
    try:
        if options.threads is not None:
            whole("--threads", options.threads)
        found = _check_suite(options) if is_suite else _check_one(options)
    except (VadistError, MemoryError) as error:
        with suppress(VadistError):  # what went wrong first is what is told
            _write_error(options, error, time.perf_counter() - start)
        raise

    def show() -> None:
        if options.json == "-":
            print(json.dumps(found.plain, indent=2))
        elif found.text:
            print(found.text)

    def write() -> None:
        _write(options, found)
        _draw(options, found, tell=not is_suite)

    tell(show, write)
    return _exit_code(found.outcomes)


def _inputs(options: argparse.Namespace, is_suite: bool) -> list[Path]:
    """Every file that the run reads."""
    read = bench_inputs(options)
    if options.limits:
        read.append(Path(options.limits))
    if is_suite:
        from vadist.captures.suite_file import suite_inputs

        read += suite_inputs(options.capture)
    return read


def _check_one(options: argparse.Namespace) -> _Checked:
    from vadist.captures.check import check_capture
    from vadist.captures.report import text_report
    from vadist.captures.suite import Outcome

    if options.design is None:
        raise UsageError("--design is needed: what should the board be?")
    pictures = []
    if options.plot:
        from vadist.captures.plots import require_plot_name

        pictures.append(require_plot_name(options.plot))
    limits = _limits(options)
    start = time.perf_counter()
    capture, source, design, settings = read_bench(options)
    report, error = None, ""
    try:
        report = check_capture(capture, design, source, settings, limits)
    except UnjudgedError as failure:
        error = str(failure)
        print(f"vadist: {printable(error)}", file=sys.stderr)
    name = Path(capture.name).name
    outcome = Outcome(
        name, design.name, time.perf_counter() - start, report, error, unjudged=report is None
    )
    text = "" if report is None else text_report(report)
    return _Checked("vadist check", [outcome], text, _plain(outcome), pictures)


def _limits(options: argparse.Namespace) -> dict[str, float] | None:
    from vadist.captures.limits import parse_limit, read_limits

    limits = read_limits(options.limits) if options.limits else {}
    for text in options.limit:
        name, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"--limit must be NAME=VALUE (got {text!r})")
        limits[name.strip()] = parse_limit(name.strip(), value.strip())
    return limits or None


def _check_suite(options: argparse.Namespace) -> _Checked:
    from vadist.captures.report import summary
    from vadist.captures.suite import count, run_suite
    from vadist.captures.suite_file import read_suite, suite_inputs

    _refuse_own_options(options)
    name, jobs = read_suite(options.capture)
    pictures = _suite_pictures(options.plot, [job.name for job in jobs]) if options.plot else []
    targets = [("--plot", picture) for picture in pictures]
    refuse_taken(targets, suite_inputs(options.capture), options.overwrite)
    start = time.perf_counter()
    with progress_bar(printable(name)) as progress:
        outcomes = run_suite(jobs, options.threads, progress)
    seconds = time.perf_counter() - start
    lines = [
        summary(o.report)
        if o.report is not None
        else f"{'COULD NOT BE JUDGED ' if o.unjudged else 'ERROR'} {o.name}: {o.error}"
        for o in outcomes
    ]
    lines.append(f"{count(outcomes)} in {seconds:.1f} s")
    plain = {"suite": name, "seconds": seconds, "results": [_plain(o) for o in outcomes]}
    return _Checked(name, outcomes, "\n".join(map(printable, lines)), plain, pictures)


def _refuse_own_options(options: argparse.Namespace) -> None:
    """Refuse what a suite states itself."""
    own = {**given(options, READING), **given(options, {**SETTINGS, **FLAGS})}
    if options.design or options.input or options.settings or own or _limits(options):
        raise UsageError(
            f"{options.capture}: a suite states design, input and options itself; leave them off"
        )


def _suite_pictures(folder: str, names: list[str]) -> list[Path]:
    """Where each case is drawn; numbers keep the names apart, and short enough for any disk."""
    safe = ["".join(c if c.isalnum() or c in "-_. " else "_" for c in name) for name in names]
    short = [name.encode()[:200].decode(errors="ignore") for name in safe]
    return [Path(folder) / f"{k + 1:03d} {name}.png" for k, name in enumerate(short)]


def _plain(outcome: "Outcome") -> dict[str, Any]:
    """An outcome for other programs."""
    from vadist.captures.report import as_json

    if outcome.report is not None:
        return as_json(outcome.report)
    told = {"name": outcome.name, "error": outcome.error}
    return told if outcome.verdict is None else {**told, "verdict": str(outcome.verdict)}


def _write(options: argparse.Namespace, found: _Checked) -> None:
    from vadist.files import write_text_atomically

    if options.json and options.json != "-":
        text = json.dumps(found.plain, indent=2) + "\n"
        write_text_atomically(options.json, text, options.overwrite)
    if options.junit:
        from vadist.captures.junit import junit_xml

        seconds = sum(o.seconds for o in found.outcomes)
        xml = junit_xml(found.name, found.outcomes, seconds)
        write_text_atomically(options.junit, xml, options.overwrite)


def _write_error(options: argparse.Namespace, error: BaseException, seconds: float) -> None:
    """Tell in JUnit that the run came to no verdict: one case, an error."""
    if options.junit:
        from vadist.captures.junit import junit_xml
        from vadist.captures.suite import Outcome
        from vadist.files import write_text_atomically

        case = Outcome(
            Path(options.capture).name, options.design or "suite", seconds, None,
            printable(error) or "out of memory",
        )  # fmt: skip
        xml = junit_xml("vadist check", [case], seconds)
        write_text_atomically(options.junit, xml, options.overwrite)


def _draw(options: argparse.Namespace, found: _Checked, *, tell: bool) -> None:
    if not found.pictures:
        return
    from vadist.captures.plots import plot_check

    for outcome, picture in zip(found.outcomes, found.pictures, strict=True):
        if outcome.report is not None:
            plot_check(outcome.report, picture, overwrite=options.overwrite)
            if tell:
                print(printable(picture), file=sys.stderr)


def _exit_code(outcomes: "list[Outcome]") -> int:
    """2 if a capture could not be read, 1 if one did not pass, 0 if all did."""
    if any(o.verdict is None for o in outcomes):
        return 2
    return 0 if all(o.report is not None and o.report.passed for o in outcomes) else 1
