"""Draw a design as a schematic, with designators, values and, if asked, resting volts."""

import argparse
from pathlib import Path

from vadist.cli import options as shared
from vadist.cli.outputs import refuse_taken
from vadist.errors import UsageError
from vadist.files import write_bytes_atomically
from vadist.names import printable


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist draw``."""
    parser.add_argument("design", metavar="NAME|FILE", help=shared.DESIGN)
    shared.add_settings(parser)
    parser.add_argument(
        "--out", required=True, metavar="FILE",
        help=".svg, .png, or .pdf, which is a sheet of A4 landscape",
    )  # fmt: skip
    parser.add_argument(
        "--resistors", choices=("box", "zigzag"), default="box", help="their shape (box)"
    )
    parser.add_argument("--volts", action="store_true", help="write the resting volts at the nodes")
    parser.add_argument("--overwrite", action="store_true", help="replace an existing drawing")


def run(options: argparse.Namespace) -> int:
    """Write the drawing."""
    from vadist.designs.files import apply_settings, load_design
    from vadist.drawing import KINDS, draw_picture

    kind = Path(options.out).suffix.lower().removeprefix(".")
    if kind not in KINDS:
        endings = ", ".join(f".{known}" for known in KINDS)
        raise UsageError(f"--out {printable(options.out)}: a drawing must end in one of {endings}")
    refuse_taken([("--out", options.out)], [options.design], options.overwrite)
    design = apply_settings(load_design(options.design), options.settings)
    drawn = draw_picture(design, kind, resistors=options.resistors, volts=options.volts)
    write_bytes_atomically(options.out, drawn, options.overwrite)
    print(printable(options.out))
    return 0
