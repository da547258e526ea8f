"""What a block does in this design, in a line told from its own figures.

No sentence stands here that another value could make untrue: what a block is called comes from its
type, everything else from its gain, its corners, where it rests and the ladder.
"""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from vadist.analysis.part_changes import value_text
from vadist.quantities import format_quantity

if TYPE_CHECKING:
    from vadist.designs.design import Design
    from vadist.inspection.figures import Block

_MUTED_DB = -100.0
_EVEN_DB = 1.0
# A change of level that few would hear.
_BUFFERS = 10.0
# Times the output impedance that a block's input must be for it to be a buffer.
_BAND_HZ = (40.0, 12e3)
# Corners outside are not heard on a guitar: its lowest string is at 82 Hz, and a loudspeaker for it
# ends near 5 kHz (common practice, no published source).
_SHIFT_V = 0.1
_CLEAN = 0.01


@dataclass(frozen=True)
class Place:
    """How a block stands among the others.

    Attributes
    ----------
    input_rest_v : float
        Where what drives it rests.
    largest : bool
        Whether none has more gain.
    rung : int or None
        Its place on the ladder, from 0; None if it never limits.
    clips : bool
        Whether it has a device that carries nothing at rest.
    """

    input_rest_v: float
    largest: bool
    rung: int | None
    clips: bool


def told_job(block: "Block", place: Place, design: "Design") -> str:
    """Return what a block does, as ``diode clipper: takes 1.0 dB, cuts treble over 4.62 kHz``.

    Parameters
    ----------
    block : Block
        Its ``job`` is not looked at.
    place : Place
    design : Design
    """
    if block.name in design.bypassed:
        return "bypassed: its input is wired to its output"
    said = [_gain(block, place), *_corners(block), *_shift(block, place)]
    limits = _limits(block, place, design)
    return f"{block.kind.replace('_', ' ')}: {', '.join(said)}{'; ' if limits else ''}{limits}"


def _gain(block: "Block", place: Place) -> str:
    if block.gain_db < _MUTED_DB:
        return "mutes"
    if block.gain_db >= _EVEN_DB:
        most = ", more than any other" if place.largest else ""
        times = 10.0 ** (block.gain_db / 20.0)
        return f"raises the level {times:{'.0f' if times >= 10.0 else '.2g'}} times{most}"
    if block.gain_db <= -_EVEN_DB:
        return f"takes {-block.gain_db:.1f} dB"
    ohms = block.input_ohm, block.output_ohm
    if ohms[0] is None or ohms[1] is None or not _BUFFERS * ohms[1] <= ohms[0]:
        return "hands the level on"
    if math.isinf(ohms[0]):
        return "hands the level on, takes no current"
    into, out = (format_quantity(ohm, "ohm") for ohm in ohms if ohm is not None)
    return f"hands the level on, {into} in and {out} out"


def _corners(block: "Block") -> list[str]:
    low, high = _BAND_HZ
    found = {c.kind: c.frequency_hz for c in block.corners if low <= c.frequency_hz <= high}
    said = []
    if "bass cut" in found:
        said.append(f"cuts bass under {_hz(found['bass cut'])}")
    if "scoop from" in found and "scoop to" in found:
        said.append(f"scoops {_hz(found['scoop from'])} to {_hz(found['scoop to'])}")
    if "treble cut" in found:
        said.append(f"cuts treble over {_hz(found['treble cut'])}")
    return said


def _shift(block: "Block", place: Place) -> list[str]:
    """A block without devices of its own that lets the next one rest elsewhere."""
    here = block.resting.output_v
    if block.resting.devices or place.rung is not None or block.resting.limits_v is not None:
        return []
    if abs(here - place.input_rest_v) < _SHIFT_V:
        return []
    ends = [format_quantity(round(v, 3) + 0.0, "V") for v in (place.input_rest_v, here)]
    return [f"brings DC from {ends[0]} to {ends[1]}"]


def _limits(block: "Block", place: Place, design: "Design") -> str:
    """What it does to the note that levels are told for."""
    if place.rung is None:
        return ""
    if block.level.added_distortion < _CLEAN:
        return "adds less than 1 % to this note"
    what = _clippers(block, design) if place.clips else ""
    return f"{what or 'it'} {'clip' if what else 'distorts'} this note"


def _clippers(block: "Block", design: "Design") -> str:
    """Types of its diodes."""
    stage = design.stages[block.name]
    kinds = ("diode", "diodes", "zener")
    paths = [f"{block.name}.{name}" for name, info in stage.infos.items() if info.kind in kinds]
    types = [value_text(design, path) for path in paths if design.value(path) is not None]
    return " and ".join(dict.fromkeys(types))


def _hz(value: float) -> str:
    return format_quantity(value, "Hz")
