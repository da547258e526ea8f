"""The command line: one file a command, thin; errors become one line here."""

import argparse
import importlib
import re
import signal
import sys
from collections.abc import Sequence

from vadist.errors import VadistError

COMMANDS = {
    "render": "render takes through a design",
    "audition": "hear and measure what a changed value does, at one loudness",
    "new": "write a commented starter design",
    "parts": "list the part library with its sources",
    "inspect": "walk a design block by block: corners, headroom, noise",
    "stimulus": "make a test signal for the bench",
    "check": "check captures of a board against its design",
    "fit": "fit part values to a capture",
}
"""Command -> one line of help; each lives in vadist.cli.<command>."""

CAUTION = (
    "Distortion raises the average level: turn the volume down before you listen. "
    "NIOSH recommends at most 85 dB(A) over 8 hours, halved for every 3 dB more."
)


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = argparse.ArgumentParser(
        prog="vadist",
        description="Know and hear what a guitar distortion circuit will do before anything is "
        "soldered.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, summary in COMMANDS.items():
        module = importlib.import_module(f"vadist.cli.{name}")
        command = commands.add_parser(name, help=summary, description=module.__doc__)
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    return parser


def join_negative(arguments: Sequence[str]) -> list[str]:
    """Join ``--accuracy -90dB`` to ``--accuracy=-90dB``: argparse takes ``-90dB`` for an option.

    >>> join_negative(["render", "--normalise", "-1dBFS", "--threads", "2"])
    ['render', '--normalise=-1dBFS', '--threads', '2']
    """
    joined: list[str] = []
    for argument in arguments:
        option = joined[-1] if joined else ""
        if re.match(r"-\.?\d", argument) and re.fullmatch(r"--[a-z][a-z-]*", option):
            joined[-1] = f"{option}={argument}"
        else:
            joined.append(argument)
    return joined


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command.

    Returns
    -------
    int
        0; 1 for a failed check or run; 2 for usage and bad input; 130 when interrupted.
    """
    parser = build_parser()
    if arguments is None:
        # A polite kill cleans up as an interrupt does: unfinished files go.
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    options = parser.parse_args(join_negative(sys.argv[1:] if arguments is None else arguments))
    if options.version:
        from importlib.metadata import version

        print(f"vadist {version('vadist')}")
        return 0
    if options.command is None:
        parser.print_help()
        return 2
    try:
        return int(options.run(options))
    except VadistError as error:
        print(f"vadist: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("vadist: interrupted; unfinished files were removed", file=sys.stderr)
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 1
