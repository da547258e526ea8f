"""Put every part of its kind in the place of one, and rank them by what changes."""

import argparse
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.cli import options as shared
from vadist.errors import UsageError

WRITTEN = "with the nearest part; comments beside changed values still tell of the old ones"

if TYPE_CHECKING:
    from vadist.designs.design import Design
    from vadist.population.sound import Hearing


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist substitute``."""
    add = parser.add_argument
    add("design", metavar="NAME|FILE", help=shared.DESIGN)
    add("part", metavar="STAGE.PART", help="a transistor, FET, op-amp or diodes of it")
    add("take", metavar="TAKE", nargs="?", help=f"rank by sound, through this: {shared.TAKE}")
    shared.add_settings(parser)
    add(
        "--with", action="append", default=[], metavar="PART", dest="inline",
        help="a part of your own, as a table of a design file; may be repeated",
    )  # fmt: skip
    add(
        "--retune", metavar="PATH,PATH",
        help="parts whose values are chosen again for each, so that rest and gain come back",
    )  # fmt: skip
    add("--series", metavar="E24", help="preferred numbers: E3..E192 (E24 for resistors, else E12)")
    add(
        "--write",
        metavar="FILE",
        help="write the design with the nearest part that is still made (.toml)",
    )
    add("--overwrite", action="store_true", help="replace that file; never what is read")
    add("--json", action="store_true", help="print everything as JSON")
    heard = parser.add_argument_group("take")
    heard.add_argument("--from", metavar="TIME", dest="start", default="0s", help="excerpt's start")
    heard.add_argument("--length", metavar="TIME", default="5s", help="of the excerpt (5s)")
    shared.add_full_scale(heard)
    shared.add_oversample(heard)
    shared.add_threads(heard)
    shared.add_device(heard)


def run(options: argparse.Namespace) -> int:
    """Rank, tell, and write the design; 1 where no part fits."""
    import json

    from vadist.cli.outputs import refuse_taken, tell
    from vadist.cli.progress import progress_bar
    from vadist.designs.files import apply_settings, design_text, load_design, write_design
    from vadist.files import write_text_atomically
    from vadist.names import printable
    from vadist.questions.choose_values import read_lists
    from vadist.questions.substitute import as_json, candidates, substitutes
    from vadist.questions.substitute_text import substitutes_text

    if options.write and not options.write.lower().endswith(".toml"):
        raise UsageError(f"--write must be a .toml (got {printable(options.write)!r})")
    shared.refuse_idle_device(options.device, options.take)
    inputs = [options.design, *([options.take] if options.take else [])]
    refuse_taken([("--write", options.write)], inputs, options.overwrite)
    design = apply_settings(load_design(options.design), options.settings)
    retune = options.retune.split(",") if options.retune else []
    candidates(design, options.part, options.inline)  # refused before a take is rendered
    if retune:
        read_lists(design, retune, options.series)
    hearing = _hearing(options, design) if options.take else None
    with progress_bar("parts") as progress:
        found = substitutes(
            design, options.part, inline=options.inline,
            retune=retune, series=options.series, hearing=hearing,
            threads=options.threads, device=options.device, progress=progress,
        )  # fmt: skip

    def show() -> None:
        if options.json:
            print(json.dumps(as_json(found), indent=2, allow_nan=False))
        else:
            print(substitutes_text(found, shutil.get_terminal_size((80, 24)).columns))

    def write() -> None:
        if options.write and found.nearest is not None:
            text = write_design(found.nearest.design, design_text(options.design))
            write_text_atomically(options.write, text, overwrite=options.overwrite)
            print(f"{printable(options.write)}  {WRITTEN}", file=sys.stderr)

    tell(show, write)
    return 1 if found.nearest is None else 0


def _hearing(options: argparse.Namespace, design: "Design") -> "Hearing":
    from vadist.audition.files import read_excerpt
    from vadist.population.sound import hearing_of
    from vadist.quantities import parse_level

    times = [
        shared.parse_seconds(option, text)
        for option, text in (("--from", options.start), ("--length", options.length))
    ]
    excerpt = read_excerpt(Path(options.take), *times)
    return hearing_of(
        design, excerpt.samples, excerpt.sample_rate_hz,
        full_scale_v=parse_level(options.full_scale), oversample=options.oversample,
    )  # fmt: skip
