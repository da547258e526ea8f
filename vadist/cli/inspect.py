"""Walk a design block by block: operating point, corners, headroom, controls, noise, current."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.cli import options as shared

if TYPE_CHECKING:
    from vadist.inspection.figures import Inspection


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist inspect``."""
    parser.add_argument("design", metavar="NAME|FILE", help=shared.DESIGN)
    shared.add_settings(parser)
    shared.add_sine(parser)
    parser.add_argument(
        "--without", action="store_true",
        help="also leave out each block in turn: what its absence does to gain, corners, THD, "
        "noise and the first limit",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print everything as JSON")
    parser.add_argument("--plots", metavar="FOLDER", help="also write pictures there")
    parser.add_argument(
        "--format", choices=("png", "svg"), default="png", help="of the pictures (png)"
    )


def run(options: argparse.Namespace) -> int:
    """Print the inspection, and write the pictures if asked to."""
    import json

    from vadist.cli.outputs import tell
    from vadist.designs.files import apply_settings, load_design
    from vadist.inspection.figures import as_json, inspect_design
    from vadist.inspection.text import print_inspection

    design = apply_settings(load_design(options.design), options.settings)
    frequency_hz, level_v = shared.parse_sine(options)
    found = inspect_design(design, frequency_hz, level_v, without=options.without)

    def show() -> None:
        if options.json:
            print(json.dumps(as_json(found), indent=2, allow_nan=False))
        else:
            print_inspection(found)

    tell(show, lambda: _pictures(found, options))
    return 0


def _pictures(found: "Inspection", options: argparse.Namespace) -> None:
    import sys

    if options.plots is not None:
        from vadist.plots import plot_inspection

        for path in plot_inspection(found, Path(options.plots), options.format):
            print(path, file=sys.stderr if options.json else sys.stdout)
