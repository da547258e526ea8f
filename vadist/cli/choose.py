"""Choose values of parts that give a design the figures that are wanted of it."""

import argparse
import shutil
import sys

from vadist.cli import options as shared
from vadist.errors import UsageError

WRITTEN = "with the first choice; comments beside changed values still tell of the old ones"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist choose``."""
    add = parser.add_argument
    add("design", metavar="NAME|FILE", help=shared.DESIGN)
    shared.add_settings(parser)
    add(
        "--want", action="append", default=[], metavar="FIGURE...", dest="wishes", required=True,
        help='"boost bass cut = 80Hz" (within 5 %%, or +-2%%), "gain at 1kHz 28dB..32dB", '
        '"noise < 5mV", "supply current low", "boost 1 %% level high"; may be repeated',
    )  # fmt: skip
    add(
        "--vary", action="append", default=[], metavar="PATH,PATH", dest="varied", required=True,
        help="parts that take preferred values; or PATH=V1,V2, PATH=0..1:11 of a knob, PATH=* for "
        "all types of the library; may be repeated",
    )  # fmt: skip
    add("--series", metavar="E12", help="preferred numbers: E3..E192 (E24 for resistors, else E12)")
    add(
        "--within", default="0.1x..10x", metavar="LOW..HIGH",
        help="how far parts may go from what they are (0.1x..10x)",
    )  # fmt: skip
    add("--top", type=int, default=3, metavar="N", help="choices told, 1..8 (3)")
    add(
        "--most", type=int, default=10_000, metavar="N",
        help="combinations up to which all are measured; of more the best is searched for (10000)",
    )  # fmt: skip
    add("--write", metavar="FILE", help="write the design with the best values (.toml)")
    add("--overwrite", action="store_true", help="replace that file; never what is read")
    add("--json", action="store_true", help="print everything as JSON")
    shared.add_threads(parser)


def run(options: argparse.Namespace) -> int:
    """Choose, tell, and write the design; 1 where not every wish can be met, 130 interrupted."""
    import json

    from vadist.cli.outputs import refuse_taken
    from vadist.cli.progress import progress_bar
    from vadist.designs.files import apply_settings, design_text, load_design, write_design
    from vadist.files import write_text_atomically
    from vadist.names import printable, whole
    from vadist.questions.choose import choose
    from vadist.questions.choose_text import as_json, choice_text
    from vadist.questions.choose_values import read_lists
    from vadist.questions.usual_figures import usual_figures
    from vadist.questions.wishes import read_wish

    if options.write and not options.write.lower().endswith(".toml"):
        raise UsageError(f"--write must be a .toml (got {printable(options.write)!r})")
    refuse_taken([("--write", options.write)], [options.design], options.overwrite)
    top, most = whole("--top", options.top, 8), whole("--most", options.most, 1_000_000)
    design = apply_settings(load_design(options.design), options.settings)
    wishes = [read_wish(text, design) for text in options.wishes]
    lists = read_lists(design, options.varied, options.series, options.within)
    with progress_bar("combinations") as progress:
        choice = choose(
            design, wishes, lists, others=usual_figures(design), most=most, top=top,
            threads=options.threads, progress=progress,
        )  # fmt: skip
    if options.json:
        print(json.dumps(as_json(choice), indent=2, allow_nan=False))
    else:
        print(choice_text(choice, shutil.get_terminal_size((80, 24)).columns))
    if choice.search.interrupted:
        return 130
    if not choice.met:
        return 1
    if options.write:
        text = write_design(choice.options[0].design, design_text(options.design))
        write_text_atomically(options.write, text, overwrite=options.overwrite)
        print(f"{printable(options.write)}  {WRITTEN}", file=sys.stderr)
    return 0
