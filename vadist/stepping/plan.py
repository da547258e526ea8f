"""How a span is cut into segments, and how long each is warmed up.

A start from rest is forgotten with the slowest time constant of the circuit. Most of a warm-up runs
at an eighth of the rate, which is as good until the little that it is wrong by is what is left; the
rest at the full rate, until that is forgotten too.
"""

import math
from dataclasses import dataclass

import numpy as np

from vadist.arrays import IndexArray
from vadist.stepping.batch import LANES
from vadist.stepping.circuit import Circuit
from vadist.stepping.resampling import REACH

WARMED_V = 3e-8
"""What a warm-up may leave of a start from rest, volts: a gain of a hundred behind it is within the
tolerance still."""

RAIL_WARMED_V = 1e-5
"""The same where a torn rail moves, which no gain raises: it is slow, and behind it couple
capacitors. Its own error is 8e-6 V at the default rate (measured)."""

COARSER = 8
"""Rate of a segment over that at which its warm-up begins."""

_NEVER_PER_S = 1e-9
# A mode that decays no faster does not forget.

_START_ERROR_V = 0.3
# How far a state may be from its operating point when a warm-up begins.

_COARSE_ERROR_V = 1e-3
# How far off it may be at an eighth of the rate: rails were off by 9e-4 at most (measured).

_LONGEST_WARM_UP_S = 8.0
# A slower circuit is not worth warming up: it runs as fewer segments or serially.

_CORES = (1, 2, 4)
# The plan has the least sum of times on machines of these, whatever the machine has: a take is
# cut alike everywhere.

_ONE_LANE = 0.33
# Time of one lane over that of a full batch, resampling included: 162 ns against 16 times 31 ns.


@dataclass(frozen=True)
class WarmUp:
    """Seconds before a segment: first at the coarse rate, then at its own."""

    coarse_s: float
    fine_s: float


@dataclass(frozen=True)
class Plan:
    """How a span is cut.

    Attributes
    ----------
    segments : int
    length, warm_up : int
        Frames kept of each segment, frames run before them.
    early : int
        Frames run before these at the coarse rate.
    """

    segments: int
    length: int
    warm_up: int
    early: int = 0

    @property
    def lead(self) -> int:
        """Frames run before the first one that is kept."""
        return REACH + self.warm_up + REACH

    @property
    def frames(self) -> int:
        """Frames run for each segment."""
        return self.lead + self.length + REACH

    @property
    def reach_back(self) -> int:
        """Frames of the take that are read before the first one that is kept."""
        return self.lead + self.early

    def passages(self, grain: int) -> IndexArray:
        """First frames of each segment's passages of ``grain`` frames; the last may be shorter."""
        return np.arange(0, self.length, grain)


def warm_up_of(circuit: Circuit) -> WarmUp:
    """Time after which a start from the operating point is forgotten; infinite if it never is."""
    slowest = 0.0
    for section in circuit.sections:
        decays = -section.rest_modes.real
        if (decays <= _NEVER_PER_S).any():
            return WarmUp(math.inf, math.inf)
        slowest = max(slowest, float(np.max(1.0 / decays, initial=0.0)))
    fine = slowest * math.log(_COARSE_ERROR_V / WARMED_V)
    if circuit.rails is not None:
        slowest = max(slowest, circuit.rails.slowest_s)
        fine = max(fine, slowest * math.log(_COARSE_ERROR_V / RAIL_WARMED_V))
    return WarmUp(slowest * math.log(_START_ERROR_V / _COARSE_ERROR_V), fine)


def plan_segments(
    frames: int, lanes_each: int, warm_up: WarmUp, sample_rate_hz: float, grain: int = 1
) -> Plan:
    """Choose the number of segments with the least work.

    Parameters
    ----------
    frames : int
        Length of the span.
    lanes_each : int
        Lanes that every segment takes: candidates times channels.
    warm_up : WarmUp
    grain : int
        Frames of a passage; segments hold whole ones.
    """
    if frames == 0:
        return Plan(1, 0, 0)
    if warm_up.coarse_s + warm_up.fine_s > _LONGEST_WARM_UP_S:
        return Plan(1, frames, 0)
    early = math.ceil(warm_up.coarse_s * sample_rate_hz)
    late = math.ceil(warm_up.fine_s * sample_rate_hz)
    best, plan = math.inf, Plan(1, frames, 0)
    for segments in (1, 2, 4, 8, 16, 32, 64, 128):
        length = math.ceil(frames / segments / grain) * grain if segments > 1 else frames
        if segments > 1 and (length < REACH or length * (segments - 1) >= frames):
            break
        alone = segments == 1
        found = Plan(segments, length, 0 if alone else late, 0 if alone else early)
        lanes = segments * lanes_each
        batches = math.ceil(lanes / LANES)
        rounds = sum(math.ceil(batches / cores) for cores in _CORES)
        each = found.frames + (found.early + 3 * REACH) / COARSER
        cost = each * rounds * (_ONE_LANE if lanes == 1 else 1.0)
        if cost < best:
            best, plan = cost, found
    return plan
