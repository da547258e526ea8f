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

import numpy as np
from numpy.typing import NDArray

from vadist.engine import LANES, Circuit, Tap
from vadist.lanes import REACH, LaneResult, run_lanes
from vadist.pool import StoppablePool
from vadist.sections import Matrix

SEAM_TOLERANCE_V = 1e-7
"""Largest difference of any state at a seam, volts."""

_START_ERROR_V = 0.3
# How far a state may be from its operating point when a warm-up begins.

_LONGEST_WARM_UP_S = 8.0
# A slower circuit is not worth warming up: it runs as fewer segments or serially.

_CORES = 2
# The plan reckons with this many, whatever the machine has: a take is cut alike everywhere.


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


@dataclass(frozen=True)
class SpanResult:
    """What is known of a span besides its volts.

    Attributes
    ----------
    peaks : mapping of stage -> (candidates, 2)
        Smallest and largest deviation from rest.
    statistics : (sections, 3)
        Newton iterations, samples, rescued lane-samples.
    seams, mended : int
        Seams checked, and run again serially.
    seam_v : float
        Largest state difference at a seam that was let stand.
    handed_on : list of (states, lanes)
        States at the end, for the next span's first seams, one lane a candidate and channel.
    """

    peaks: dict[str, Matrix]
    statistics: NDArray[np.int64]
    seams: int
    mended: int
    seam_v: float
    handed_on: list[Matrix]


def warm_up_seconds(circuit: Circuit) -> float:
    """Time after which a start from the operating point is forgotten to the seam tolerance."""
    slowest = 0.0
    for section in circuit.sections:
        s, m = section.states, section.ports
        if not s:
            continue
        slopes = section.port_slopes
        gain = np.linalg.solve(np.eye(m) - slopes @ section.K, slopes @ section.P[:, :s])
        first = s + section.inputs
        step = section.W[:s, :s] + section.W[:s, first:] @ gain
        values = np.abs(np.linalg.eigvals(step))
        decaying = values[values < 1.0 - 1e-13]
        if len(decaying) < len(values):
            return math.inf
        slowest = max(slowest, float(np.max(-1.0 / np.log(np.maximum(decaying, 1e-300)))))
    return slowest / circuit.sample_rate_hz * math.log(_START_ERROR_V / SEAM_TOLERANCE_V)


def plan_segments(frames: int, lanes_each: int, warm_up: float, sample_rate_hz: float) -> Plan:
    """Choose the number of segments with the least work.

    Parameters
    ----------
    frames : int
        Length of the span.
    lanes_each : int
        Lanes that every segment takes: candidates times channels.
    warm_up : float
        Seconds.
    """
    if frames == 0:
        return Plan(1, 0, 0)
    if warm_up > _LONGEST_WARM_UP_S:
        return Plan(1, frames, 0)
    early = math.ceil(warm_up * sample_rate_hz)
    best, plan = math.inf, Plan(1, frames, 0)
    for segments in (1, 2, 4, 8, 16, 32, 64, 128):
        length = math.ceil(frames / segments)
        if segments > 1 and length < REACH:
            break
        before = early if segments > 1 else 0
        lanes = segments * lanes_each
        rounds = math.ceil(math.ceil(lanes / LANES) / _CORES)
        cost = (length + before + 3 * REACH) * rounds
        if cost < best:
            best, plan = cost, Plan(segments, length, before)
    return plan


def run_span(
    circuits: Sequence[Circuit],
    window: Callable[[int, int], Matrix],
    start: int,
    stop: int,
    channels: int,
    sample_rate_hz: float,
    taps: Sequence[Tap],
    plan: Plan,
    pool: StoppablePool,
    arrived: list[Matrix] | None = None,
) -> tuple[Matrix, SpanResult]:
    """Render the frames ``start`` to ``stop`` of a take through every candidate circuit.

    Parameters
    ----------
    circuits : sequence of Circuit
        The candidates, all of one structure.
    window : callable (first, last) -> (frames, channels) volts
        The take, zero outside its ends.
    arrived : states at ``start - REACH`` of the previous span, (states, candidates * channels)
        The first segments go on from there.

    Returns
    -------
    volts : (candidates, frames, channels, taps)
    SpanResult
    """
    total = len(circuits) * channels * plan.segments
    volts = np.empty((plan.segments * plan.length, len(taps), len(circuits) * channels))
    job = _Job(circuits, window, start, channels, sample_rate_hz, taps, plan, pool.tick, volts)
    groups = np.array_split(np.arange(total), math.ceil(total / LANES))
    enters = [job.continued(group, arrived) for group in groups]
    lanes = _Joined.of(list(pool.executor.map(job.run, groups, enters)))
    seams, mended, worst = _mend(job, lanes, pool)
    heard = volts[: stop - start].reshape(-1, len(taps), len(circuits), channels)
    reach = {
        stage: np.stack(
            [peak[0].reshape(len(circuits), -1).min(1), peak[1].reshape(len(circuits), -1).max(1)],
            axis=1,
        )
        for stage, peak in lanes.peaks.items()
    }
    last = np.arange(len(circuits) * channels) * plan.segments + plan.segments - 1
    handed_on = [s[:, last] for s in lanes.end]
    span = SpanResult(reach, lanes.statistics, seams, mended, worst, handed_on)
    return heard.transpose(2, 0, 3, 1), span


@dataclass(frozen=True)
class _Job:
    circuits: Sequence[Circuit]
    window: Callable[[int, int], Matrix]
    start: int
    channels: int
    sample_rate_hz: float
    taps: Sequence[Tap]
    plan: Plan
    tick: Callable[[int], None]
    volts: Matrix

    def split(self, lane: int) -> tuple[int, int]:
        """Row (candidate times channels plus channel) and segment of a lane."""
        return divmod(lane, self.plan.segments)

    def continued(
        self, lanes: NDArray[np.int_], arrived: list[Matrix] | None
    ) -> list[Matrix] | None:
        """States for lanes that go on from the previous span; NaN for those that do not."""
        if arrived is None:
            return None
        rows, segments = np.divmod(lanes, self.plan.segments)
        return [np.where(segments == 0, state[:, rows], np.nan) for state in arrived]

    def run(self, lanes: NDArray[np.int_], enter: list[Matrix] | None = None) -> LaneResult:
        """Run some lanes into ``volts``; ``enter`` replaces states the warm-up reached."""
        plan, lead = self.plan, self.plan.lead
        rows, segments = zip(*(self.split(int(lane)) for lane in lanes), strict=True)
        begins = [self.start + segment * plan.length - lead for segment in segments]

        def feed(first: int, last: int) -> Matrix:
            block = np.empty((last - first, len(lanes)))
            for column, (row, begin) in enumerate(zip(rows, begins, strict=True)):
                block[:, column] = self.window(begin + first, begin + last)[:, row % self.channels]
            return block

        def deliver(first: int, block: Matrix) -> None:
            skip = max(lead - first, 0)
            at = first + skip - lead
            kept = block[skip : skip + max(plan.length - at, 0)]
            for column, (row, segment) in enumerate(zip(rows, segments, strict=True)):
                begin = segment * plan.length + at
                self.volts[begin : begin + len(kept), :, row] = kept[:, :, column]

        circuits = self.circuits
        if len(circuits) > 1:
            circuits = [circuits[row // self.channels] for row in rows]
        return run_lanes(
            circuits, len(lanes), plan.frames, feed, deliver, self.sample_rate_hz,
            self.taps, (lead - REACH, lead - REACH + plan.length), enter, self.tick,
        )  # fmt: skip


@dataclass
class _Joined:
    """What is known of the lanes of all groups, in lane order."""

    begin: list[Matrix]
    end: list[Matrix]
    peaks: dict[str, Matrix]
    statistics: NDArray[np.int64]

    @classmethod
    def of(cls, results: list[LaneResult]) -> "_Joined":
        def states(mark: int) -> list[Matrix]:
            sections = range(len(results[0].marks[mark]))
            return [np.concatenate([r.marks[mark][k] for r in results], axis=1) for k in sections]

        return cls(
            states(0),
            states(1),
            {
                stage: np.concatenate([r.peaks[stage] for r in results], axis=1)
                for stage in results[0].peaks
            },
            np.sum([r.statistics for r in results], axis=0),
        )


def _mend(job: _Job, lanes: _Joined, pool: StoppablePool) -> tuple[int, int, float]:
    """Check every seam and run again what does not fit; the rows of one take go in order."""

    def take_row(row: int) -> tuple[int, int, float]:
        seams, mended, worst = 0, 0, 0.0
        for segment in range(1, job.plan.segments):
            lane = row * job.plan.segments + segment
            came = [s[:, lane - 1 : lane] for s in lanes.end]
            seams += 1
            apart = max(
                (
                    float(np.max(np.abs(a - b[:, lane : lane + 1])))
                    for a, b in zip(came, lanes.begin, strict=True)
                    if len(a)
                ),
                default=0.0,
            )
            if apart <= SEAM_TOLERANCE_V:
                worst = max(worst, apart)
                continue
            mended += 1
            result = job.run(np.array([lane]), came)
            for end, marks in zip(lanes.end, result.marks[1], strict=True):
                end[:, lane] = marks[:, 0]
            for stage, peak in result.peaks.items():
                lanes.peaks[stage][:, lane] = peak[:, 0]
        return seams, mended, worst

    rows = range(len(job.circuits) * job.channels)
    outcomes = list(pool.executor.map(take_row, rows))
    return (
        sum(o[0] for o in outcomes),
        sum(o[1] for o in outcomes),
        max(o[2] for o in outcomes),
    )
