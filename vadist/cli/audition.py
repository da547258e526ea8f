"""Hear what a change does: candidates at one loudness, their figures, and a page to listen with."""

import argparse
import shutil
import sys
from pathlib import Path

from vadist.cli import options as shared
from vadist.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist audition``."""
    add = parser.add_argument
    add("take", metavar="TAKE", help=shared.TAKE)
    add("--design", required=True, metavar="NAME|FILE", help=f"the reference: {shared.DESIGN}")
    shared.add_settings(parser)
    choices = parser.add_argument_group("candidates (1 to 64)")
    add = choices.add_argument
    add(
        "--try", action="append", default=[], metavar="PATH=V1,V2,...", dest="trials",
        help="values of a part, a part type or a control: clipper.shunt_capacitor=4n7,10n, "
        "clipper.diodes=1N34A,red LED, tone=0,0.5,1; each value is one candidate; may be "
        "repeated. PATH=* takes every other type of the library, PATH=0.5x..2x:7 so many values "
        "of a range (tone=0..1:5), PATH alone its neighbours in --e-series",
    )  # fmt: skip
    add("--combine", action="store_true", help="every combination of the values of several --try")
    add(
        "--e-series",
        metavar="E12",
        help="preferred numbers for a --try without values or of a range: E3..E192",
    )
    add(
        "--around", type=int, default=1, metavar="N",
        help="neighbours below and above in --e-series (default 1)",
    )  # fmt: skip
    add(
        "--with", action="append", default=[], metavar="NAME|FILE", dest="others",
        help="another whole design, as it is; may be repeated",
    )  # fmt: skip
    add("--taps", action="store_true", help="add the dry take and the sound after each block")
    add(
        "--through", metavar="IR|roll-off",
        help="add every track once more, heard through an impulse response: an audio file, or the "
        "calculated roll-off of a guitar loudspeaker",
    )  # fmt: skip
    shared.add_moves(parser.add_argument_group("knobs that are turned, of all candidates alike"))
    excerpt = parser.add_argument_group("take and level")
    add = excerpt.add_argument
    shared.add_excerpt(excerpt)
    shared.add_full_scale(excerpt)
    add(
        "--loudness", default="-18LUFS", metavar="LEVEL",
        help="common loudness (default -18LUFS); all come lower alike if true peaks would pass "
        "-1 dBTP",
    )  # fmt: skip
    add("--probe-level", default="100mV", metavar="LEVEL", help="sine for THD (default 100mV)")
    add("--probe-frequency", default="220Hz", metavar="HZ", help="its frequency (default 220Hz)")
    work = parser.add_argument_group("rendering and output")
    add = work.add_argument
    shared.add_quality(work)
    shared.add_threads(work)
    shared.add_device(work)
    add("--out", metavar="FOLDER", help="default: audition-TAKE-DESIGN, here")
    add("--overwrite", action="store_true", help="replace an earlier audition")
    add("--no-plots", action="store_true", help="draw no plots")
    add(
        "--no-page", action="store_true",
        help="build no page (one is at most 96 MB: some three minutes of ten tracks)",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Render, compare, write the folder and print the table."""
    from vadist.audition.candidates import make_candidates
    from vadist.audition.files import (
        PAGE,
        check_folder,
        file_stem,
        read_excerpt,
        write_audition,
    )
    from vadist.audition.page.size import TOO_LARGE, check_page_size
    from vadist.audition.run import Probe, audition_design
    from vadist.audition.tables import text_table
    from vadist.designs.files import apply_settings, design_text, load_design
    from vadist.quantities import parse_level
    from vadist.rendering.through import load_response

    from . import CAUTION
    from .progress import progress_bar

    take = Path(options.take)
    moves = shared.moves_of(options, [*options.settings, *options.trials])
    design = apply_settings(load_design(options.design), options.settings)
    candidates = []
    if options.trials or options.others or not options.taps:
        candidates = make_candidates(
            design, options.trials, [load_design(name) for name in options.others],
            e_series=options.e_series, around=options.around, combine=options.combine,
        )  # fmt: skip
    folder = Path(options.out or f"audition-{file_stem(take.stem)}-{file_stem(design.name)}")
    check_folder(folder, overwrite=options.overwrite)
    excerpt = read_excerpt(take, *shared.parse_excerpt(options))
    probe = Probe(shared.parse_option("--probe-frequency", options.probe_frequency, "Hz"),
                  parse_level(options.probe_level))  # fmt: skip
    tracks = 1 + len(candidates) + (1 + len(design.stages) if options.taps else 0)
    through = None
    frames, channels = excerpt.samples.shape
    if options.through is not None:
        through = load_response(options.through, excerpt.sample_rate_hz, channels)
        tracks *= 2
    if not options.no_page:
        check_page_size(tracks, frames, channels, excerpt.sample_rate_hz)
    with progress_bar(f"{tracks} tracks") as progress:
        result = audition_design(
            design, candidates, excerpt.samples, excerpt.sample_rate_hz,
            full_scale_v=parse_level(options.full_scale), level=_lufs(options.loudness),
            probe=probe, taps=options.taps, through=through, oversample=options.oversample,
            accuracy_db=shared.parse_accuracy(options.accuracy),
            threads=options.threads, moves=moves, bypass=options.bypass,
            device=options.device, progress=progress,
        )  # fmt: skip
    stem, others = design_text(options.design), [design_text(name) for name in options.others]
    originals = [stem] * (1 + len(candidates) - len(others)) + others
    written = write_audition(
        result, folder, take=take.name, originals=originals, overwrite=options.overwrite,
        plots=not options.no_plots, page=not options.no_page,
    )  # fmt: skip
    print(text_table(result, shutil.get_terminal_size().columns))
    paged = (folder / PAGE).absolute() in written
    print(f"written to {folder}" + (f"; open {folder / PAGE}" if paged else ""))
    print(CAUTION)
    if paged or options.no_page:
        return 0
    print(f"vadist: {TOO_LARGE}", file=sys.stderr)
    return 1


def _lufs(text: str) -> float:
    """``-18LUFS`` or ``-18LKFS`` as a number."""
    from vadist.errors import DesignError
    from vadist.quantities import parse_loudness

    fault = UsageError(f"--loudness must be within -60..0 LUFS, like -18LUFS (got {text!r})")
    try:
        level = parse_loudness(text)
    except DesignError:
        raise fault from None
    if not -60.0 <= level <= 0.0:
        raise fault
    return level
