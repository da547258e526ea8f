"""A block told in sentences, every figure of which is the inspection's own.

What a sentence says follows from its figures, so that no value can make it untrue; parts go by
their designators, as in the drawing beside it.
"""

import math
from collections.abc import Iterable, Mapping

from vadist.analysis.corners import Corner, Share
from vadist.analysis.crossings import GAIN_HZ, HIGHEST_HZ, LOWEST_HZ
from vadist.drawing.parts import part_designator
from vadist.inspection.figures import CORNER_LEVELS_V, Block, Inspection, Level
from vadist.inspection.whole import changes_text, from_text
from vadist.inspection.without import Measured
from vadist.inspection.words import decibels, hertz, measured, ohms, percent, volts
from vadist.large_signal.headroom import CONTACT_V, HIGHEST_V
from vadist.rendering.diagnostics import StageRange
from vadist.walks.moments import Moment

_TOLD_SHARE = 0.1
_TOLD_PARTS = 3
_TOLD_OF_WHOLE = 5
_SILENT_DB = -100.0
_ALIKE = math.log(1.03)
_SAME_DB = 0.1
_OWN = 1e-3
_STIFF_OHM = 1e-3
_UNEVEN = 0.1
# Second over third harmonic below which half-waves are told to be alike.
_CLEAN = 1e-5
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")
_CUTS = {
    "bass cut": "It loses bass under {hz}",
    "treble cut": "It loses treble over {hz}",
    "scoop from": "Its scoop begins at {hz}",
    "scoop to": "Its scoop ends at {hz}",
}

Told = tuple[str, str]
"""What a sentence is about, and the sentence."""


_KINDS = {"wired": "a circuit of its own", "opamp": "op-amp", "jfet": "JFET", "fet": "FET",
          "mosfet": "MOSFET", "pnp": "PNP", "npn": "NPN"}  # fmt: skip


def kind_words(kind: str) -> str:
    """What a type of stage is called in a sentence.

    >>> kind_words("opamp_gain"), kind_words("wired")
    ('op-amp gain', 'a circuit of its own')
    """
    return " ".join(_KINDS.get(word, word) for word in kind.split("_"))


Heard = tuple[Moment, StageRange]
"""Where in the take a block works hardest, and the volts it reached in all of it."""


class Teller:
    """Tells blocks of one design.

    Parameters
    ----------
    found : Inspection
        With each block left out, too.
    numbers : mapping of path -> designator
    """

    def __init__(self, found: Inspection, numbers: Mapping[str, str]) -> None:
        self.found, self.numbers = found, numbers
        self.absences = {row.stage: row for row in found.without}

    def job(self, block: Block) -> str:
        """What a block does, as the inspection tells it."""
        kind, _, said = block.job.partition(": ")
        if block.name not in self.found.design.bypassed:
            kind = kind_words(block.kind)
        return f"{kind[0].upper()}{kind[1:]}: {said}."

    def tell(self, block: Block, heard: Heard | None) -> list[Told]:
        """All sentences about a block but its job, in the order a walk takes them."""
        if block.name in self.found.design.bypassed:
            return []
        told = [
            ("At rest", self._rest(block)),
            ("Gain", self._gain(block)),
            ("Corners", self._corners(block)),
            ("Limits", self._limits(block)),
            ("A note", self._note(block)),
        ]
        if heard is not None:
            told.append(("The take", self._take(*heard)))
        told.append(("Without it", self._without(block.name)))
        return [(about, " ".join(said)) for about, said in told if said]

    def parts(self, shares: Iterable[Share]) -> str:
        """Parts that set a figure of the whole, the strongest first."""
        strong = [s for s in shares if abs(s.sensitivity) >= _TOLD_SHARE][:_TOLD_OF_WHOLE]
        return ", ".join(f"{self._part(s)} {s.sensitivity:+.1f} %" for s in strong)

    def _part(self, share: Share) -> str:
        return f"{part_designator(self.numbers, share.part)} ({share.value})"

    def _rest(self, block: Block) -> list[str]:
        rest = block.resting
        said = [f"Without a signal its output stands at {volts(rest.output_v)}."]
        if rest.headroom_v is not None:
            down, up = rest.headroom_v
            said.append(
                f"The device behind it can take that {volts(max(down, 0.0))} down and "
                f"{volts(max(up, 0.0))} up."
            )
        for device in rest.devices:
            name = f"{part_designator(self.numbers, device.part)} ({device.model})"
            figures = ", ".join(f"{k} {measured(v, u)}" for k, (v, u) in device.figures.items())
            idle = all(measured(v, "") == measured(0.0, "") for v, _ in device.figures.values())
            said.append(f"{name} carries nothing." if idle else f"{name} has {figures}.")
        return said

    def _gain(self, block: Block) -> list[str]:
        if block.gain_db < _SILENT_DB:
            return ["Nothing comes through."]
        times = f"{10.0 ** (block.gain_db / 20.0):#.3g}".rstrip(".")
        said = [f"{decibels(block.gain_db)} at {hertz(GAIN_HZ)}, {times} times."]
        said += self._set_by(block.gain_parts, "the gain")
        if block.input_ohm is not None and block.output_ohm is not None:
            load, source = f"is a load of {ohms(block.input_ohm)} to", "stands firm against"
            if math.isinf(block.input_ohm):
                load = "takes no current from"
            if block.output_ohm > _STIFF_OHM:
                source = f"is a source of {ohms(block.output_ohm)} to"
            said.append(f"It {load} what comes before, and {source} what follows.")
        return said

    def _corners(self, block: Block) -> list[str]:
        if block.gain_db < _SILENT_DB:
            return []
        if not block.corners:
            return [f"None between {hertz(LOWEST_HZ)} and {hertz(HIGHEST_HZ)}."]
        said = [piece for corner in block.corners for piece in self._corner(corner)]
        moved = []
        for kind, what in (("bass_cut", "bass"), ("treble_cut", "treble")):
            told = [getattr(corners, f"{kind}_hz") for corners in block.by_level]
            if any(told):
                places = [
                    f"{hertz(hz) if hz else 'none'} at {volts(level)}"
                    for hz, level in zip(told, CORNER_LEVELS_V, strict=True)
                ]
                moved.append(f"{what} {', '.join(places)}")
        if moved:
            said.append(
                "Clipping moves them with the level at the board's input (of the fundamental): "
                f"{'; '.join(moved)}."
            )
        return said

    def _corner(self, corner: Corner) -> list[str]:
        where = _CUTS.get(corner.kind, f"{corner.kind}: {{hz}}").format(
            hz=hertz(corner.frequency_hz)
        )
        return [f"{where} (-3 dB).", *self._set_by(corner.parts, "it")]

    def _set_by(self, parts: Iterable[Share], what: str) -> list[str]:
        """Which parts set a figure, the strongest in words."""
        strong = [p for p in parts if abs(p.sensitivity) >= _TOLD_SHARE][:_TOLD_PARTS]
        if not strong:
            return []
        first, *others = strong
        way = "raises" if first.sensitivity > 0.0 else "lowers"
        said = (
            f"{self._part(first)} sets it most: 1 % more {way} {what} by "
            f"{abs(first.sensitivity):.1f} %"
        )
        if others:
            said += "; then " + ", ".join(f"{self._part(p)} {p.sensitivity:+.1f} %" for p in others)
        return [f"{said}."]

    def _limits(self, block: Block) -> list[str]:
        limit = block.limit
        if not math.isfinite(limit.input_v):
            return [f"Up to {HIGHEST_V:g} V at the board's input it stays a straight line."]
        rungs = [rung.stage for rung in self.found.ladder.rungs]
        place = rungs.index(block.name)
        why = (
            "it adds 1 % distortion of its own"
            if limit.cause != "rail"
            else f"its output comes within {volts(CONTACT_V)} of where its device can swing no "
            "further"
        )
        order = (
            "no other block limits"
            if len(rungs) == 1
            else f"the {_ordinal(place)} of the {len(rungs)} that limit"
        )
        where = from_text(limit.input_v, limit.below)
        return [f"{where[0].upper()}{where[1:]} peak at the board's input {why}: {order}."]

    def _note(self, block: Block) -> list[str]:
        level, found = block.level, self.found
        said = (
            f"A {hertz(found.frequency_hz)} sine of {volts(found.level_v)} at the board's input "
            f"leaves it between {volts(level.low_v, sign=True)} and "
            f"{volts(level.high_v, sign=True)} about rest, with {_thd(level.distortion)}"
        )
        if level.distortion < _OWN:
            return [f"{said}."]
        if level.added_distortion < _OWN:
            return [f"{said}, all of it from the blocks before."]
        number = found.blocks.index(block)
        clean = number == 0 or found.blocks[number - 1].level.distortion < _OWN
        return [f"{said}, {'all' if clean else 'part'} of it its own work. {_halves(level)}"]

    def _take(self, moment: Moment, reached: StageRange) -> list[str]:
        low_v, high_v = reached.low_v - reached.rest_v, reached.high_v - reached.rest_v
        low, high = volts(low_v, sign=True), volts(high_v, sign=True)
        reach = f"In the whole take its output goes from {low} to {high} about rest."
        where = f"At {moment.start_s:.2f} s, shown here, it"
        if not moment.limits:
            return [reach, f"The take does not drive it to a limit. {where} is loudest."]
        return [
            reach,
            f"{where} works hardest: a straight line would have made "
            f"{volts(moment.line_v)} peak to peak of its input, it makes "
            f"{volts(min(moment.swing_v, high_v - low_v))}.",
        ]

    def _without(self, stage: str) -> list[str]:
        row = self.absences.get(stage)
        if row is None:
            return []
        whole = self.absences[""].measured
        if row.measured is None or whole is None:
            return [f"It cannot be left out: {row.problem}."]
        if whole.gain_db < _SILENT_DB:
            return ["Next to nothing comes through the whole as it is set."]
        if row.measured.gain_db < _SILENT_DB:
            return ["Leave it out, and next to nothing of a small signal comes through."]
        said = [f"Leave it out, and {_changed(row.measured, whole)}."]
        first, then = row.measured.first, whole.first
        if first is None:
            return [*said, "Nothing limits then."]
        if then is None or first.stage != then.stage or not _alike(first.input_v, then.input_v):
            where = from_text(first.input_v, first.below)
            said.append(f"First to limit is then {first.stage}, {where}.")
        return said


def _halves(level: Level) -> str:
    """What the first two harmonics tell of the half-waves."""
    if level.second > level.third:
        return "The second harmonic outweighs the third: its half-waves differ."
    if level.second > _UNEVEN * level.third:
        return "The third harmonic outweighs the second, yet its half-waves differ."
    return "The third harmonic stands nearly alone over the second: both half-waves are bent alike."


def _ordinal(place: int) -> str:
    return _ORDINALS[place] if place < len(_ORDINALS) else f"number {place + 1}"


def _changed(now: Measured, then: Measured) -> str:
    """What moves when a block goes."""
    said = []
    for change, what in zip(changes_text(now, then), ("gain", "noise"), strict=True):
        if abs(float(change)) >= _SAME_DB:
            said.append(f"{change[1:]} dB {'more' if change[0] == '+' else 'less'} {what}")
    if said:
        said = [f"the whole has {' and '.join(said)}"]
    its = "its" if said else "the whole's"
    for what, a, b in (
        ("bass cut", then.bass_cut_hz, now.bass_cut_hz),
        ("treble cut", then.treble_cut_hz, now.treble_cut_hz),
    ):
        if b is None:
            said += [] if a is None else [f"{its} {what} at {hertz(a)} is gone"]
        elif a is None:
            said.append(f"{'it' if said else 'the whole'} gets a {what} at {hertz(b)}")
        elif not _alike(a, b):
            said.append(f"{its} {what} goes from {hertz(a)} to {hertz(b)}")
    if _thd(now.distortion) != _thd(then.distortion):
        said.append(f"the note has {_thd(now.distortion)} instead of {_thd(then.distortion)}")
    return _listed(said) or "the whole hardly changes"


def _thd(ratio: float) -> str:
    return f"{percent(ratio)} THD" if ratio >= _CLEAN else "next to no THD"


def _alike(a: float, b: float) -> bool:
    return abs(math.log(a / b)) < _ALIKE


def _listed(said: list[str]) -> str:
    if len(said) < 2:
        return "".join(said)
    return f"{', '.join(said[:-1])} and {said[-1]}"
