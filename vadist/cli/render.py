"""Render dry takes through a design, or several, to audio files and their sidecars."""

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.cli import options as shared
from vadist.cli.render_report import print_input, print_missed, print_report, tell_page, tell_plan
from vadist.cli.render_settings import SUBTYPES, file_settings
from vadist.errors import (
    AudioFileError,
    ConvergenceError,
    UsageError,
    VadistError,
)
from vadist.names import printable

if TYPE_CHECKING:
    from vadist.rendering.report import FileReport
    from vadist.rendering.settings import FileSettings
    from vadist.sessions.plan import Job

_AUDIO_SUFFIXES = (
    ".wav", ".wave", ".flac", ".aif", ".aiff", ".mp3", ".ogg", ".opus", ".m4a", ".aac", ".wma",
)  # fmt: skip
# Endings of --out that mean a file: those that cannot be written are then refused.

_MOST_NAMED = 20

Progress = Callable[[float], None]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist render``."""
    add = parser.add_argument
    add("takes", nargs="+", metavar="TAKE", help=shared.TAKE)
    add(
        "--design", required=True, action="append", metavar="NAME|FILE", dest="designs",
        help=f"{shared.DESIGN}; given several times, every take is rendered through each",
    )  # fmt: skip
    shared.add_settings(parser)
    tried = parser.add_argument_group("several settings (each makes a render of every take)")
    add = tried.add_argument
    add(
        "--try", action="append", default=[], metavar="PATH=V1,V2,...", dest="trials",
        help="values to render one by one, upon what --set says; may be repeated",
    )  # fmt: skip
    add("--combine", action="store_true", help="every combination of the values of several --try")
    add(
        "--group", action="append", default=[], metavar="PATH=V,PATH=V", dest="groups",
        help="values to render all at once, as drive=0.9,tone=0.2; may be repeated",
    )  # fmt: skip
    shared.add_moves(parser.add_argument_group("knobs that are turned during the take"))
    take = parser.add_argument_group("take and level")
    add = take.add_argument
    shared.add_full_scale(take)
    add(
        "--output-full-scale", metavar="LEVEL", help="the same for the output; default: as the take"
    )
    add("--channels", metavar="1,3", help="channels of the take to render (default: all)")
    add(
        "--tail", default="0s", metavar="TIME|auto",
        help="render on after the take, as 2s; auto: until 90 dB below the peak, 10 s at most",
    )  # fmt: skip
    add(
        "--normalise", metavar="LEVEL",
        help="scale to a peak (-1dBFS) or a loudness (-18LUFS, true peaks at most -1 dBTP) instead "
        "of calibrated volts",
    )  # fmt: skip
    add(
        "--together", nargs="?", const="session", default="file",
        choices=("session", "design", "file"),
        help="normalise by one gain for all renders (session), or for all of a design as it was "
        "set, so that takes keep their balance; default: each file by its own",
    )  # fmt: skip
    add(
        "--through", metavar="IR|roll-off",
        help="write, beside each output, a second one heard through an impulse response: an audio "
        "file, or the calculated roll-off of a guitar loudspeaker",
    )  # fmt: skip
    work = parser.add_argument_group("rendering")
    shared.add_quality(work)
    shared.add_threads(work)
    work.add_argument(
        "--from-power-up", action="store_true",
        help="begin as the supply is switched on, capacitors empty, instead of at rest: thump "
        "included",
    )  # fmt: skip
    files = parser.add_argument_group("files")
    add = files.add_argument
    add(
        "--out", metavar="FILE|FOLDER",
        help="output WAV or FLAC (one take, one design) or folder; default: here",
    )  # fmt: skip
    add(
        "--name", metavar="PATTERN",
        help="names of outputs in the folder, of {take} {folder} {design} {settings} {number}; a / "
        "makes folders (default {take}-{design}--{settings})",
    )  # fmt: skip
    add("--format", choices=("wav", "flac"), default="wav", help="of outputs in a folder")
    add("--bits", choices=sorted(SUBTYPES), default="24", help="output samples (default 24)")
    add(
        "--dither", action="store_true", default=None,
        help="dither of triangular density before PCM is rounded (default: with --bits 16)",
    )  # fmt: skip
    add("--no-dither", action="store_false", dest="dither", help="none with --bits 16 either")
    add(
        "--skip-existing", action="store_true",
        help="leave what is there already, told by content: take, design, settings, versions",
    )  # fmt: skip
    add("--manifest", metavar="NAME", help="list all files in NAME.json and NAME.csv")
    add(
        "--page", metavar="FILE",
        help="write a page to listen with, FILE.html: takes to pick, designs to switch at the same "
        "place; its audio lies in a folder beside it where it passes 40 MB",
    )  # fmt: skip
    add("--overwrite", action="store_true", help="replace existing outputs")


def run(options: argparse.Namespace) -> int:
    """Render every take through every design; one that fails does not take the others with it."""
    from vadist.sessions.manifest import FAILED, LEFT, RENDERED, SKIPPED, Entry, write_manifest

    from . import CAUTION
    from .progress import progress_bars

    settings = file_settings(options)
    if options.together != "file" and settings.normalise is None:
        raise UsageError("--together needs --normalise, which says to what level")
    takes = shared.expanded(options.takes)
    jobs = session_jobs(options, takes, settings)
    outputs = output_paths(jobs, options, settings)
    to_do, done = checked(options, takes, jobs, outputs, settings)
    if len(jobs) > 1 or done:
        tell_plan(jobs, to_do, settings, together=options.together != "file",
                  paged=options.page is not None)  # fmt: skip
    states = {k: Entry(jobs[k], outputs[k], SKIPPED) for k in done}
    worst, made, together = 0, [], options.together != "file"
    try:
        with progress_bars() as bars, bars.bar(f"{len(to_do)} renders") as update:
            outcomes = _outcomes(options, jobs, outputs, settings, done, update)
            for k, outcome in zip(to_do, outcomes, strict=True):
                if isinstance(outcome, VadistError):
                    bars.print(f"vadist: {_place(jobs, k, outcome)}{outcome}", sys.stderr)
                    worst = max(worst, outcome.exit_code)
                    states[k] = Entry(jobs[k], outputs[k], FAILED, str(outcome))
                else:
                    print_report(outcome, settings, bars, together=together)
                    made += [outcome, *([outcome.through] if outcome.through else [])]
                    if len(jobs) == 1:
                        print_input(outcome, settings, bars)
                    states[k] = Entry(jobs[k], outputs[k], RENDERED)
            if together and settings.normalise is not None:
                print_missed(made, settings.normalise[1], bars)
    finally:
        if options.manifest is not None:
            rest = [Entry(*pair, LEFT) for pair in zip(jobs, outputs, strict=True)]
            entries = [states.get(k, left) for k, left in enumerate(rest)]
            write_manifest(options.manifest, entries, settings)
    if options.page is not None:
        tell_page(page_path(options), [states[k] for k in sorted(states)], settings)
    if made:
        print(CAUTION, file=sys.stderr)
    return worst


def _place(jobs: "Sequence[Job]", k: int, error: VadistError) -> str:
    """What a job is, before an error that does not say it."""
    if not isinstance(error, ConvergenceError | UsageError):
        return ""
    take = printable(jobs[k].take)
    several = len({(job.name, job.changes) for job in jobs}) > 1
    return f"{printable(jobs[k].told)}: " if several else f"{take}: "


def session_jobs(
    options: argparse.Namespace, takes: Sequence[Path], settings: "FileSettings"
) -> "list[Job]":
    """Every take through every design as it is set, take by take."""
    from vadist.designs.files import load_design
    from vadist.designs.moves import at_start, parse_move
    from vadist.sessions.plan import Job
    from vadist.sessions.variants import make_variants

    variants = [
        (design.name, variant)
        for design in map(load_design, options.designs)
        for variant in make_variants(
            design, options.settings, options.trials, options.groups, combine=options.combine
        )
    ]
    moves = [parse_move(move) for move in settings.moves]
    for _, variant in variants:
        at_start(variant.design, moves)  # refuses before the work
    told = (*(["from=power-up"] if options.from_power_up else []), *settings.moves)
    return [
        Job(take, each.design, name, (*each.changes, *told))
        for take in takes
        for name, each in variants
    ]


def checked(
    options: argparse.Namespace,
    takes: Sequence[Path],
    jobs: "Sequence[Job]",
    outputs: Sequence[Path],
    settings: "FileSettings",
) -> tuple[list[int], list[int]]:
    """Numbers of the jobs to render, and of those that are done; all refusals come here.

    Raises
    ------
    AudioFileError, UsageError
    """
    from vadist.cli.outputs import refuse_taken
    from vadist.rendering.files import outputs_of
    from vadist.sessions.manifest import manifest_paths
    from vadist.sessions.names import refuse_collisions
    from vadist.sessions.resume import pending

    written = [outputs_of(output, settings) for output in outputs]
    refuse_collisions(written, [job.told for job in jobs])
    every = [path for paths in written for path in paths]
    anew = options.overwrite or options.skip_existing
    check_outputs([*takes, *_response(options)], every, overwrite=anew)
    if options.page is not None:
        refuse_taken([("--page", page_path(options))], [*takes, *every], overwrite=anew)
    if options.manifest is not None:
        listed = [("--manifest", path) for path in manifest_paths(options.manifest)]
        refuse_taken(listed, [*takes, *every], overwrite=anew)
    if not options.skip_existing:
        return list(range(len(jobs))), []
    return pending(jobs, outputs, _marked(options, jobs, settings))


def page_path(options: argparse.Namespace) -> Path:
    """Where the page is to stand."""
    path = Path(options.page)
    return path if path.suffix.lower() == ".html" else path.with_name(path.name + ".html")


def _response(options: argparse.Namespace) -> list[Path]:
    from vadist.rendering.through import ROLL_OFF

    return [] if options.through in (None, ROLL_OFF) else [Path(options.through)]


def _marked(
    options: argparse.Namespace, jobs: "Sequence[Job]", settings: "FileSettings"
) -> "FileSettings":
    """Settings with the mark of those that share a gain."""
    import dataclasses

    from vadist.sessions.resume import mark_of

    if options.together == "file":
        return settings
    mark = f"{options.together} {mark_of(jobs, settings)}"
    return dataclasses.replace(settings, session=mark)


def _outcomes(
    options: argparse.Namespace,
    jobs: "Sequence[Job]",
    outputs: Sequence[Path],
    settings: "FileSettings",
    done: Sequence[int],
    update: "Progress",
) -> "Iterator[FileReport | VadistError]":
    """What came of each job that was to be done, in order."""
    import dataclasses

    from vadist.sessions.running import run_jobs, run_together

    settings = _marked(options, jobs, settings)
    if options.skip_existing:  # what is there and is not as it should be was refused
        settings = dataclasses.replace(settings, overwrite=True)
    if options.together == "file":
        to_do = [k for k in range(len(jobs)) if k not in set(done)]
        return run_jobs([jobs[k] for k in to_do], [outputs[k] for k in to_do], settings, update)
    whole = options.together == "session"
    groups = ["all" if whole else (job.name, job.changes) for job in jobs]
    folder = Path(options.out) if options.out is not None else Path()
    return run_together(jobs, outputs, settings, done, groups, folder, update)


def check_outputs(takes: Sequence[Path], outputs: Sequence[Path], *, overwrite: bool) -> None:
    """Refuse, before any work, outputs that would cost somebody a file; all are named.

    Raises
    ------
    AudioFileError
    """
    from vadist.rendering.files import check_output, existing

    there = [] if overwrite else existing(outputs)
    if len(there) > 1:
        names = ", ".join(map(printable, there[:_MOST_NAMED]))
        more = f" and {len(there) - _MOST_NAMED} more" if len(there) > _MOST_NAMED else ""
        raise AudioFileError(f"{names}{more}: exist; give another --out or --overwrite")
    for output in outputs:
        for take in takes:
            check_output(take, output, overwrite=overwrite)


def output_paths(
    jobs: "Sequence[Job]", options: argparse.Namespace, settings: "FileSettings"
) -> list[Path]:
    """Output of every job.

    Raises
    ------
    UsageError
    """
    from vadist.sessions.names import USUAL, check_pattern, output_name

    out = options.out
    if out is not None and not _is_folder(out) and Path(out).suffix.lower() in _AUDIO_SUFFIXES:
        if len(jobs) > 1:
            raise UsageError(
                f"--out {printable(out)}: is one file; give a folder for {len(jobs)} takes"
            )
        if options.name is not None:
            raise UsageError(f"--out {printable(out)}: is a file's name; leave out --name")
        return [Path(out)]
    folder = Path(out) if out is not None else Path()
    pattern = USUAL if options.name is None else options.name
    check_pattern(pattern)
    return [
        folder / output_name(pattern, job, k + 1, len(jobs), f".{options.format}")
        for k, job in enumerate(jobs)
    ]


def _is_folder(name: str) -> bool:
    try:
        return Path(name).is_dir()
    except OSError:  # too long, say: told where it is to be written
        return False
