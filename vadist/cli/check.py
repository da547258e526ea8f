"""Check captures of a board against its design: exit code 0 if every limit is met, 1 if not.

What could not be aligned or judged is neither passed nor failed; its exit code is 1 too.
"""

import argparse
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vadist.cli.bench import FLAGS, READING, SETTINGS, add_capture_arguments, given, read_bench
from vadist.cli.progress import progress_bar
from vadist.errors import UnjudgedError, UsageError

if TYPE_CHECKING:
    from vadist.captures.suite import Outcome


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist check``."""
    parser.add_argument(
        "capture", metavar="CAPTURE|SUITE",
        help="text (also gzip), WAV, FLAC or NumPy; or a .toml that lists many",
    )  # fmt: skip
    parser.add_argument("--design", metavar="NAME|FILE", help="preset or TOML file")
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
    verdict.add_argument("--threads", type=int, metavar="N", help="of a suite; default: all cores")
    verdict.add_argument("--overwrite", action="store_true", help="replace existing plots")


def run(options: argparse.Namespace) -> int:
    """Check one capture or a suite."""
    if options.threads is not None and options.threads < 1:
        raise UsageError(f"--threads must be at least 1 (got {options.threads})")
    if options.capture.lower().endswith(".toml"):
        return _run_suite(options)
    from vadist.captures.check import check_capture
    from vadist.captures.report import text_report
    from vadist.captures.suite import Outcome

    if options.design is None:
        raise UsageError("--design is needed: what should the board be?")
    limits = _limits(options)
    start = time.perf_counter()
    capture, source, design, settings = read_bench(options)
    report, error = None, ""
    try:
        report = check_capture(capture, design, source, settings, limits)
    except UnjudgedError as failure:
        error = str(failure)
        print(f"vadist: {error}", file=sys.stderr)
    outcome = Outcome(
        Path(capture.name).name, design.name, time.perf_counter() - start, report, error,
        unjudged=report is None,
    )  # fmt: skip
    if report is not None and options.json != "-":
        print(text_report(report))
    _write(options, "vadist check", [outcome], _plain(outcome))
    if report is None:
        return 1
    if options.plot:
        from vadist.captures.plots import plot_check

        print(plot_check(report, options.plot, overwrite=options.overwrite), file=sys.stderr)
    return 0 if report.passed else 1


def _limits(options: argparse.Namespace) -> dict[str, float] | None:
    from vadist.captures.limits import parse_limit, read_limits

    limits = read_limits(options.limits) if options.limits else {}
    for text in options.limit:
        name, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"--limit must be NAME=VALUE (got {text!r})")
        limits[name.strip()] = parse_limit(name.strip(), value.strip())
    return limits or None


def _run_suite(options: argparse.Namespace) -> int:
    from vadist.captures.report import summary
    from vadist.captures.suite import count, read_suite, run_suite

    own = {**given(options, READING), **given(options, {**SETTINGS, **FLAGS})}
    if options.design or options.input or options.settings or own or _limits(options):
        raise UsageError(
            f"{options.capture}: a suite states design, input and options itself; leave them off"
        )
    name, jobs = read_suite(options.capture)
    start = time.perf_counter()
    with progress_bar(name) as progress:
        outcomes = run_suite(jobs, options.threads, progress)
    seconds = time.perf_counter() - start
    lines = [
        summary(o.report)
        if o.report is not None
        else f"{'COULD NOT BE JUDGED ' if o.unjudged else 'ERROR'} {o.name}: {o.error}"
        for o in outcomes
    ]
    lines.append(f"{count(outcomes)} in {seconds:.1f} s")
    if options.json != "-":
        print("\n".join(lines))
    results = [_plain(o) for o in outcomes]
    _write(options, name, outcomes, {"suite": name, "seconds": seconds, "results": results})
    if options.plot:
        from vadist.captures.plots import plot_check

        for k, o in enumerate(outcomes):
            if o.report is not None:
                safe = "".join(c if c.isalnum() or c in "-_. " else "_" for c in o.name)
                target = Path(options.plot) / f"{k + 1:03d} {safe}.png"
                plot_check(o.report, target, overwrite=options.overwrite)
    if any(o.verdict is None for o in outcomes):
        return 2
    return 0 if all(o.report is not None and o.report.passed for o in outcomes) else 1


def _plain(outcome: "Outcome") -> dict[str, Any]:
    """An outcome for other programs."""
    from vadist.captures.report import as_json

    if outcome.report is not None:
        return as_json(outcome.report)
    told = {"name": outcome.name, "error": outcome.error}
    return told if outcome.verdict is None else {**told, "verdict": str(outcome.verdict)}


def _write(
    options: argparse.Namespace, name: str, outcomes: list["Outcome"], plain: dict[str, object]
) -> None:
    from vadist.audio_files import write_text_atomically

    if options.json == "-":
        print(json.dumps(plain, indent=2))
    elif options.json:
        write_text_atomically(options.json, json.dumps(plain, indent=2) + "\n", overwrite=True)
    if options.junit:
        from vadist.captures.junit import junit_xml

        seconds = sum(o.seconds for o in outcomes)
        write_text_atomically(options.junit, junit_xml(name, outcomes, seconds), overwrite=True)
