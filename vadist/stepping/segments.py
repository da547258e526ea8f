"""One take as many lanes: segments with a warm-up, seams that are checked, and their mending.

A segment starts early, from the operating point, with a warm-up long enough for the circuit's
slowest time constant (:mod:`vadist.stepping.plan`). At every seam the state that the earlier
segment arrives with is compared with the state the warm-up reached; where they differ by more than
the tolerance the later segment is run again from the earlier one's state, all such side by side,
until every seam fits. A take longer than a span goes on from the state in
which the span before it ended. How a take is cut depends on its length and the design
alone, never on the machine.

Timeline of a segment, in frames of the take::

    |<-- REACH -->|<-- warm-up -->|<-- REACH -->|<------ kept ------>|<-- REACH -->|
                  entered         A: state compared        B: state handed on

What is entered are states that runs at coarse rates arrive with, if the warm-up has such parts.
The filters of the oversampling need REACH frames to settle before the warm-up counts, before the
first kept frame, and after the last; B lies REACH frames before the end of what is kept.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray
from vadist.pool import StoppablePool, results
from vadist.stepping.batch import LANES, StepError
from vadist.stepping.carrying import carried_over, volts_remembered
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.lanes import LaneResult, in_double, in_enough_digits, run_lanes
from vadist.stepping.plan import Plan
from vadist.stepping.power_up import Powered, PowerUp
from vadist.stepping.resampling import REACH

SEAM_TOLERANCE_V = 3e-6
"""Largest difference of any state at a seam, for each volt it stands at, and below one volt: the
roundings of single precision leave up to a third of it."""

RAIL_SEAM_TOLERANCE_V = 3e-5
"""The same where a torn rail moves: it is off by near that itself at the default rate, and what
follows it slowly is off with it."""

_BATCHES_TOGETHER = 2
# Batches of sixteen candidates that one thread takes: the more of them, the more of their early
# sections is shared; the fewer, the more threads find work.


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
    coarse : sequence of sequence of Circuit
        The candidates at each of the rates at which warm-ups begin.
    power : sequence of PowerUp
        The candidates as they are switched on at the take's first frame; empty for a take that
        begins at rest.
    """

    circuits: Sequence[Circuit]
    window: Callable[[int, int], FloatArray]
    start: int
    heard: FloatArray
    sample_rate_hz: float
    taps: Sequence[Tap]
    plan: Plan
    grain: int = 0
    coarse: Sequence[Sequence[Circuit]] = ()
    power: Sequence[PowerUp] = ()

    @property
    def rows(self) -> int:
        """Lanes of each segment."""
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
        """Lanes cut into groups, each the work of one thread."""
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
        self,
        tick: Callable[[int], None],
        lanes: IndexArray,
        enter: list[FloatArray] | None = None,
        plan: Plan | None = None,
    ) -> LaneResult:
        """Run some lanes into ``heard``; ``enter`` replaces states the warm-up reached."""
        plan = plan or self.plan
        lead, begins = plan.lead, self._begins(lanes) - plan.lead
        entered = {REACH: self._warmed(tick, lanes, begins + REACH)} if plan.early else {}
        if enter is not None:
            entered[lead - REACH] = enter
        segments, rows = np.divmod(lanes, self.rows)
        channels, candidates = np.divmod(rows, len(self.circuits))

        def deliver(first: int, block: FloatArray) -> None:
            skip = max(lead - first, 0)
            at = first + skip - lead
            kept = block[skip : skip + max(plan.length - at, 0)]
            places = zip(candidates, channels, segments, strict=True)
            for column, (candidate, channel, segment) in enumerate(places):
                begin = segment * plan.length + at
                room = self.heard[candidate, begin : begin + len(kept), channel]
                room[:] = kept[: len(room), :, column]

        watch = [int(p) + lead - REACH for p in plan.passages(self.grain)] if self.grain else []
        marks = (lead - REACH, lead - REACH + plan.length)
        return self._stepped(
            self.circuits, lanes, begins, plan.frames, deliver, self.taps, marks, entered, watch,
            tick,
        )  # fmt: skip

    def _begins(self, lanes: IndexArray) -> IndexArray:
        """Frame of the take at which what is kept of each lane begins."""
        return self.start + lanes // self.rows * self.plan.length

    def _warmed(
        self, tick: Callable[[int], None], lanes: IndexArray, until: IndexArray
    ) -> list[FloatArray]:
        """What lanes remember at a frame of the take, from rest.

        What coarse rates cannot solve is stepped at the full one.
        """
        parts = list(zip(self.coarse, self.plan.early, strict=True))
        try:
            return self._warmed_at(parts, tick, lanes, until)
        except StepError:
            return self._warmed_at([(self.circuits, sum(self.plan.early))], tick, lanes, until)

    def _warmed_at(
        self,
        parts: list[tuple[Sequence[Circuit], int]],
        tick: Callable[[int], None],
        lanes: IndexArray,
        until: IndexArray,
    ) -> list[FloatArray]:
        """What lanes remember after runs of so many frames at each of some rates, from rest."""
        begins = until - sum(frames for _, frames in parts) - REACH
        memory: list[FloatArray] = []
        finer = [*(circuits for circuits, _ in parts[1:]), self.circuits]
        for (circuits, frames), then in zip(parts, finer, strict=True):
            mark = REACH + frames
            found = self._stepped(
                circuits, lanes, begins, mark + 2 * REACH, lambda first, block: None, (),
                (mark,), {REACH: memory} if memory else {}, [], lambda amount: tick(0),
            )  # fmt: skip
            here, there = circuits[0], then[0]
            memory = [
                carried_over(
                    each, here.program(k), there.program(k), here.tick_s(k), there.tick_s(k)
                )
                for k, each in enumerate(found.marks[0])
            ]
            begins = begins + frames
        return memory

    def _stepped(
        self,
        circuits: Sequence[Circuit],
        lanes: IndexArray,
        begins: IndexArray,
        frames: int,
        deliver: Callable[[int, FloatArray], None],
        taps: Sequence[Tap],
        marks: Sequence[int],
        enter: Mapping[int, Sequence[FloatArray]],
        watch: Sequence[int],
        tick: Callable[[int], None],
    ) -> LaneResult:
        """Run lanes over windows of the take that begin at some frames of it."""
        channels, candidates = np.divmod(lanes % self.rows, len(self.circuits))
        inputs, columns = np.unique(
            np.stack([begins, channels], axis=1), axis=0, return_inverse=True
        )

        def feed(first: int, last: int) -> FloatArray:
            block = np.empty((last - first, len(inputs)))
            for column, (begin, channel) in enumerate(inputs):
                block[:, column] = self.window(begin + first, begin + last)[:, channel]
            return block

        if len(circuits) > 1:
            circuits = [circuits[candidate] for candidate in candidates]
        stepped = partial(
            run_lanes, circuits, columns.ravel().tolist(), frames, feed, deliver,
            self.sample_rate_hz, taps, marks, enter, watch, tick,
            begins=begins.tolist(),
            powered=Powered.of(self.plan.lead, self.power, candidates, begins == -self.plan.lead),
        )  # fmt: skip
        try:
            return in_enough_digits(stepped, double=in_double(circuits, self.power))
        except StepError as error:
            lane = error.lane
            where = f" of channel {channels[lane] + 1}" if self.heard.shape[2] > 1 else ""
            raise error.seen_from(
                int(candidates[lane]), float(begins[lane]) / self.sample_rate_hz, where
            ) from None

    def _mend(self, lanes: "_Joined", pool: StoppablePool) -> tuple[IndexArray, FloatArray]:
        """Check the seams, run again what does not fit, and so on until all fit.

        Returns
        -------
        mended, worst : (rows,)
            Seams run again, and the largest difference in volts that was let stand.
        """
        run = partial(self._run, pool.tick, plan=Plan(self.plan.segments, self.plan.length, 0))
        total = self.rows * self.plan.segments
        mended = np.zeros(total, dtype=bool)
        check = np.arange(self.rows, total)
        while len(check):
            apart, fits = self._apart(lanes, check)
            again = check[~fits]
            mended[again] = True
            groups = np.array_split(again, math.ceil(len(again) / LANES)) if len(again) else []
            enters = [[s[:, group - self.rows] for s in lanes.end] for group in groups]
            for group, enter, result in zip(
                groups, enters, results(pool.executor, run, groups, enters), strict=True
            ):
                lanes.replace(group, enter, result)
            check = again + self.rows
            check = check[check < total]
        apart, _ = self._apart(lanes, np.arange(self.rows, total))
        apart[mended[self.rows :]] = 0.0
        by_seam = (self.plan.segments, self.rows)
        return (
            mended.reshape(by_seam).sum(axis=0),
            apart.reshape(-1, self.rows).max(axis=0, initial=0.0),
        )

    def _apart(self, lanes: "_Joined", later: IndexArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Largest difference in volts at the seam before each of some lanes; whether it fits."""
        if not len(later):
            return np.zeros(0), np.zeros(0, dtype=bool)
        circuit = self.circuits[0]
        tolerance_v = SEAM_TOLERANCE_V if circuit.rails is None else RAIL_SEAM_TOLERANCE_V
        apart, fits = np.zeros(len(later)), np.ones(len(later), dtype=bool)
        owners = [self.circuits[k] for k in later % self.rows % len(self.circuits)]
        for k in range(len(circuit.programs)):
            volts = partial(
                volts_remembered,
                program=circuit.program(k),
                sections=[owner.bundle(k).sections for owner in owners],
            )
            before = volts(lanes.end[k][:, later - self.rows])
            moved = np.abs(before - volts(lanes.begin[k][:, later]))
            apart = np.maximum(apart, moved.max(axis=0, initial=0.0))
            fits &= (moved <= tolerance_v * np.maximum(np.abs(before), 1.0)).all(axis=0)
        return apart, fits


@dataclass
class _Joined:
    """What is known of the lanes of all groups, in lane order."""

    begin: list[FloatArray]
    end: list[FloatArray]
    watched: list[FloatArray]
    peaks: dict[str, FloatArray]
    statistics: NDArray[np.int64]

    def replace(self, lanes: IndexArray, begin: list[FloatArray], result: LaneResult) -> None:
        """Take over what some lanes gave when they were run again from given states."""
        for whole, part in ((self.begin, begin), (self.end, result.marks[1])):
            for held, states in zip(whole, part, strict=True):
                held[:, lanes] = states
        for kept, states in zip(self.watched, result.watched, strict=True):
            kept[..., lanes] = states
        for stage, peak in result.peaks.items():
            self.peaks[stage][:, lanes] = peak

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
