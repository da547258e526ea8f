"""Fit part values to a capture: values with intervals, and what cannot be told apart."""

import argparse
import json
import sys
from typing import TYPE_CHECKING

from vadist.cli.bench import add_capture_arguments, inputs, read_bench
from vadist.cli.options import DESIGN, add_threads
from vadist.cli.outputs import refuse_taken, tell
from vadist.errors import UsageError
from vadist.names import printable, whole

if TYPE_CHECKING:
    from vadist.fitting.problem import Progress


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist fit``."""
    parser.add_argument("capture", metavar="CAPTURE", help="text, WAV, FLAC or NumPy")
    parser.add_argument(
        "--design", required=True, metavar="NAME|FILE", help=f"where to start: {DESIGN}"
    )
    parser.add_argument(
        "--free", required=True, metavar="PATH,PATH",
        help="what may vary, how far: clipper.shunt_capacitor,boost.emitter_resistor:20%%,drive,"
        "clipper.diodes.saturation_current (default 4x either way)",
    )  # fmt: skip
    add_capture_arguments(parser)
    parser.add_argument(
        "--out",
        metavar="FILE",
        help="write the fitted design (.toml): the one given, with its comments, other values",
    )
    parser.add_argument(
        "--overwrite", action="store_true", help="replace existing results; never what is read"
    )
    parser.add_argument("--json", metavar="FILE", help="write the figures; - for standard output")
    parser.add_argument(
        "--confidence", type=float, default=0.99, metavar="P", help="of intervals (default 0.99)"
    )
    add_threads(parser)


def run(options: argparse.Namespace) -> int:
    """Fit, report, and write the design; an interrupt keeps the best values so far."""
    import numpy as np

    from vadist.designs.files import design_text, write_design
    from vadist.files import write_text_atomically
    from vadist.fitting.fit import fit_design
    from vadist.fitting.report import as_json, text_report
    from vadist.fitting.suggest import suggest_stimulus

    if options.out and not options.out.lower().endswith(".toml"):
        raise UsageError(f"--out must be a .toml (got {options.out!r})")
    results = [("--out", options.out), ("--json", options.json)]
    refuse_taken(results, inputs(options), options.overwrite)
    if options.threads is not None:
        whole("--threads", options.threads)
    capture, source, design, settings = read_bench(options)
    report = fit_design(
        capture, design, options.free.split(","), source, settings,
        confidence=options.confidence, threads=options.threads, progress=_show,
    )  # fmt: skip
    if sys.stderr.isatty():
        print(file=sys.stderr)
    if options.out:
        text = write_design(report.design, design_text(options.design))
        write_text_atomically(options.out, text, overwrite=options.overwrite)
    suggestion = None
    if report.unseen and not report.interrupted:
        driven = capture.volts if source is None else source.volts
        peak_v = float(np.abs(driven[:, 0] - driven[:, 0].mean()).max())
        suggestion = suggest_stimulus(report, peak_v, settings)
    told = json.dumps(as_json(report, suggestion), indent=2)

    def write() -> None:
        if options.json and options.json != "-":
            write_text_atomically(options.json, told + "\n", overwrite=options.overwrite)

    tell(lambda: print(told if options.json == "-" else text_report(report, suggestion)), write)
    if options.out:
        print(f"{printable(options.out)}  the fitted design", file=sys.stderr)
    return 130 if report.interrupted else 0


def _show(state: "Progress") -> None:
    """One line an evaluation, over the last one on a terminal."""
    values = printable(", ".join(f"{f.path} {f.write(v)}" for f, v in state.values))
    line = f"{state.evaluations:3d}  ESR {state.esr_db:6.1f} dB  {values}"
    if sys.stderr.isatty():
        line = f"\r\033[K{line[:110]}"
    print(line, end="" if sys.stderr.isatty() else "\n", file=sys.stderr, flush=True)
