"""What ``vadist render`` tells of its plan and of each output."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.names import printable

if TYPE_CHECKING:
    from vadist.cli.progress import Bars
    from vadist.rendering.report import FileReport
    from vadist.rendering.settings import FileSettings
    from vadist.sessions.manifest import Entry
    from vadist.sessions.plan import Job

_TELLING_DB = 0.05
_FIRST_BLOCKS = 3


def tell_plan(
    jobs: "Sequence[Job]",
    to_do: Sequence[int],
    settings: "FileSettings",
    *,
    together: bool,
    paged: bool,
) -> None:
    """Say what is to be done, before it is."""
    from vadist.sessions.plan import make_plan

    takes, designs = {job.take for job in jobs}, {(job.name, job.changes) for job in jobs}
    plan = make_plan([jobs[k] for k in to_do], settings, together=together)
    there = len(jobs) - len(to_do)
    done = f"; {there} are there already" if there else ""
    if paged:
        from vadist.audio_files import BYTES_PER_SAMPLE
        from vadist.sessions.page import LIMIT_BYTES, page_bytes

        whole = make_plan(jobs, settings, together=False).disk_bytes
        size = page_bytes(whole // BYTES_PER_SAMPLE[settings.subtype])
        where = "its audio inside" if size <= LIMIT_BYTES else "its audio in a folder beside it"
        done += f"; a page of some {size / 1e6:.2g} MB, {where}"
    print(
        f"vadist: takes: {len(takes)}, designs and settings: {len(designs)}; {plan}{done}",
        file=sys.stderr,
    )


def tell_page(page: "Path", entries: "Sequence[Entry]", settings: "FileSettings") -> None:
    """Write the page of what is there, and say where."""
    from vadist.rendering.files import outputs_of
    from vadist.sessions.manifest import RENDERED, SKIPPED
    from vadist.sessions.page import Shelf, audio_folder, write_page

    shelves: dict[str, list[tuple[str, Path]]] = {}
    for entry in entries:
        if entry.state in (RENDERED, SKIPPED):
            usual = ", ".join((entry.job.name, *entry.job.changes))
            told = [usual, f"{usual}, through {settings.through}"]
            shelf = shelves.setdefault(str(entry.job.take), [])
            shelf += zip(told, outputs_of(entry.output, settings), strict=False)
    if not shelves:
        return
    inside = write_page(
        page,
        [
            Shelf(printable(Path(take).name), *map(tuple, zip(*shelf, strict=True)))
            for take, shelf in shelves.items()
        ],
    )
    beside = "" if inside else f", its audio in {printable(audio_folder(page))}"
    print(f"page written to {printable(page)}{beside}")


def print_report(
    report: "FileReport", settings: "FileSettings", bars: "Bars", *, together: bool = False
) -> None:
    """Where the output is and what is to be known of it."""
    from vadist.sessions.calibration import implausible

    found = report.diagnostics
    output = printable(report.output)
    error = "silent" if found.error_db is None else f"numerical error {found.error_db:.1f} dB"
    if found.error.worst_db is not None:
        error += f", worst 40 ms {found.error.worst_db:.1f} dB at {found.error.worst_s:.2f} s"
    peak = f"peak {report.peak_v:.3g} V"
    if settings.normalise is not None:
        peak += f" before a gain of {report.gain_db:+.1f} dB"
        if report.loudness_lufs is not None:
            peak += f", then {report.loudness_lufs:.1f} LUFS"
    bars.print(f"{output}  {report.seconds:.2f} s, {found.method}, {peak}, {error}", sys.stdout)
    if odd := implausible(report.input.peak_v):
        bars.print(f"vadist: {output}: {odd}", sys.stderr)
    if report.missed_db > _TELLING_DB and settings.normalise is not None and not together:
        wanted = settings.normalise[1]
        bars.print(
            f"vadist: {output}: is at {wanted - report.missed_db:.1f} LUFS, {report.missed_db:.1f} "
            f"dB below the {wanted:g} asked for: louder, its true peaks would pass -1 dBTP",
            sys.stderr,
        )
    if report.clipped_samples and settings.subtype == "FLOAT":
        bars.print(
            f"vadist: {output}: {report.clipped_samples} samples are beyond full scale; "
            f"floats keep them, but players clip them: the output reaches {report.peak_v:.3g} V",
            sys.stderr,
        )
    elif report.clipped_samples:
        bars.print(
            f"vadist: {output}: {report.clipped_samples} samples beyond full scale were "
            f"clipped; the output reaches {report.peak_v:.3g} V: use --output-full-scale, "
            "--normalise or --bits float",
            sys.stderr,
        )
    if found.seams_mended:
        bars.print(
            f"vadist: {output}: {found.seams_mended} of {found.seams} seams did not settle "
            "and were run again serially",
            sys.stderr,
        )
    if report.left_behind:
        bars.print(
            f"vadist: {output}: FLAC holds none of {', '.join(report.left_behind)}: where the take "
            "belongs on a time line stays behind; --format wav keeps it",
            sys.stderr,
        )
    if report.through is not None:
        second = report.through
        level = f"peak {second.peak_v:.3g} V"
        if settings.normalise is not None and second.loudness_lufs is not None:
            level += f" before {second.gain_db:+.1f} dB, then {second.loudness_lufs:.1f} LUFS"
        bars.print(f"{printable(second.output)}  the same through a response, {level}", sys.stdout)


def print_missed(reports: "Sequence[FileReport]", wanted: float, bars: "Bars") -> None:
    """What true peaks cost renders that share a gain, each gain once."""
    for missed_db in dict.fromkeys(report.missed_db for report in reports):
        if missed_db > _TELLING_DB:
            bars.print(
                f"vadist: renders that share a gain are at {wanted - missed_db:.1f} LUFS together, "
                f"{missed_db:.1f} dB below the {wanted:g} asked for: louder, the true peaks of one "
                "would pass -1 dBTP",
                sys.stderr,
            )


def print_input(report: "FileReport", settings: "FileSettings", bars: "Bars") -> None:
    """The take in volts at its full scale, and how far the first blocks went with it."""
    level, told = report.input, []
    told.append(f"input peak {level.peak_v:.3g} V")
    if (loudness := level.loudness()) is not None:
        told.append(
            f"as loud as a sine of {settings.full_scale_v * 10 ** (loudness / 20):.3g} V rms"
        )
    for name, reach in list(report.diagnostics.stages.items())[:_FIRST_BLOCKS]:
        far_v = max(reach.high_v - reach.rest_v, reach.rest_v - reach.low_v)
        told.append(f"{name} {far_v:.3g} V from rest")
    bars.print("  " + ", ".join(told), sys.stdout)
