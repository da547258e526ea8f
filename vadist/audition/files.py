"""The folder an audition is written to, whole or not at all."""

import json
import re
import secrets
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from vadist.arrays import FloatArray
from vadist.audio_files import TakeReader, TakeWriter
from vadist.audition.run import AuditionResult
from vadist.audition.tables import csv_table, described, text_table
from vadist.errors import AudioFileError, UsageError
from vadist.files import write_text_atomically

RECORD = "audition.json"
PAGE = "listen.html"
_LONGEST_NAME = 60


@dataclass(frozen=True)
class Excerpt:
    """A stretch of a take.

    Attributes
    ----------
    samples : (frames, channels)
    sample_rate_hz : int
    """

    samples: FloatArray
    sample_rate_hz: int


def read_excerpt(take: Path, start_s: float = 0.0, length_s: float | None = None) -> Excerpt:
    """Read a take, or an excerpt of it.

    Parameters
    ----------
    take : Path
    start_s : float
        Where the excerpt starts.
    length_s : float, optional
        To the end by default.

    Raises
    ------
    AudioFileError
        If the take cannot be read or holds nothing there.
    """
    if start_s < 0.0 or (length_s is not None and not length_s > 0.0):
        raise UsageError(
            f"an excerpt must start at or after 0 s and last longer than 0 s "
            f"(got start {start_s:g} s, length {length_s} s)"
        )
    with TakeReader(take) as reader:
        first = round(start_s * reader.sample_rate_hz)
        if first >= reader.frames:
            seconds = reader.frames / reader.sample_rate_hz
            raise AudioFileError(
                f"{take}: holds nothing from {start_s:g} s on, it lasts {seconds:g} s"
            )
        reader.seek(first)
        frames = reader.frames - first
        if length_s is not None:
            frames = min(frames, max(round(length_s * reader.sample_rate_hz), 1))
        return Excerpt(reader.read(frames), reader.sample_rate_hz)


def check_folder(folder: Path, *, overwrite: bool) -> None:
    """Refuse a folder whose replacing would cost somebody a file.

    Raises
    ------
    AudioFileError
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise AudioFileError(f"{folder}: is there and is no folder; choose another")
    held = sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []
    if not held:
        return
    if not overwrite:
        raise AudioFileError(f"{folder}: is there and not empty; choose another or --overwrite")
    strangers = [name for name in held if name not in _earlier_files(folder)]
    if strangers:
        raise AudioFileError(
            f"{folder}: holds {strangers[0]}, which no audition wrote; choose another folder"
        )


def _earlier_files(folder: Path) -> set[str]:
    """Names an earlier audition says it wrote."""
    try:
        record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
        return {RECORD, *map(str, record["files"])}
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def audio_names(result: AuditionResult) -> list[str]:
    """File name of each track: a number and what tells it from the others."""
    return [
        f"{number:02d}_{file_stem(track.name)}.wav" for number, track in enumerate(result.tracks)
    ]


def file_stem(name: str) -> str:
    """Part of a file name that every system takes.

    Examples
    --------
    >>> file_stem("clipper.diodes={type = 'red LED', count = 2}")
    'clipper.diodes=type-=-red-LED-count-=-2'
    """
    words = re.sub(r"[^A-Za-z0-9.=+_-]+", "-", name.replace("{", "").replace("}", ""))
    return words.strip("-.")[:_LONGEST_NAME].rstrip("-.") or "design"


def write_audition(
    result: AuditionResult,
    folder: Path,
    *,
    take: str = "take",
    originals: Sequence[str] = (),
    overwrite: bool = False,
    plots: bool = True,
    page: bool = True,
) -> list[Path]:
    """Write the audio, tables, plots and page of an audition.

    Parameters
    ----------
    result : AuditionResult
    folder : Path
        Made if it is not there; filled under another name and renamed when whole.
    take : str
        Name of the take, for people.
    originals : sequence of str
        Text of the design file that each track's design stems from, the reference first; the
        record then keeps its comments and order.
    overwrite : bool
        Whether an earlier audition may be replaced.
    plots, page : bool
        Whether to draw plots, and to build the page to listen with.

    Returns
    -------
    list of Path
        Files written. The page is not among them if it came out larger than a page may be.

    Raises
    ------
    AudioFileError
        If it cannot be written; nothing is left behind then.
    """
    check_folder(folder, overwrite=overwrite)
    folder = folder.absolute()
    partial = folder.with_name(f".{folder.name}.{secrets.token_hex(4)}.part")
    try:
        partial.mkdir(parents=True)
        names = _fill(result, partial, take, originals, plots=plots, page=page)
        _put_in_place(partial, folder, overwrite=overwrite)
    except OSError as error:
        raise AudioFileError(f"{folder}: cannot be written ({error.strerror or error})") from None
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return [folder / name for name in names]


def _fill(
    result: AuditionResult,
    folder: Path,
    take: str,
    originals: Sequence[str],
    *,
    plots: bool,
    page: bool,
) -> list[str]:
    audio = audio_names(result)
    rate = round(result.sample_rate_hz)
    for name, track in zip(audio, result.tracks, strict=True):
        with TakeWriter(folder / name, rate, track.samples.shape[1], "PCM_24") as writer:
            writer.write(track.samples)
    names = [*audio, "table.txt", "table.csv"]
    write_text_atomically(folder / "table.txt", text_table(result))
    write_text_atomically(folder / "table.csv", csv_table(result))
    if plots:
        from vadist.audition.plots import draw_plots

        names += draw_plots(result, folder)
    if page:
        from vadist.audition.page import build_page
        from vadist.audition.page.size import LIMIT_BYTES

        text = build_page(result, take)
        if len(text) <= LIMIT_BYTES:
            write_text_atomically(folder / PAGE, text)
            names.append(PAGE)
    record = {**described(result, audio, take, originals), "files": names}
    write_text_atomically(folder / RECORD, json.dumps(record, indent=2, allow_nan=False) + "\n")
    return [*names, RECORD]


def _put_in_place(partial: Path, folder: Path, *, overwrite: bool) -> None:
    """Rename the finished folder; an earlier one steps aside first and is then removed."""
    check_folder(folder, overwrite=overwrite)
    if not folder.exists():
        partial.rename(folder)
        return
    aside = folder.with_name(f".{folder.name}.{secrets.token_hex(4)}.old")
    folder.rename(aside)
    try:
        partial.rename(folder)
    except OSError:
        aside.rename(folder)
        raise
    shutil.rmtree(aside, ignore_errors=True)
