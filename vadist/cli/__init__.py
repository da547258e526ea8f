"""The command line: one file a command, thin; errors become one line here."""

import argparse
import importlib
import logging
import os
import signal
import sys
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from vadist.cli.parser import Parser, join_negative
from vadist.errors import (
    EXIT_BUG,
    EXIT_OUTPUT,
    EXIT_SYSTEM,
    DesignWarning,
    UsageError,
    VadistError,
)
from vadist.names import printable

__all__ = ["CAUTION", "COMMANDS", "GROUPS", "build_parser", "join_negative", "main"]

CAUTION = (
    "Distortion raises the average level: turn the volume down before you listen. "
    "NIOSH recommends at most 85 dB(A) over 8 hours, halved for every 3 dB more."
)
SOLDERING = (
    "Soldering: the iron is above 350 °C. Use a stand, fume extraction and eye protection; wash "
    "your hands afterwards; mind the polarity of electrolytic capacitors."
)
BENCH = (
    "At the bench: run the board from a battery or a certified adapter. A scope's ground clip is "
    "connected to earth: clip it to the board's ground alone. Leave mains wiring to licensed "
    "practice and local codes. Never listen to a test signal on headphones or at high volume."
)
METERED = (
    "Put a test tone into an input from a battery or a certified adapter, below the level that the "
    "input takes; mute loudspeakers and take off headphones first."
)
METER = (
    "Measure a part out of its circuit, with a resistor in series that keeps the current within "
    "its data sheet's limit, from a battery or a certified adapter; never in anything that hangs "
    "on the mains."
)


@dataclass(frozen=True)
class Command:
    """What the help tells of a command, which lives in vadist.cli.<its name>."""

    group: str
    summary: str
    example: str
    cautions: tuple[str, ...] = ()


GROUPS = {
    "design": "write a circuit down and see what it will do",
    "listen": "hear what a changed value does",
    "takes": "render recordings",
    "bench": "hold the model against a board",
    "library": "stages and parts, with their sources",
}

COMMANDS = {
    "new": Command(
        "design", "write a commented starter design",
        "vadist new soft_clipper --out mine.toml", (SOLDERING,),
    ),
    "inspect": Command(
        "design", "walk a design block by block: corners, headroom, noise",
        "vadist inspect boosted_hard_clipper --set drive=0",
    ),
    "walk": Command(
        "design", "write a page that explains a design block by block, by ear too",
        "vadist walk boosted_hard_clipper riff.wav --out walk.html", (CAUTION,),
    ),
    "draw": Command(
        "design", "draw a design as a schematic",
        "vadist draw boosted_hard_clipper --out board.svg", (SOLDERING,),
    ),
    "sheet": Command(
        "design", "write the build sheet: parts, meter readings, what to suspect",
        "vadist sheet boosted_hard_clipper --out sheet.html", (SOLDERING, BENCH, CAUTION),
    ),
    "choose": Command(
        "design", "choose values that give the figures you want",
        'vadist choose treble_boost --want "boost rest = 4.5V" --vary boost.collector_resistor',
        (SOLDERING,),
    ),
    "substitute": Command(
        "design", "rank the parts that could replace one, by what changes",
        "vadist substitute treble_boost boost.transistor --retune boost.feedback_resistor",
        (SOLDERING,),
    ),
    "spread": Command(
        "design", "tell what a batch of boards does: tolerances, yield, worst cases",
        'vadist spread boosted_hard_clipper --limit "boost rest 5.5V..6.5V"', (CAUTION,),
    ),
    "audition": Command(
        "listen", "hear and measure what a changed value does, at one loudness",
        "vadist audition riff.wav --design soft_clipper --try drive=0.2,0.5,0.8", (CAUTION,),
    ),
    "turn": Command(
        "listen", "turn values on a page while a take loops, and hear each at once",
        "vadist turn boosted_hard_clipper riff.wav", (CAUTION,),
    ),
    "render": Command(
        "takes", "render takes through a design, or several",
        "vadist render riff.wav --design soft_clipper --set drive=0.7 --out renders", (CAUTION,),
    ),
    "level": Command(
        "takes", "find the volts of a take's full scale, and what they drive",
        "vadist level riff.wav --interface 12.5dBu --gain 20dB --design soft_clipper",
        (METERED,),
    ),
    "stimulus": Command(
        "bench", "make a test signal for the bench",
        "vadist stimulus stepped-sines --peak 200mV --out stimulus.wav", (BENCH, SOLDERING),
    ),
    "check": Command(
        "bench", "check captures of a board against its design",
        "vadist check capture.csv --design mine.toml --input stimulus.wav", (BENCH, SOLDERING),
    ),
    "fit": Command(
        "bench", "fit part values to a capture",
        "vadist fit capture.csv --design mine.toml --input stimulus.wav "
        "--free clipper.shunt_capacitor",
        (BENCH, SOLDERING),
    ),
    "stages": Command(
        "library", "tell the stages: schematic, keys, what each is for",
        "vadist stages diode_clipper",
    ),
    "parts": Command(
        "library", "list the parts with their sources, or measure one of your own",
        "vadist parts 2N3904", (METER,),
    ),
}  # fmt: skip


def build_parser() -> Parser:
    """The whole command line."""
    parser = Parser(prog="vadist", usage="vadist COMMAND ...", description=_overview(),
                    epilog=_wrapped(CAUTION))  # fmt: skip
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", help=argparse.SUPPRESS)
    for name, told in COMMANDS.items():
        module = importlib.import_module(f"vadist.cli.{name}")
        command = commands.add_parser(
            name, prog=f"vadist {name}", description=_wrapped(module.__doc__ or ""),
            epilog="\n".join(map(_wrapped, told.cautions)),
        )  # fmt: skip
        command.example = told.example
        module.add_arguments(command)
        command.set_defaults(run=module.run)
        parser.commands[name] = command
    return parser


def _wrapped(text: str) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, 78))


def _overview() -> str:
    """What vadist is, and its commands by the job they do."""
    what = "Know and hear what a guitar distortion circuit will do before anything is soldered."
    lines = [what, "", "'vadist COMMAND --help' tells more, from a worked line on."]
    for group, job in GROUPS.items():
        lines += ["", f"{group}: {job}"]
        lines += [f"  {n:<12}{c.summary}" for n, c in COMMANDS.items() if c.group == group]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command.

    Returns
    -------
    int
        0; 1 for a failed check or run; 2 for usage and bad input; 70 for a bug, 71 if memory is
        out, 74 if output cannot be written (the codes of BSD's sysexits.h); 130 when interrupted,
        141 when whoever read the output left.
    """
    if arguments is not None:
        return _guarded(arguments)
    # A polite kill cleans up as an interrupt does: unfinished files go.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    for stream in (sys.stdout, sys.stderr):
        _tolerate(stream)
    try:
        try:
            return _guarded(sys.argv[1:])
        finally:
            sys.stdout.flush()
    except BrokenPipeError:
        _drop_output()
        return 141
    except SystemExit as leaving:
        if leaving.code == 1:  # rich's answer to a broken pipe, and nobody else's
            return 141
        raise
    except OSError as error:
        _drop_output()
        print(f"vadist: standard output cannot be written: {error.strerror}", file=sys.stderr)
        return EXIT_OUTPUT


def _guarded(arguments: Sequence[str]) -> int:
    """Run a command; whatever goes wrong becomes a line and an exit code."""
    try:
        with _warnings_told(), _notes_told():
            return _run(arguments)
    except VadistError as error:
        _tell(error)
        return error.exit_code
    except KeyboardInterrupt:
        _tell("interrupted; unfinished files were removed")
        return 130
    except MemoryError:
        _tell("out of memory; give a shorter take, fewer candidates or a lower --oversample")
        return EXIT_SYSTEM
    except OSError as error:
        if error.filename is None:  # of the standard streams, which main looks after
            raise
        _tell(f"{printable(os.fsdecode(error.filename))}: {error.strerror}")
        return EXIT_OUTPUT
    except Exception:
        import traceback

        traceback.print_exc()
        _tell("this is a bug in vadist, not in what it was given")
        return EXIT_BUG


def _run(arguments: Sequence[str]) -> int:
    if any("\0" in word for word in arguments):
        raise UsageError("an argument holds a NUL character, which no name or value can")
    words = join_negative(arguments)
    parser = build_parser()
    command = next((word for word in words if not word.startswith("-")), None)
    if command in COMMANDS:
        parser.commands[command].check_options(words)
    options = parser.parse_args(words)
    if options.version:
        from importlib.metadata import version

        print(f"vadist {version('vadist')}")
        return 0
    if options.command is None:
        parser.print_help()
        return 2
    _load_stages(getattr(options, "stage_files", []))
    return int(options.run(options))


def _load_stages(files: Sequence[str]) -> None:
    if files:
        from vadist.stages.loading import load_stages

        for file in files:
            load_stages(file)


def _tell(trouble: object) -> None:
    """Print what went wrong on standard error; each line of it stays one line."""
    lines = [printable(line) for line in str(trouble).split("\n")]
    print("vadist: " + "\n".join(lines), file=sys.stderr)


@contextmanager
def _warnings_told() -> Iterator[None]:
    """Tell warnings about designs in one line each, as errors are."""

    def show(message: Warning | str, category: type[Warning], *rest: Any, **more: Any) -> None:
        if issubclass(category, DesignWarning):
            _tell(f"warning: {message}")
        else:
            usual(message, category, *rest, **more)

    with warnings.catch_warnings():
        usual = warnings.showwarning
        warnings.simplefilter("always", DesignWarning)
        warnings.showwarning = show
        yield


@contextmanager
def _notes_told() -> Iterator[None]:
    """Tell on standard error what takes a while and why."""
    log, handler = logging.getLogger("vadist"), logging.StreamHandler(sys.stderr)
    handler.setFormatter(logging.Formatter("vadist: %(message)s"))
    log.setLevel(logging.INFO)
    log.addHandler(handler)
    try:
        yield
    finally:
        log.removeHandler(handler)


def _tolerate(stream: Any) -> None:
    """Let a stream write what its encoding lacks in ASCII instead of failing."""
    import codecs

    codecs.register_error("vadist.ascii", _in_ascii)
    if hasattr(stream, "reconfigure"):
        stream.reconfigure(errors="vadist.ascii")


_ASCII = {
    "\u03a9": "ohm", "\u2126": "ohm", "\u00b5": "u", "\u03bc": "u", "°": " deg ", "±": "+-",
    "×": "x", "–": "-",
    "—": "-", "−": "-", "…": "...", "→": "->", "≤": "<=", "≥": ">=", "√": "sqrt", "•": "*",
}  # fmt: skip


def _in_ascii(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    lacking = error.object[error.start : error.end]
    return "".join(_ASCII.get(c) or c.encode("unicode_escape").decode() for c in lacking), error.end


def _drop_output() -> None:
    """Send what is still buffered nowhere, or leaving would fail once more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
