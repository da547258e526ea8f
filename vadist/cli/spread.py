"""What a batch of boards does: spread of every figure, its causes, yield, worst cases."""

import argparse
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.cli import options as shared
from vadist.errors import DesignError, UsageError

if TYPE_CHECKING:
    from vadist.designs.design import Design
    from vadist.population.sound import Hearing
    from vadist.questions.spread import Spread
    from vadist.questions.tolerances import Variation


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist spread``."""
    add = parser.add_argument
    add("design", metavar="NAME|FILE", help=shared.DESIGN)
    add("take", metavar="TAKE", nargs="?", help=f"to hear the boards by: {shared.TAKE}")
    shared.add_settings(parser)
    told = parser.add_argument_group("figures and limits")
    add = told.add_argument
    add(
        "--figure", action="append", default=[], metavar="FIGURE", dest="figures",
        help='told besides the usual ones: "noise", "boost.transistor Ic", "blend scoop from", '
        '"THD at 100mV"; may be repeated',
    )  # fmt: skip
    add(
        "--limit", action="append", default=[], metavar="FIGURE RANGE", dest="limits",
        help='what a board must keep: "boost.output rest 4V..5V", "gain at 1kHz 20dB.."; may be '
        "repeated",
    )  # fmt: skip
    drawn = parser.add_argument_group("what varies")
    add = drawn.add_argument
    add(
        "--tolerance", action="append", default=[], metavar="PART=5%", dest="tolerances",
        help="of a part, or of all resistors, capacitors, electrolytics, inductors or pots; "
        "may be repeated",
    )  # fmt: skip
    add("--supply", metavar="V1..V2", help="supply anywhere between, as 8V..9.6V")
    add("--temperature", metavar="T1..T2", help="temperature anywhere between, as 0degC..40degC")
    add("--boards", type=int, metavar="N", help="boards drawn (1024; 64 with a take)")
    add("--uniform", action="store_true", help="flat within tolerances; else normal, cut off there")
    add("--seed", type=int, default=0, metavar="N", help="of the draw (0)")
    heard = parser.add_argument_group("with a take")
    add = heard.add_argument
    add("--from", metavar="TIME", dest="start", default="0s", help="start of an excerpt, as 2.5s")
    add("--length", metavar="TIME", help="length of the excerpt; default: to the end")
    shared.add_full_scale(heard)
    shared.add_oversample(heard)
    add(
        "--out", metavar="FOLDER",
        help="audition of the two most unlike boards and the median; default spread-TAKE-DESIGN",
    )  # fmt: skip
    work = parser.add_argument_group("work and output")
    add = work.add_argument
    shared.add_threads(work)
    shared.add_cluster(work)
    shared.add_device(work)
    add("--json", action="store_true", help="print everything as JSON")
    add("--csv", metavar="FILE", help="write every board drawn with its figures")
    add("--plots", metavar="FOLDER", help="write pictures: responses and histograms")
    add(
        "--ladder", type=int, default=0, metavar="N",
        help="and the headroom ladder with whiskers, of N boards; a second or more each (0)",
    )  # fmt: skip
    add("--format", choices=("png", "svg"), default="png", help="of the pictures (png)")
    add("--overwrite", action="store_true", help="replace earlier files")


def run(options: argparse.Namespace) -> int:
    """Draw, measure and tell."""
    import json
    import sys

    from vadist.cli.outputs import refuse_taken, tell
    from vadist.cli.progress import progress_bar
    from vadist.designs.files import apply_settings, load_design
    from vadist.files import write_text_atomically
    from vadist.population.cluster import connected
    from vadist.population.figure_names import parse_figure
    from vadist.questions.hearing import SOUND_FIGURES
    from vadist.questions.limits import read_limit
    from vadist.questions.spread import BOARDS, Asked, spread, spread_figures
    from vadist.questions.spread_report import as_json, boards_csv, text_report

    shared.refuse_idle_device(options.device, options.take)
    design = apply_settings(load_design(options.design), options.settings)
    varied = _varied(design, options)
    limits = [read_limit(text, design) for text in options.limits]
    figures = spread_figures(design) + [parse_figure(text, design) for text in options.figures]
    refuse_taken([("--csv", options.csv)], [options.design], options.overwrite)
    hearing = None
    if options.take is not None:
        hearing = _hearing(design, options)
        figures += [parse_figure(text, design) for text in SOUND_FIGURES]
    boards = options.boards or (BOARDS if options.take is None else _HEARD)
    with connected(options.cluster) as cluster, progress_bar(f"{boards} boards") as progress:
        asked = Asked(
            boards, "uniform" if options.uniform else "normal", options.seed, options.threads,
            cluster, hearing, options.device,
        )  # fmt: skip
        found = spread(design, figures, varied, limits, asked, progress)

    def show() -> None:
        if options.json:
            print(json.dumps(as_json(found), indent=2, allow_nan=False))
        else:
            print(text_report(found, shutil.get_terminal_size().columns))

    def write() -> None:
        if options.csv is not None:
            write_text_atomically(Path(options.csv), boards_csv(found), options.overwrite)
        lines = _pictures(found, options)
        if hearing is not None:
            lines += _page(found, options)
        for line in lines:
            print(line, file=sys.stderr if options.json else sys.stdout)

    tell(show, write)
    return 0 if found.complete else _INTERRUPTED


_HEARD = 64
_INTERRUPTED = 130


def _varied(design: "Design", options: argparse.Namespace) -> "list[Variation]":
    from vadist.designs.tolerances import tolerance_entry
    from vadist.questions.sampling import supply_range, temperature_range
    from vadist.questions.tolerances import variations

    asked = {}
    for text in options.tolerances:
        key, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"--tolerance must be written PART=5% (got {text!r})")
        try:
            asked[key.strip()] = tolerance_entry(design, key.strip(), value)
        except DesignError as error:
            raise UsageError(f"--tolerance {error}") from None
    found = variations(design, asked)
    if options.supply is not None:
        found.append(supply_range(_span("--supply", options.supply, "V")))
    if options.temperature is not None:
        found.append(temperature_range(_span("--temperature", options.temperature, "degC")))
    return found


def _span(option: str, text: str, unit: str) -> tuple[float, float]:
    from vadist.quantities import parse_quantity

    low, dots, high = text.partition("..")
    if not dots:
        raise UsageError(f"{option} must be a range like 8V..9.6V (got {text!r})")
    try:
        return parse_quantity(low, unit), parse_quantity(high, unit)
    except DesignError as error:
        raise UsageError(f"{option} {error}") from None


def _hearing(design: "Design", options: argparse.Namespace) -> "Hearing":
    from vadist.audition.files import check_folder, read_excerpt
    from vadist.population.sound import hearing_of
    from vadist.quantities import parse_level

    check_folder(_folder(design, options), overwrite=options.overwrite)
    length_s = None if options.length is None else shared.parse_seconds("--length", options.length)
    excerpt = read_excerpt(
        Path(options.take), shared.parse_seconds("--from", options.start), length_s
    )
    return hearing_of(
        design, excerpt.samples, excerpt.sample_rate_hz,
        full_scale_v=parse_level(options.full_scale), oversample=options.oversample,
    )  # fmt: skip


def _folder(design: "Design", options: argparse.Namespace) -> Path:
    from vadist.audition.files import file_stem

    stems = file_stem(Path(options.take).stem), file_stem(design.name)
    return Path(options.out or "spread-" + "-".join(stems))


def _pictures(found: "Spread", options: argparse.Namespace) -> list[str]:
    if options.plots is None:
        return []
    from vadist.questions.spread_plots import plot_spread

    return [
        str(path)
        for path in plot_spread(found, Path(options.plots), options.format, options.ladder)
    ]


def _page(found: "Spread", options: argparse.Namespace) -> list[str]:
    """Write the audition of the boards that differ most, and of the median."""
    from vadist.cli import CAUTION
    from vadist.designs.files import design_text
    from vadist.questions.hearing import write_unlike

    folder = _folder(found.design, options)
    told = write_unlike(
        found, folder, take=Path(options.take).name, original=design_text(options.design),
        overwrite=options.overwrite,
    )  # fmt: skip
    return [*told, CAUTION]
