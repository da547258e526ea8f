"""Write the build sheet of a design: what to buy, where it goes, what the meter should read."""

import argparse
from pathlib import Path

from vadist.cli import options as shared
from vadist.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist sheet``."""
    parser.add_argument("design", metavar="NAME|FILE", help=shared.DESIGN)
    shared.add_settings(parser)
    parser.add_argument("--out", default="sheet.html", metavar="FILE", help="page (sheet.html)")
    parser.add_argument(
        "--csv", action="store_true",
        help="also write the bill, the bench table and the faults as CSV files beside the page",
    )  # fmt: skip
    parser.add_argument(
        "--hot", default="1V", metavar="LEVEL",
        help="peak at the input of the hardest playing, for what parts must bear (1V)",
    )  # fmt: skip
    parser.add_argument("--overwrite", action="store_true", help="replace an earlier sheet")


def run(options: argparse.Namespace) -> int:
    """Work the sheet out and write it."""
    from vadist.cli.outputs import refuse_taken
    from vadist.designs.files import apply_settings, load_design
    from vadist.files import write_text_atomically
    from vadist.names import printable
    from vadist.sheets.page import build_page
    from vadist.sheets.sheet import build_sheet
    from vadist.sheets.texts import csv_texts

    page = Path(options.out)
    if page.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"--out {printable(page)}: a page must end in .html")
    tables = {n: page.with_name(f"{page.stem}-{n}.csv") for n in ("bill", "bench", "faults")}
    targets = [page, *(tables.values() if options.csv else ())]
    refuse_taken([("--out", t) for t in targets], [options.design], options.overwrite)
    hot_v = _hot(options.hot)
    design = apply_settings(load_design(options.design), options.settings)
    sheet = build_sheet(design, hot_v)
    write_text_atomically(page, build_page(sheet), options.overwrite)
    if options.csv:
        for name, text in csv_texts(sheet).items():
            write_text_atomically(tables[name], text, options.overwrite)
    for target in targets:
        print(printable(target))
    return 0


def _hot(text: str) -> float:
    from vadist.errors import DesignError
    from vadist.quantities import parse_level

    try:
        volts = parse_level(text)
    except DesignError as error:
        raise UsageError(f"--hot {error}") from None
    if not 0.0 < volts <= 10.0:
        raise UsageError(f"--hot must be above 0 V and at most 10 V (got {text})")
    return volts
