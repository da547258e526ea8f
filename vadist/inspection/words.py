"""Figures of an inspection in words and units."""

import math
from collections.abc import Iterable

from vadist.analysis.corners import Corner, Root, Share
from vadist.quantities import format_quantity

_SHOWN_SHARE = 0.1
# A part that sets less than a tenth of a corner is left to the JSON.
_SHOWN_PARTS = 5
_SILENT_DB = -100.0


def gain_text(gain_db: float, parts: Iterable[Share], stage: str = "") -> str:
    """Return a gain and the parts that set it."""
    told = shares_text(parts, stage)
    return decibels(gain_db) + (f": {told}" if told else "")


def corner_text(corner: Corner, stage: str = "") -> str:
    """Return a corner and the parts that set it."""
    return f"{hertz(corner.frequency_hz)} (-3 dB): {shares_text(corner.parts, stage)}"


def root_text(root: Root, stage: str) -> str:
    """Return a pole or a zero and the parts that set it."""
    quality = f", Q {root.quality:.2g}" if root.quality > 0.6 else ""
    return f"{hertz(root.frequency_hz)}{quality}: {shares_text(root.parts, stage)}"


def shares_text(parts: Iterable[Share], stage: str = "") -> str:
    """Return the parts that set a figure, the strongest first; a stage's own go by short names.

    >>> shares_text([Share("gain.leg_capacitor", "1u", -1.0)], "gain")
    'leg_capacitor 1u (-1.0)'
    """
    told = [
        f"{p.part.removeprefix(f'{stage}.')} {p.value} ({p.sensitivity:+.1f})"
        for p in parts
        if abs(p.sensitivity) >= _SHOWN_SHARE
    ]
    return ", ".join(told[:_SHOWN_PARTS])


def volts(value: float, *, sign: bool = False) -> str:
    """Return volts, with a plus if wanted."""
    return ("+" if sign and value > 0.0 else "") + measured(value, "V")


def amperes(value: float) -> str:
    """Return amperes."""
    return measured(value, "A")


def measured(value: float, unit: str) -> str:
    """Return a figure without the rounding of the solver, which no one could measure."""
    return format_quantity(0.0 if abs(value) < 1e-10 else value, unit)


def hertz(value: float) -> str:
    """Return a frequency."""
    return format_quantity(value, "Hz")


def decibels(value: float) -> str:
    """Return decibels, or that nothing comes out."""
    if value < _SILENT_DB:
        return "off"
    return f"{round(value, 1) + 0.0:+.1f} dB"


def percent(ratio: float) -> str:
    """Return a ratio in per cent."""
    per_cent = ratio * 100.0
    return f"{per_cent:.0f} %" if per_cent >= 10.0 else f"{per_cent:.2g} %"


def ohms(value: float) -> str:
    """Return an impedance's magnitude."""
    return "no current" if math.isinf(value) else measured(value, "ohm")
