"""Walk a design block by block: operating point, corners, headroom, controls, noise, current."""

import argparse
from pathlib import Path

from vadist.cli import options as shared
from vadist.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist inspect``."""
    parser.add_argument("design", metavar="NAME|FILE", help=shared.DESIGN)
    shared.add_settings(parser)
    parser.add_argument(
        "--frequency", default="220Hz", metavar="HZ", help="sine for levels and headroom (220Hz)"
    )
    parser.add_argument(
        "--level", metavar="LEVEL",
        help="peak at the input, as 100mV, -20dBu (100mV, a typical note; in pictures more, up "
        "to 1V, for a design that stays clean)",
    )  # fmt: skip
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
    import sys

    from vadist.designs.files import apply_settings, load_design
    from vadist.inspection.figures import as_json, inspect_design
    from vadist.inspection.text import print_inspection

    design = apply_settings(load_design(options.design), options.settings)
    frequency_hz, level_v = _sine(options.frequency, options.level)
    found = inspect_design(design, frequency_hz, level_v, without=options.without)
    if options.json:
        print(json.dumps(as_json(found), indent=2, allow_nan=False))
    else:
        print_inspection(found)
    if options.plots is not None:
        from vadist.plots import plot_inspection

        for path in plot_inspection(found, Path(options.plots), options.format):
            print(path, file=sys.stderr if options.json else sys.stdout)
    return 0


def _sine(frequency: str, level: str | None) -> tuple[float, float | None]:
    from vadist.errors import DesignError
    from vadist.quantities import parse_level, parse_quantity

    try:
        frequency_hz = parse_quantity(frequency, "Hz")
    except DesignError as error:
        raise UsageError(f"--frequency {error}") from None
    try:
        return frequency_hz, None if level is None else parse_level(level)
    except DesignError as error:
        raise UsageError(f"--level {error}") from None
