"""Write a walk along a design: one page that explains it block by block, with a take to hear."""

import argparse
from pathlib import Path

from vadist.cli import options as shared
from vadist.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist walk``."""
    parser.add_argument("design", metavar="NAME|FILE", help=shared.DESIGN)
    parser.add_argument(
        "take", metavar="TAKE", nargs="?", help=f"{shared.TAKE}; without one there is no sound"
    )
    shared.add_settings(parser)
    parser.add_argument("--out", default="walk.html", metavar="FILE", help="page (walk.html)")
    parser.add_argument("--overwrite", action="store_true", help="replace an earlier walk")
    sine = parser.add_argument_group("the sine")
    shared.add_sine(sine)
    take = parser.add_argument_group("the take")
    shared.add_excerpt(take)
    shared.add_full_scale(take)
    shared.add_oversample(take)
    shared.add_threads(take)


def run(options: argparse.Namespace) -> int:
    """Work the walk out and write it."""
    from vadist.audition.files import read_excerpt
    from vadist.cli.outputs import refuse_taken
    from vadist.designs.files import apply_settings, load_design
    from vadist.files import write_text_atomically
    from vadist.names import printable
    from vadist.quantities import parse_level
    from vadist.walks.page import build_page
    from vadist.walks.sounds import check_take
    from vadist.walks.walk import Take, build_walk

    from . import CAUTION
    from .progress import progress_bar

    page = Path(options.out)
    if page.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"--out {printable(page)}: a page must end in .html")
    read = [options.design, *([options.take] if options.take else [])]
    refuse_taken([("--out", page)], read, options.overwrite)
    design = apply_settings(load_design(options.design), options.settings)
    frequency_hz, level_v = shared.parse_sine(options)
    take = None
    if options.take is not None:
        excerpt = read_excerpt(Path(options.take), *shared.parse_excerpt(options))
        take = Take(
            Path(options.take).name, excerpt.samples, excerpt.sample_rate_hz,
            parse_level(options.full_scale),
        )  # fmt: skip
        check_take(design, take.samples, take.sample_rate_hz)
    with progress_bar(f"{len(design.stages)} blocks") as progress:
        walk = build_walk(
            design, take, frequency_hz=frequency_hz, level_v=level_v,
            oversample=options.oversample, threads=options.threads, progress=progress,
        )  # fmt: skip
    write_text_atomically(page, build_page(walk), options.overwrite)
    print(f"{printable(page)}  {page.stat().st_size / 1e6:.1f} MB")
    if take is not None:
        print(CAUTION)
    return 0
