"""How far a block's output can move from rest, and what a part at rest has lost."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from vadist.analysis.chain_response import solve_design
from vadist.analysis.resting import resting_stages
from vadist.designs.design import Design
from vadist.errors import VadistError
from vadist.questions.wishes import SLACK

CONTACT_V = 0.1
"""Room below which an output is against its limit: a signal of a loud string is there at once."""

SATURATED_V = 0.3
"""Volts across a transistor or a channel that is driven no more: sheets have their saturation
voltages at 0.2 to 0.3 V (common practice)."""

HALF = 0.5
"""Share of the room that was there before, below which a substitute is out of swing: 6 dB."""

STARVED = 0.1
"""Share of the current that was there before, below which a device is all but cut off."""


@dataclass(frozen=True)
class Room:
    """Volts by which an output can fall and rise from rest."""

    down_v: float
    up_v: float

    @property
    def least_v(self) -> float:
        """What it can do both ways."""
        return min(self.down_v, self.up_v)

    def __str__(self) -> str:
        """Say the smaller one, and which way it is.

        >>> str(Room(5.6, 3.0))
        '3.0 V up'
        """
        number, way = self.short.split()
        return f"{number} V {way}"

    @property
    def short(self) -> str:
        """The same without its unit."""
        return f"{self.least_v:.1f} {'up' if self.up_v <= self.down_v else 'down'}"

    def slacks_from(self, other: "Room") -> float:
        """Slacks between what two can do both ways, 5 % each."""
        least, before = max(self.least_v, CONTACT_V), max(other.least_v, CONTACT_V)
        return abs(math.log(least / before)) / math.log1p(SLACK)


def rooms(designs: Sequence[Design], stage: str) -> list[Room | None]:
    """Room of a block in each design; None where nothing in it limits, or nothing rests."""
    found: list[Room | None] = []
    for design in designs:
        try:
            headroom = resting_stages(solve_design(design))[stage].headroom_v
        except VadistError:
            headroom = None
        found.append(None if headroom is None else Room(*headroom))
    return found


def faults_at_rest(
    design: Design, before: Design, path: str, room: Room | None, room_before: Room | None
) -> tuple[str, ...]:
    """Say what a part breaks at rest that was sound with the one before.

    Parameters
    ----------
    design, before : Design
        With the part, and with the one it replaces; both have an operating point.
    path : str
        The part.
    room, room_before : Room or None
        Of its block.
    """
    told: list[str] = []
    now, then = _device(design, path), _device(before, path)
    for across, current in (("Vce", "Ic"), ("Vds", "Id")):
        if across not in now or across not in then:
            continue
        if now[across] < SATURATED_V <= then[across]:
            told.append(f"saturated at rest: {across} {now[across]:.2f} V")
        elif abs(now[current]) < STARVED * abs(then[current]):
            told.append(f"cut off at rest: {current} a tenth of what it was, or less")
    if not told and room_before is not None and room_before.least_v > CONTACT_V:
        if room is None:
            told.append("drives its output no more at rest")
        elif room.least_v < CONTACT_V:
            told.append("rests against its limit: no room to swing")
        elif room.least_v < HALF * room_before.least_v:
            told.append(f"out of swing: {room}, it was {room_before}")
    return tuple(told)


def _device(design: Design, path: str) -> dict[str, float]:
    """Figures of a device at rest, positive as if it were an N type."""
    for placed in solve_design(design).resting_devices():
        if placed.device.part == path:
            return {
                name: v for name, (v, _) in placed.device.record.figures(placed.resting).items()
            }
    return {}
