"""How a span is cut into segments, and how long each is warmed up.

A start from rest is forgotten with the slowest time constant of the circuit. Most of a warm-up runs
at coarse rates, each of which is as good until the little that it is wrong by is what is left; the
rest at the full rate, until that is forgotten too.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

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

COARSER = (8, 2)
"""Rates of a segment over those at which its warm-up begins."""

_COARSE_ERROR_V = (1e-3, 1e-4)
# How far off a state may be at them: rails were off by 9e-4 and 6e-5 at most (measured).

_NEVER_PER_S = 1e-9
# A mode that decays no faster does not forget.

_START_ERROR_V = 0.3
# How far a state may be from its operating point when a warm-up begins.

_LONGEST_WARM_UP_S = 8.0
# A slower circuit is not worth warming up: it runs as fewer segments or serially.

_CORES = (1, 2, 4)
# The plan has the least sum of times on machines of these, whatever the machine has: a take is
# cut alike everywhere.

_ONE_LANE = 0.33
# Time of one lane over that of a full batch, resampling included: 162 ns against 16 times 31 ns.


@dataclass(frozen=True)
class Plan:
    """How a span is cut.

    Attributes
    ----------
    segments : int
    length, warm_up : int
        Frames kept of each segment, frames run before them.
    early : tuple of int
        Frames run before these, at each of the coarse rates.
    """

    segments: int
    length: int
    warm_up: int
    early: tuple[int, ...] = ()

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
        return self.lead + sum(self.early)

    def passages(self, grain: int) -> IndexArray:
        """First frames of each segment's passages of ``grain`` frames; the last may be shorter."""
        return np.arange(0, self.length, grain)


def warm_up_of(circuit: Circuit) -> tuple[float, ...]:
    """Seconds at the coarse rates and at the full one that forget a start from rest.

    Infinite ones if it never is.
    """
    slowest = 0.0
    for section in circuit.sections:
        decays = -section.rest_modes.real
        if (decays <= _NEVER_PER_S).any():
            return (math.inf,) * (len(COARSER) + 1)
        slowest = max(slowest, float(np.max(1.0 / decays, initial=0.0)))
    left = _COARSE_ERROR_V[-1]
    fine = slowest * math.log(left / WARMED_V)
    if circuit.rails is not None:
        slowest = max(slowest, circuit.rails.slowest_s)
        fine = max(fine, slowest * math.log(left / RAIL_WARMED_V))
    falls = pairwise((_START_ERROR_V, *_COARSE_ERROR_V))
    return (*(slowest * math.log(high / low) for high, low in falls), fine)


def plan_segments(
    frames: int,
    lanes_each: int,
    warm_up: Sequence[float],
    sample_rate_hz: float,
    grain: int = 1,
) -> Plan:
    """Choose the number of segments with the least work.

    Parameters
    ----------
    frames : int
        Length of the span.
    lanes_each : int
        Lanes that every segment takes: candidates times channels.
    warm_up : sequence of float
        Seconds at the coarse rates and at the full one.
    grain : int
        Frames of a passage; segments hold whole ones.
    """
    if frames == 0:
        return Plan(1, 0, 0)
    if sum(warm_up) > _LONGEST_WARM_UP_S:
        return Plan(1, frames, 0)
    *early, late = (math.ceil(each * sample_rate_hz) for each in warm_up)
    best, plan = math.inf, Plan(1, frames, 0)
    for segments in (1, 2, 4, 8, 16, 32, 64, 128):
        length = math.ceil(frames / segments / grain) * grain if segments > 1 else frames
        if segments > 1 and (length < REACH or length * (segments - 1) >= frames):
            break
        alone = segments == 1
        found = Plan(segments, length, 0 if alone else late, () if alone else tuple(early))
        lanes = segments * lanes_each
        batches = math.ceil(lanes / LANES)
        rounds = sum(math.ceil(batches / cores) for cores in _CORES)
        coarse = zip(found.early, COARSER, strict=not alone)
        each = found.frames + sum((part + 3 * REACH) / coarser for part, coarser in coarse)
        cost = each * rounds * (_ONE_LANE if lanes == 1 else 1.0)
        if cost < best:
            best, plan = cost, found
    return plan
