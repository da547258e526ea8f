"""Running a window of a take through a circuit: up to the oversampled rate, step, and back."""

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.stepping.batch import REAL, StepError
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.resampling import resampler
from vadist.stepping.stepper import Snapshot, Stepper

_UP_FRAMES = 1024
_STEP_SAMPLES = 1024
# Blocks that keep inputs and outputs of a few dozen lanes inside a core's second-level cache.


@dataclass(frozen=True)
class LaneResult:
    """What is known of a window after it has run.

    Attributes
    ----------
    marks : list of list of (memory, lanes)
        What all sections remember at the marked frames.
    watched : list of (frames, memory, lanes)
        The same of each section at the watched frames.
    peaks : mapping of stage -> (2, lanes)
        Smallest and largest deviation from rest after the first mark.
    statistics : (sections, 3)
        Newton iterations, samples, rescued lane-samples.
    """

    marks: list[list[FloatArray]]
    watched: list[FloatArray]
    peaks: dict[str, FloatArray]
    statistics: NDArray[np.int64]


def run_lanes(
    circuits: Sequence[Circuit],
    columns: Sequence[int],
    frames: int,
    feed: Callable[[int, int], FloatArray],
    deliver: Callable[[int, FloatArray], None],
    sample_rate_hz: float,
    taps: Sequence[Tap],
    marks: Sequence[int] = (),
    enter: Mapping[int, Sequence[FloatArray]] | None = None,
    watch: Sequence[int] = (),
    tick: Callable[[int], None] = lambda amount: None,
    real: type = REAL,
) -> LaneResult:
    """Run windows of equal length side by side.

    Parameters
    ----------
    circuits : one for all lanes or one a lane
    columns : of the input, that each lane hears
    frames : length of the windows
    feed : callable (first, last) -> (frames, columns) input volts
    deliver : called, if there are taps, with the first frame and (frames, taps, lanes) output
        volts, rest included
    sample_rate_hz : float
        Rate of the take.
    taps : sequence of Tap
        Outputs to hear.
    marks : frames whose states are wanted
    enter : by frame, states to be put in place there where they are numbers
    watch : frames at which states are kept for other rates to go on from
    tick : called with the lane-frames done since the last call; may raise to stop
    real : what lanes are stepped in
    """
    lanes = len(columns)
    circuit = circuits[0]
    factor = round(circuit.sample_rate_hz / sample_rate_hz)
    enter = enter or {}
    stepper = Stepper(circuits, lanes, columns, list(enter.values()), real)
    up = resampler(sample_rate_hz, factor, max(columns) + 1)
    ways = [_WayDown(circuits, tap, lanes, sample_rate_hz) for tap in taps]
    ticks_a_frame = factor // circuit.entry_pace
    marking = _Marks(stepper, ticks_a_frame, marks, list(enter), watch)
    pace, delivered = circuit.entry_pace, 0
    # The first tick ends with the first sample, whatever the pace: so do all rates agree.
    waiting = np.zeros((pace - 1, max(columns) + 1))
    for first in range(0, frames, _UP_FRAMES):
        last = min(first + _UP_FRAMES, frames)
        fast = up(np.ascontiguousarray(feed(first, last)), last == frames)
        after = np.zeros((1 if last == frames else 0, fast.shape[1]))
        fast = np.concatenate([waiting, fast, after])
        whole = len(fast) // pace * pace
        waiting = fast[whole:]
        done = 0
        while done < whole:
            until = min(done + _STEP_SAMPLES, whole, done + marking.ticks_left() * pace)
            stepper.process(fast[done:until])
            for way in ways:
                way.take(stepper)
            done = until
        if ways:
            slow = [way.frames(last == frames) for way in ways]
            deliver(delivered, np.stack(slow, axis=1))
            delivered += len(slow[0])
        tick(lanes * (last - first))
    marking.ticks_left()
    peaks = {stage: peak.copy() for stage, peak in stepper.peaks().items()}
    return LaneResult(marking.at_marks(), marking.watched(), peaks, stepper.statistics())


def in_enough_digits(run: Callable[..., LaneResult]) -> LaneResult:
    """Run lanes; in double precision where single precision finds no solution.

    Hundreds of volts into a transistor make numbers of which seven digits are too few.

    Raises
    ------
    StepError
        If double precision finds none either.
    """
    try:
        return run()
    except StepError:
        return run(real=np.float64)


class _WayDown:
    """From an output's own rate to that of the take.

    Parameters
    ----------
    circuits : one for all lanes or one a lane
    tap : which output
    lanes : int
    sample_rate_hz : of the take
    """

    def __init__(
        self, circuits: Sequence[Circuit], tap: Tap, lanes: int, sample_rate_hz: float
    ) -> None:
        factor = circuits[0].rate_hz(tap) / sample_rate_hz
        self._tap, self._lanes = tap, lanes
        self._convert = resampler(sample_rate_hz, factor, lanes, down=True)
        self._rest = np.array([c.sections[tap.section].output_v[tap.row] for c in circuits])
        # Of the first tick only the last step counts, and nothing after the last frame.
        self._skip = circuits[0].paces[tap.section] - 1
        self._blocks: list[FloatArray] = []

    def take(self, stepper: Stepper) -> None:
        """Note what was just stepped."""
        block = stepper.heard(self._tap)[self._skip :]
        self._skip = 0
        self._blocks.append(block)

    def frames(self, last: bool) -> FloatArray:
        """What comes out at the rate of the take by now, (frames, lanes) volts."""
        fast = np.concatenate([np.zeros((0, self._lanes)), *self._blocks])
        self._blocks.clear()
        return np.asarray(self._convert(fast[:-1] if last else fast, last) + self._rest)


class _Marks:
    """Takes the states at the marked and watched frames; enters given ones at theirs."""

    def __init__(
        self,
        stepper: Stepper,
        ticks_a_frame: int,
        marks: Sequence[int],
        enter: Sequence[int],
        watch: Sequence[int],
    ) -> None:
        def ticks(frames: Sequence[int]) -> list[int]:
            return [frame * ticks_a_frame + 1 for frame in frames]

        self.stepper = stepper
        self.marks, self.enter, self.watch = ticks(marks), ticks(enter), ticks(watch)
        self.waiting = sorted({*self.marks, *self.enter, *self.watch})
        self.snapshots: dict[int, Snapshot] = {}

    def ticks_left(self) -> int:
        """Ticks until the next snapshot, after taking the one that is due."""
        now = self.stepper.ticks
        if self.waiting and self.waiting[0] == now:
            self.waiting.pop(0)
            if now in self.enter:
                self.stepper.enter(self.enter.index(now))
            if self.marks and self.marks[0] == now:
                self.stepper.reset_peaks()
            if now in self.marks or now in self.watch:
                self.snapshots[now] = self.stepper.snapshot()
        return self.waiting[0] - now if self.waiting else sys.maxsize

    def at_marks(self) -> list[list[FloatArray]]:
        """States of all sections at every mark, (states, lanes)."""
        return [
            [states[0] for states in self.stepper.developed([self.snapshots[mark]])]
            for mark in self.marks
        ]

    def watched(self) -> list[FloatArray]:
        """What is remembered in all sections at every watched tick, (watched, memory, lanes)."""
        return self.stepper.developed([self.snapshots[w] for w in self.watch]) if self.watch else []
