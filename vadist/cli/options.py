"""Options that several commands share: each is told in one place."""

import argparse
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.errors import UsageError
from vadist.names import printable

if TYPE_CHECKING:
    from vadist.designs.moves import Move

Adder = argparse.ArgumentParser | argparse._ArgumentGroup

TAKE = "WAV, FLAC or AIFF"
DESIGN = "preset, TOML file, or the JSON sidecar of a render"
FULL_SCALE = "peak volts of a full-scale sample, as 1V, 500mV, 12dBu, -3dBV (default 1V)"
THREADS = "default: all cores"


def add_settings(parser: Adder) -> None:
    """``--set``, into ``settings``."""
    parser.add_argument(
        "--set", action="append", default=[], metavar="PATH=VALUE", dest="settings",
        help="change a value: drive=0.7, drive=70%%, clipper.shunt_capacitor=22n, "
        "boost.transistor.forward_beta=200, clipper=none to bypass a stage; may be repeated",
    )  # fmt: skip
    add_stages(parser)


def add_stages(parser: Adder) -> None:
    """``--stages``, into ``stage_files``; they are loaded before the command runs."""
    parser.add_argument(
        "--stages", action="append", default=[], metavar="FILE", dest="stage_files",
        help="run a Python file whose stages designs may then use; only one you trust; may be "
        "repeated",
    )  # fmt: skip


def add_moves(parser: Adder) -> None:
    """``--move``, ``--switch``, ``--bypass``, ``--moves``; see :func:`moves_of`."""
    parser.add_argument(
        "--move", action="append", default=[], metavar="KNOB=POS@TIME,...", dest="moved",
        help="turn a knob during the take: drive=0.2@0s,0.9@2s goes evenly from point to point and "
        "rests before the first and after the last; or throw a switch of a wiring list: "
        "mix.voice=silicon@0s,led@1.5s; may be repeated for others",
    )  # fmt: skip
    parser.add_argument(
        "--switch", action="append", default=[], metavar="bypass@TIME,...", dest="switched",
        help="bypass the design at a time and bring it back at the next, with the click that the "
        "circuit makes",
    )  # fmt: skip
    parser.add_argument(
        "--bypass", default="true", metavar="KIND",
        help="true (also true,pull_down=1M), or buffered (also buffered,after=STAGE), whose output "
        "alone changes over (default true)",
    )  # fmt: skip
    parser.add_argument(
        "--moves", action="append", default=[], metavar="FILE", dest="move_files",
        help="moves of a CSV (control,seconds,position) or TOML file; may be repeated",
    )  # fmt: skip


def moves_of(options: argparse.Namespace, paths: Sequence[str] = ()) -> "list[Move]":
    """Moves that options ask for.

    Parameters
    ----------
    options : Namespace
    paths : sequence of str
        What else they set, as ``drive=0.7``.

    Raises
    ------
    UsageError
        If a knob is moved twice, or set besides.
    """
    from vadist.designs.move_files import read_moves
    from vadist.designs.moves import check_moves, parse_move, parse_switch

    moves = [parse_move(text) for text in options.moved]
    moves += [parse_switch(text) for text in options.switched]
    moves += [move for name in options.move_files for move in read_moves(Path(name))]
    check_moves(moves)
    for path in paths:
        name = path.partition("=")[0].strip()
        if name in {move.control for move in moves}:
            raise UsageError(f"{name} is set and moved; leave out one of the two")
    return moves


def add_full_scale(parser: Adder) -> None:
    """``--full-scale`` of a take."""
    parser.add_argument("--full-scale", default="1V", metavar="LEVEL", help=FULL_SCALE)


def add_sine(parser: Adder) -> None:
    """``--frequency`` and ``--level`` of the sine that figures are told for."""
    parser.add_argument(
        "--frequency", default="220Hz", metavar="HZ", help="sine for levels and headroom (220Hz)"
    )
    parser.add_argument(
        "--level", metavar="LEVEL",
        help="peak at the input, as 100mV, -20dBu (100mV, a typical note; in pictures more, up "
        "to 1V, for a design that stays clean)",
    )  # fmt: skip


def parse_sine(options: argparse.Namespace) -> tuple[float, float | None]:
    """Frequency and peak volts of ``--frequency`` and ``--level``; None for the usual level."""
    from vadist.errors import DesignError
    from vadist.quantities import parse_level

    frequency_hz = parse_option("--frequency", options.frequency, "Hz")
    try:
        return frequency_hz, None if options.level is None else parse_level(options.level)
    except DesignError as error:
        raise UsageError(f"--level {error}") from None


def add_excerpt(parser: Adder) -> None:
    """``--from`` and ``--length`` of a take."""
    parser.add_argument(
        "--from", metavar="TIME", dest="start", default="0s",
        help="start of an excerpt, as 2.5s or 1:02",
    )  # fmt: skip
    parser.add_argument(
        "--length", metavar="TIME", help="length of the excerpt; default: to the end"
    )


def parse_excerpt(options: argparse.Namespace) -> tuple[float, float | None]:
    """Start and length in seconds; None to the end."""
    start_s = parse_option("--from", options.start, "s")
    length = options.length
    return start_s, None if length is None else parse_option("--length", length, "s")


def parse_option(option: str, text: str, unit: str) -> float:
    """A quantity that an option gives.

    Raises
    ------
    UsageError
        Naming the option.
    """
    from vadist.errors import DesignError
    from vadist.quantities import parse_quantity

    try:
        return parse_quantity(text, unit)
    except DesignError as error:
        raise UsageError(f"{option} {error}") from None


def add_quality(parser: Adder) -> None:
    """``--oversample`` or ``--accuracy``."""
    quality = parser.add_mutually_exclusive_group()
    add_oversample(quality)
    quality.add_argument(
        "--accuracy", metavar="DB", help="wanted numerical error, as -90dB: picks the factor"
    )


def add_oversample(parser: Adder) -> None:
    """``--oversample``."""
    parser.add_argument(
        "--oversample", type=int, metavar="N",
        help="factor; default reaches 352.8 kHz (8 at 48 kHz)",
    )  # fmt: skip


def add_threads(parser: Adder) -> None:
    """``--threads``."""
    parser.add_argument("--threads", type=int, metavar="N", help=THREADS)


def add_cluster(parser: Adder) -> None:
    """``--cluster``."""
    parser.add_argument(
        "--cluster", metavar="ADDRESS",
        help="Dask scheduler to work on, as tcp://host:8786 (needs vadist[cluster])",
    )  # fmt: skip


def add_device(parser: Adder) -> None:
    """``--device``."""
    parser.add_argument(
        "--device", choices=("cpu", "gpu"), default="cpu",
        help="what renders takes: gpu is every NVIDIA card there is (needs vadist[gpu])",
    )  # fmt: skip


def refuse_idle_device(device: str, take: str | None) -> None:
    """A card that would have nothing to render.

    Raises
    ------
    UsageError
    """
    if device != "cpu" and take is None:
        raise UsageError(f"--device {device} renders takes: give one")


def parse_seconds(option: str, text: str) -> float:
    """Read a time.

    Raises
    ------
    UsageError
        With the option's name in front.
    """
    from vadist.errors import DesignError
    from vadist.quantities import parse_quantity

    try:
        return parse_quantity(text, "s")
    except DesignError as error:
        raise UsageError(f"{option} {error}") from None


def expanded(words: Sequence[str]) -> list[Path]:
    """Files that words name; ``*``, ``?`` and ``[...]`` are filled in where no shell did.

    Raises
    ------
    UsageError
        If a pattern matches no file.
    """
    import glob

    found: list[Path] = []
    for word in words:
        if not glob.has_magic(word) or os.path.lexists(word):
            found.append(Path(word))
        elif matching := sorted(glob.glob(word)):  # noqa: PTH207 - a Path globs no absolute pattern
            found += map(Path, matching)
        else:
            raise UsageError(f"{printable(word)}: no file has such a name")
    return found


def parse_accuracy(text: str | None) -> float | None:
    """``-90dB`` or ``-90`` as a number; None is left as it is."""
    if text is None:
        return None
    try:
        return float(text.lower().removesuffix("db"))
    except ValueError:
        raise UsageError(f"--accuracy must be decibels like -90dB (got {text!r})") from None
