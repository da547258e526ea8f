"""Choose values of parts that give a design the figures that are wanted of it."""

import argparse
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.cli import options as shared
from vadist.errors import UsageError

if TYPE_CHECKING:
    from vadist.designs.design import Design
    from vadist.population.sound import Hearing

WRITTEN = "with the first choice; comments beside changed values still tell of the old ones"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist choose``."""
    add = parser.add_argument
    add("design", metavar="NAME|FILE", help=shared.DESIGN)
    shared.add_settings(parser)
    add(
        "--want", action="append", default=[], metavar="FIGURE...", dest="wishes", required=True,
        help='"boost bass cut = 80Hz" (within 5 %%, or +-2%%), "gain at 1kHz 28dB..32dB", '
        '"noise < 5mV", "supply current low", "boost 1 %% level high"; with a take "sounds like '
        'FILE", "band change low", "loudness = -20LUFS"; may be repeated',
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
    heard = parser.add_argument_group("with a take, for wishes of sound")
    add = heard.add_argument
    add("--take", metavar="TAKE", help=f"what is played: {shared.TAKE}")
    add("--from", metavar="TIME", dest="start", default="0s", help="excerpt's start, of both files")
    add("--length", metavar="TIME", help="length of the excerpt; default: to the end")
    shared.add_full_scale(heard)
    shared.add_oversample(heard)
    shared.add_device(heard)


def run(options: argparse.Namespace) -> int:
    """Choose, tell, and write the design; 1 where not every wish can be met, 130 interrupted."""
    import json

    from vadist.cli.outputs import refuse_taken, tell
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
    shared.refuse_idle_device(options.device, options.take)
    refuse_taken([("--write", options.write)], [options.design], options.overwrite)
    top, most = whole("--top", options.top, 8), whole("--most", options.most, 1_000_000)
    design = apply_settings(load_design(options.design), options.settings)
    wishes = [read_wish(text, design) for text in options.wishes]
    lists = read_lists(design, options.varied, options.series, options.within)
    hearing = _hearing(options, design)
    with progress_bar("combinations") as progress:
        choice = choose(
            design, wishes, lists, others=usual_figures(design), most=most, top=top,
            threads=options.threads, hearing=hearing, device=options.device, progress=progress,
        )  # fmt: skip

    def show() -> None:
        if options.json:
            print(json.dumps(as_json(choice), indent=2, allow_nan=False))
        else:
            print(choice_text(choice, shutil.get_terminal_size((80, 24)).columns))

    def write() -> None:
        if options.write and choice.met and not choice.search.interrupted:
            text = write_design(choice.options[0].design, design_text(options.design))
            write_text_atomically(options.write, text, overwrite=options.overwrite)
            print(f"{printable(options.write)}  {WRITTEN}", file=sys.stderr)

    tell(show, write)
    if choice.search.interrupted:
        return 130
    return 0 if choice.met else 1


def _hearing(options: argparse.Namespace, design: "Design") -> "Hearing | None":
    """The take and what it is held against: a recording where one is named, else the design."""
    from vadist.audition.files import read_excerpt
    from vadist.names import printable
    from vadist.population.sound import hearing_against, hearing_of
    from vadist.quantities import parse_level
    from vadist.questions.wishes import target_of

    targets = list(dict.fromkeys(filter(None, map(target_of, options.wishes))))
    if len(targets) > 1:
        raise UsageError("a design can sound like one recording: give one 'sounds like'")
    if options.take is None:
        if targets:
            raise UsageError(f"'sounds like {printable(targets[0])}' needs --take: what was played")
        return None
    start_s = shared.parse_seconds("--from", options.start)
    length_s = None if options.length is None else shared.parse_seconds("--length", options.length)
    excerpt = read_excerpt(Path(options.take), start_s, length_s)
    given = {"full_scale_v": parse_level(options.full_scale), "oversample": options.oversample}
    if not targets:
        return hearing_of(design, excerpt.samples, excerpt.sample_rate_hz, **given)
    target = read_excerpt(Path(targets[0]), start_s, length_s)
    if target.sample_rate_hz != excerpt.sample_rate_hz:
        raise UsageError(
            f"{printable(targets[0])} must have the take's rate of {excerpt.sample_rate_hz:g} Hz "
            f"(it has {target.sample_rate_hz:g} Hz)"
        )
    return hearing_against(target.samples, excerpt.samples, excerpt.sample_rate_hz, **given)
