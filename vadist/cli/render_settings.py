"""What the options of ``vadist render`` say of files, as settings."""

import argparse
import math
from typing import TYPE_CHECKING

from vadist.cli import options as shared
from vadist.errors import DesignError, UsageError

if TYPE_CHECKING:
    from vadist.rendering.settings import FileSettings

SUBTYPES = {"24": "PCM_24", "16": "PCM_16", "float": "FLOAT"}

_LONGEST_TAIL_S = 600.0


def file_settings(options: argparse.Namespace) -> "FileSettings":
    """What the options say of all files alike."""
    from vadist.designs.contacts import parse_bypass
    from vadist.rendering.settings import FileSettings

    dither = options.dither
    set_besides = [*options.settings, *options.trials]
    set_besides += [each for group in options.groups for each in group.split(",")]
    moves = shared.moves_of(options, set_besides)
    if dither and options.bits == "float":
        raise UsageError("--dither is for --bits 16 and 24; floats are not rounded")
    return FileSettings(
        full_scale_v=parse_level_option("--full-scale", options.full_scale),
        output_full_scale_v=None
        if options.output_full_scale is None
        else parse_level_option("--output-full-scale", options.output_full_scale),
        oversample=options.oversample,
        accuracy_db=shared.parse_accuracy(options.accuracy),
        threads=options.threads,
        normalise=None if options.normalise is None else parse_normalise(options.normalise),
        subtype=SUBTYPES[options.bits],
        overwrite=options.overwrite,
        from_power_up=options.from_power_up,
        moves=tuple(move.text for move in moves),
        bypass=parse_bypass(options.bypass).text,
        channels=None if options.channels is None else parse_channels(options.channels),
        tail=parse_tail(options.tail),
        dither=options.bits == "16" if dither is None else dither,
        through=options.through,
    )


def parse_channels(text: str) -> tuple[int, ...]:
    """``1,3`` as numbers."""
    numbers = [word.strip() for word in text.split(",")]
    if not all(word.isdecimal() and int(word) > 0 for word in numbers):
        raise UsageError(f"--channels must be numbers from 1, like 1,3 (got {text!r})")
    found = tuple(map(int, numbers))
    if len(set(found)) < len(found):
        raise UsageError(f"--channels names one twice (got {text!r})")
    return found


def parse_tail(text: str) -> float | str:
    """``2s`` as seconds, or ``auto``."""
    from vadist.quantities import parse_quantity
    from vadist.rendering.settings import AUTO

    if text == AUTO:
        return AUTO
    try:
        seconds = parse_quantity(text, "s")
    except DesignError:
        seconds = math.nan
    if not 0.0 <= seconds <= _LONGEST_TAIL_S:
        raise UsageError(f"--tail must be auto, or within 0..600 s, like 2s (got {text!r})")
    return seconds


def parse_level_option(option: str, text: str) -> float:
    """Peak volts, or an error that names the option."""
    from vadist.quantities import parse_level

    try:
        return parse_level(text)
    except DesignError as error:
        raise UsageError(f"{option} {error}") from None


def parse_normalise(text: str) -> tuple[str, float]:
    """``-1dBFS``, ``-18LUFS`` or ``-18LKFS``."""
    from vadist.quantities import parse_loudness

    if not text.lower().endswith(("dbfs", "lufs", "lkfs")):
        raise UsageError(f"--normalise must be like -1dBFS or -18LUFS (got {text!r})")
    try:
        if text.lower().endswith("dbfs"):
            kind, level = "peak", float(text[:-4])
        else:
            kind, level = "loudness", parse_loudness(text)
    except (ValueError, DesignError):
        level = math.nan
    if level <= 0.0 and math.isfinite(level):
        return kind, level
    raise UsageError(f"--normalise must be a number at or below 0 (got {text!r})")
