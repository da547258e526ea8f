"""Find the volts of a take's full scale, and what they mean to the first blocks of a design."""

import argparse
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

from vadist.cli import options as shared
from vadist.errors import DesignError, UsageError
from vadist.names import printable

if TYPE_CHECKING:
    from vadist.rendering.levels import Level

_METERED = re.compile(r"(.*V)\s*(rms|pp)\s*", re.IGNORECASE)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist level``."""
    parser.add_argument("take", metavar="TAKE", help=shared.TAKE)
    parser.add_argument(
        "--channel", type=int, default=1, metavar="N", help="channel to look at (default 1)"
    )
    ways = parser.add_argument_group("what is known (one of them)").add_mutually_exclusive_group()
    add = ways.add_argument
    add("--full-scale", metavar="LEVEL", help=shared.FULL_SCALE)
    add(
        "--interface", metavar="LEVEL",
        help="the most that the interface's input takes by its data sheet, as 12.5dBu: see --gain",
    )  # fmt: skip
    add(
        "--tone", metavar="LEVEL",
        help="the take is a recorded sine of so much: 0dBu, 245mVrms, 1Vpp, 350mV (peak)",
    )  # fmt: skip
    add(
        "--note", nargs="?", const="200mV", metavar="LEVEL",
        help="the take's loudest note reaches this peak; without a value 200mV, off by 6 dB or "
        "more",
    )  # fmt: skip
    parser.add_argument(
        "--gain", default="0dB", metavar="DB",
        help="gain of the interface above the setting that --interface is stated at (0dB)",
    )  # fmt: skip
    parser.add_argument(
        "--design", metavar="NAME|FILE", help="tell where its blocks begin to limit at this level"
    )
    shared.add_settings(parser)


def run(options: argparse.Namespace) -> int:
    """Print the full scale, the take's levels in volts and the blocks that limit."""
    import sys

    from vadist.quantities import peak_volts_to_dbu
    from vadist.rendering.settings import FileSettings
    from vadist.rendering.sources import Source
    from vadist.sessions.calibration import implausible

    take = Path(options.take)
    if options.channel < 1:
        raise UsageError(f"--channel must be at least 1 (got {options.channel})")
    settings = FileSettings(channels=(options.channel,))
    with Source(take, settings) as source:
        level = source.level
        samples = source.window(0, source.reader.frames)[:, 0] if options.tone else None
        rate = source.reader.sample_rate_hz
    if options.tone is not None:
        full_scale_v, how = _by_tone(take, samples, rate, options.tone)
    else:
        full_scale_v, how = _known(take, level, options)
    peak_v = level.peak_v * full_scale_v
    print(f"{printable(take)}, channel {options.channel}")
    print(f"full scale      {_volts(full_scale_v)} peak, "
          f"{peak_volts_to_dbu(full_scale_v):+.1f} dBu: {how}")  # fmt: skip
    if peak_v > 0.0:
        print(f"input peak      {_volts(peak_v)}, {peak_volts_to_dbu(peak_v):+.1f} dBu")
    loudness = level.loudness()
    if loudness is not None:
        rms_v = full_scale_v * 10.0 ** (loudness / 20.0)
        print(f"input loudness  {_volts(rms_v)} rms of a sine as loud, {loudness:.1f} LUFS")
    if options.tone is None and options.full_scale is None:
        print(f"to render       --full-scale {full_scale_v:.4g}V")
    elif options.tone is not None:
        print(f"to render       --full-scale {full_scale_v:.4g}V (takes at this gain)")
    if options.tone is None and (odd := implausible(peak_v)):
        print(f"vadist: {printable(take)}: {odd}", file=sys.stderr)
    if options.design is not None and peak_v > 0.0:
        print_blocks(options.design, options.settings, peak_v)
    return 0


def _known(take: Path, level: "Level", options: argparse.Namespace) -> tuple[float, str]:
    """Full scale by what the options say, and how that is known."""
    if options.interface is not None:
        gain_db = _decibels(options.gain)
        most_v = _level("--interface", options.interface)
        how = f"the input takes {options.interface}"
        if gain_db:
            how += f", {gain_db:g} dB of gain less"
        return most_v * 10.0 ** (-gain_db / 20.0), how
    if options.note is not None:
        if level.peak_v == 0.0:
            raise UsageError(f"{printable(take)}: is silent, and holds no note")
        note_v = _level("--note", options.note)
        return note_v / level.peak_v, f"a note that reaches {options.note}, a guess within 6 dB"
    if options.full_scale is not None:
        return _level("--full-scale", options.full_scale), "as given"
    return 1.0, "assumed, as render does; give --interface, --tone or --note"


def _by_tone(take: Path, samples: "object", sample_rate_hz: float, text: str) -> tuple[float, str]:
    """Full scale by a recorded sine."""
    import numpy as np

    from vadist.sessions.calibration import find_tone

    try:
        tone = find_tone(np.asarray(samples), sample_rate_hz)
    except UsageError as error:
        raise UsageError(f"{printable(take)}: {error}") from None
    if tone.peak > 0.999:
        raise UsageError(f"{printable(take)}: the tone reaches full scale; record it lower")
    how = (
        f"a sine of {tone.frequency_hz:.1f} Hz, {tone.seconds:.1f} s from {tone.begins_s:.1f} s "
        f"on, reads {20.0 * math.log10(tone.peak):.2f} dBFS and is {text}"
    )
    return _level("--tone", text) / tone.peak, how


def print_blocks(name: str, settings: "list[str]", peak_v: float) -> None:
    """Where the blocks of a design begin to limit, beside a take's peak."""
    from vadist.analysis.chain_response import solve_design
    from vadist.designs.files import apply_settings, load_design
    from vadist.large_signal.headroom import headroom_ladder

    design = apply_settings(load_design(name), settings)
    ladder = headroom_ladder(solve_design(design), 220.0)
    print(f"\n{printable(design.name)}, blocks that limit at 220 Hz; the peak is")
    for rung in ladder.rungs:
        apart_db = 20.0 * math.log10(peak_v / rung.input_v)
        side = "above" if apart_db >= 0.0 else "below"
        least = "at or below " if rung.below else ""
        print(
            f"  {rung.stage:<14}{abs(apart_db):5.1f} dB {side} {least}{_volts(rung.input_v)} "
            f"({rung.cause})"
        )


def _volts(volts: float) -> str:
    return f"{volts:.3g} V" if volts >= 0.9995 else f"{1e3 * volts:.3g} mV"


def _level(option: str, text: str) -> float:
    """Peak volts of a sine, also as meters (``rms``) and scopes (``pp``) tell it."""
    from vadist.quantities import parse_level

    metered = _METERED.fullmatch(text)
    factor = 1.0
    if metered:
        text, factor = metered[1], math.sqrt(2.0) if metered[2].lower() == "rms" else 0.5
    try:
        return factor * parse_level(text)
    except DesignError as error:
        raise UsageError(f"{option} {error}") from None


def _decibels(text: str) -> float:
    try:
        found = float(text.lower().removesuffix("db"))
    except ValueError:
        found = math.nan
    if not -200.0 < found < 200.0:
        raise UsageError(f"--gain must be decibels like 20dB (got {text!r})")
    return found
