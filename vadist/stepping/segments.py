"""One take as many lanes: segments with a warm-up, seams that are checked, and their mending.

A segment starts early, from the operating point, with a warm-up long enough for the circuit's
slowest time constant. At every seam the state that the earlier segment arrives with is compared
with the state the warm-up reached; where they differ by more than the tolerance the later segment
is run again from the earlier one's state. A take longer than a span goes on from the state in
which the span before it ended. How a take is cut depends on its length and the design
alone, never on the machine.

Timeline of a segment, in frames of the take::

    |<-- REACH -->|<-- warm-up -->|<-- REACH -->|<------ kept ------>|<-- REACH -->|
                                  A: state compared        B: state handed on

The filters of the oversampling need REACH frames to settle before the warm-up counts, before the
first kept frame, and after the last; B lies REACH frames before the end of what is kept.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray
from vadist.pool import StoppablePool, results
from vadist.stepping.batch import LANES, StepError
from vadist.stepping.carrying import volts_remembered
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.lanes import LaneResult, in_enough_digits, run_lanes
from vadist.stepping.resampling import REACH

SEAM_TOLERANCE_V = 3e-6
"""Largest difference of any state at a seam, for each volt it stands at, and below one volt: the
roundings of single precision leave up to a third of it."""

WARMED_V = 3e-8
"""What a warm-up may leave of a start from rest, volts: a gain of a hundred behind it is within the
tolerance still."""

_NEVER_PER_S = 1e-9
# A mode that decays no faster does not forget.

_START_ERROR_V = 0.3
# How far a state may be from its operating point when a warm-up begins.

_LONGEST_WARM_UP_S = 8.0
# A slower circuit is not worth warming up: it runs as fewer segments or serially.

_BATCHES_TOGETHER = 2
# Batches of sixteen candidates that one thread takes: the more of them, the more of their early
# sections is shared; the fewer, the more threads find work.

_CORES = (1, 2, 4)
# The plan has the least sum of times on machines of these, whatever the machine has: a take is
# cut alike everywhere.

_ONE_LANE = 0.33
# Time of one lane over that of a full batch, resampling included: 162 ns against 16 times 31 ns.


"""Numbers of lanes."""


@dataclass(frozen=True)
class Plan:
    """How a span is cut.

    Attributes
    ----------
    segments : int
    length, warm_up : int
        Frames kept of each segment, frames run before them.
    """

    segments: int
    length: int
    warm_up: int

    @property
    def lead(self) -> int:
        """Frames run before the first one that is kept."""
        return REACH + self.warm_up + REACH

    @property
    def frames(self) -> int:
        """Frames run for each segment."""
        return self.lead + self.length + REACH

    def passages(self, grain: int) -> IndexArray:
        """First frames of each segment's passages of ``grain`` frames; the last may be shorter."""
        return np.arange(0, self.length, grain)


@dataclass(frozen=True)
class SpanResult:
    """What is known of a span besides its volts.

    Attributes
    ----------
    peaks : mapping of stage -> (candidates, 2)
        Smallest and largest deviation from rest.
    statistics : (sections, 3)
        Newton iterations, samples, rescued lane-samples.
    seams : int
        Seams of each candidate.
    mended : (candidates,)
        Those run again serially.
    seam_v : (candidates,)
        Largest state difference at a seam that was let stand.
    handed_on : list of (states, lanes)
        States at the end, for the next span's first seams, one lane a channel and candidate.
    watched : list of (memory, passages, channels, candidates)
        What is remembered ``REACH`` frames before every passage, for other rates to go on from.
    """

    peaks: dict[str, FloatArray]
    statistics: NDArray[np.int64]
    seams: int
    mended: IndexArray
    seam_v: FloatArray
    handed_on: list[FloatArray]
    watched: list[FloatArray]


def warm_up_seconds(circuit: Circuit) -> float:
    """Time after which a start from the operating point is forgotten to the seam tolerance."""
    slowest = 0.0
    for section in circuit.sections:
        decays = -section.rest_modes.real
        if (decays <= _NEVER_PER_S).any():
            return math.inf
        slowest = max(slowest, float(np.max(1.0 / decays, initial=0.0)))
    if circuit.rails is not None:
        slowest = max(slowest, circuit.rails.slowest_s)
    return slowest * math.log(_START_ERROR_V / WARMED_V)


def plan_segments(
    frames: int, lanes_each: int, warm_up: float, sample_rate_hz: float, grain: int = 1
) -> Plan:
    """Choose the number of segments with the least work.

    Parameters
    ----------
    frames : int
        Length of the span.
    lanes_each : int
        IndexArray that every segment takes: candidates times channels.
    warm_up : float
        Seconds.
    grain : int
        Frames of a passage; segments hold whole ones.
    """
    if frames == 0:
        return Plan(1, 0, 0)
    if warm_up > _LONGEST_WARM_UP_S:
        return Plan(1, frames, 0)
    early = math.ceil(warm_up * sample_rate_hz)
    best, plan = math.inf, Plan(1, frames, 0)
    for segments in (1, 2, 4, 8, 16, 32, 64, 128):
        length = math.ceil(frames / segments / grain) * grain if segments > 1 else frames
        if segments > 1 and (length < REACH or length * (segments - 1) >= frames):
            break
        before = early if segments > 1 else 0
        lanes = segments * lanes_each
        batches = math.ceil(lanes / LANES)
        rounds = sum(math.ceil(batches / cores) for cores in _CORES)
        cost = (length + before + 3 * REACH) * rounds * (_ONE_LANE if lanes == 1 else 1.0)
        if cost < best:
            best, plan = cost, Plan(segments, length, before)
    return plan


@dataclass(frozen=True)
class Span:
    """Frames of a take on their way through every candidate circuit.

    A row is a candidate of a channel, channel * candidates + candidate, and a lane is
    segment * rows + row: lanes that hear the same lie side by side, and share the sections in
    which their circuits are alike.

    Attributes
    ----------
    circuits : sequence of Circuit
        The candidates, all of one structure.
    window : callable (first, last) -> (frames, channels) volts
        The take, zero outside its ends.
    start : int
        First frame.
    heard : (candidates, frames, channels, taps)
        Filled with output volts, rest included.
    sample_rate_hz : float
    taps : sequence of Tap
    plan : Plan
    grain : int
        Frames of the passages whose states are kept; 0 for none.
    """

    circuits: Sequence[Circuit]
    window: Callable[[int, int], FloatArray]
    start: int
    heard: FloatArray
    sample_rate_hz: float
    taps: Sequence[Tap]
    plan: Plan
    grain: int = 0

    @property
    def rows(self) -> int:
        """IndexArray of each segment."""
        return int(self.heard.shape[2]) * len(self.circuits)

    def render(self, pool: StoppablePool, arrived: list[FloatArray] | None = None) -> SpanResult:
        """Fill ``heard``.

        Parameters
        ----------
        arrived : states at ``start - REACH`` of the previous span, (states, rows)
            The first segments go on from there.
        """
        run = partial(self._run, pool.tick)
        groups = self._groups()
        enters = [self._entering(group, arrived) for group in groups]
        lanes = _Joined.of(list(results(pool.executor, run, groups, enters)))
        mended, worst = self._mend(lanes, pool)
        channels, candidates = self.heard.shape[2], len(self.circuits)
        shape = (self.plan.segments, channels, candidates)
        reach = {
            stage: np.stack(
                [peak[0].reshape(shape).min((0, 1)), peak[1].reshape(shape).max((0, 1))], axis=1
            )
            for stage, peak in lanes.peaks.items()
        }
        handed_on = [s[:, -self.rows :] for s in lanes.end]
        watched = [
            # From (passages of a segment, memory, lanes).
            np.moveaxis(s.reshape(*s.shape[:2], *shape), (1, 2), (0, 1)).reshape(
                s.shape[1], self.plan.segments * len(s), channels, candidates
            )
            for s in lanes.watched
        ]
        return SpanResult(
            reach,
            lanes.statistics,
            channels * (self.plan.segments - 1),
            mended.reshape(channels, candidates).sum(axis=0),
            worst.reshape(channels, candidates).max(axis=0),
            handed_on,
            watched,
        )

    def _groups(self) -> list[IndexArray]:
        """IndexArray cut into groups, each the work of one thread."""
        total = self.rows * self.plan.segments
        batches = math.ceil(total / LANES)
        together = _BATCHES_TOGETHER if len(self.circuits) > 1 else 1
        count = max(math.ceil(batches / together), min(batches, 2))
        cuts = [part[0] * LANES for part in np.array_split(np.arange(batches), count)]
        return np.split(np.arange(total), cuts[1:])

    def _entering(
        self, lanes: IndexArray, arrived: list[FloatArray] | None
    ) -> list[FloatArray] | None:
        """States for lanes that go on from the previous span; NaN for those that do not."""
        if arrived is None:
            return None
        segments, rows = np.divmod(lanes, self.rows)
        return [np.where(segments == 0, state[:, rows], np.nan) for state in arrived]

    def _run(
        self, tick: Callable[[int], None], lanes: IndexArray, enter: list[FloatArray] | None = None
    ) -> LaneResult:
        """Run some lanes into ``heard``; ``enter`` replaces states the warm-up reached."""
        plan, lead = self.plan, self.plan.lead
        segments, rows = np.divmod(lanes, self.rows)
        channels, candidates = np.divmod(rows, len(self.circuits))
        inputs, columns = np.unique(
            np.stack([segments, channels], axis=1), axis=0, return_inverse=True
        )

        def feed(first: int, last: int) -> FloatArray:
            block = np.empty((last - first, len(inputs)))
            for column, (segment, channel) in enumerate(inputs):
                begin = self.start + segment * plan.length - lead
                block[:, column] = self.window(begin + first, begin + last)[:, channel]
            return block

        def deliver(first: int, block: FloatArray) -> None:
            skip = max(lead - first, 0)
            at = first + skip - lead
            kept = block[skip : skip + max(plan.length - at, 0)]
            places = zip(candidates, channels, segments, strict=True)
            for column, (candidate, channel, segment) in enumerate(places):
                begin = segment * plan.length + at
                room = self.heard[candidate, begin : begin + len(kept), channel]
                room[:] = kept[: len(room), :, column]

        circuits = self.circuits
        if len(circuits) > 1:
            circuits = [circuits[candidate] for candidate in candidates]
        watch = [int(p) + lead - REACH for p in plan.passages(self.grain)] if self.grain else []
        stepped = partial(
            run_lanes, circuits, columns.ravel().tolist(), plan.frames, feed, deliver,
            self.sample_rate_hz, self.taps, (lead - REACH, lead - REACH + plan.length), enter,
            watch, tick,
        )  # fmt: skip
        try:
            return in_enough_digits(stepped)
        except StepError as error:
            begin = self.start + segments[error.lane] * plan.length - lead
            where = f" of channel {channels[error.lane] + 1}" if self.heard.shape[2] > 1 else ""
            raise error.seen_from(
                int(candidates[error.lane]), float(begin) / self.sample_rate_hz, where
            ) from None

    def _mend(self, lanes: "_Joined", pool: StoppablePool) -> tuple[IndexArray, FloatArray]:
        """Check every seam, in order, and run again what does not fit, all rows side by side.

        Returns
        -------
        mended, worst : (rows,)
            Seams run again, and the largest difference in volts that was let stand.
        """
        run = partial(self._run, pool.tick)
        mended, worst = np.zeros(self.rows, dtype=int), np.zeros(self.rows)
        circuit = self.circuits[0]
        volts = [volts_remembered(circuit.program(k)) for k in range(len(circuit.programs))]
        for first in range(self.rows, self.rows * self.plan.segments, self.rows):
            here = np.arange(first, first + self.rows)
            apart, fits = np.zeros(self.rows), np.ones(self.rows, dtype=bool)
            for end, begin, which in zip(lanes.end, lanes.begin, volts, strict=True):
                before, after = end[which][:, here - self.rows], begin[which][:, here]
                moved = np.abs(before - after)
                apart = np.maximum(apart, moved.max(axis=0, initial=0.0))
                allowed = SEAM_TOLERANCE_V * np.maximum(np.abs(before), 1.0)
                fits &= (moved <= allowed).all(axis=0)
            worst = np.maximum(worst, np.where(fits, apart, 0.0))
            mended += ~fits
            again = here[~fits]
            groups = np.array_split(again, math.ceil(len(again) / LANES)) if len(again) else []
            enters = [[s[:, group - self.rows] for s in lanes.end] for group in groups]
            for group, result in zip(
                groups, results(pool.executor, run, groups, enters), strict=True
            ):
                for end, state in zip(lanes.end, result.marks[1], strict=True):
                    end[:, group] = state
                for kept, states in zip(lanes.watched, result.watched, strict=True):
                    kept[..., group] = states
                for stage, peak in result.peaks.items():
                    lanes.peaks[stage][:, group] = peak
        return mended, worst


@dataclass
class _Joined:
    """What is known of the lanes of all groups, in lane order."""

    begin: list[FloatArray]
    end: list[FloatArray]
    watched: list[FloatArray]
    peaks: dict[str, FloatArray]
    statistics: NDArray[np.int64]

    @classmethod
    def of(cls, results: list[LaneResult]) -> "_Joined":
        def states(mark: int) -> list[FloatArray]:
            sections = range(len(results[0].marks[mark]))
            return [np.concatenate([r.marks[mark][k] for r in results], axis=1) for k in sections]

        watched = zip(*(result.watched for result in results), strict=True)
        return cls(
            states(0),
            states(1),
            [np.concatenate(section, axis=-1) for section in watched],
            {
                stage: np.concatenate([r.peaks[stage] for r in results], axis=1)
                for stage in results[0].peaks
            },
            np.sum([r.statistics for r in results], axis=0),
        )
