"""Running a window of a take through a circuit: up to the oversampled rate, step, and back."""

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
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
    marks : list of list of (states, lanes)
        States of all sections at the marked frames.
    watched : list of (frames, 2, states, lanes)
        States of each section at the watched frames, and one oversampled sample later.
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
    enter: Sequence[FloatArray] | None = None,
    watch: Sequence[int] = (),
    tick: Callable[[int], None] = lambda amount: None,
) -> LaneResult:
    """Run windows of equal length side by side.

    Parameters
    ----------
    circuits : one for all lanes or one a lane
    columns : of the input, that each lane hears
    frames : length of the windows
    feed : callable (first, last) -> (frames, columns) input volts
    deliver : called with the first frame and (frames, taps, lanes) output volts, rest included
    sample_rate_hz : float
        Rate of the take.
    taps : sequence of Tap
        Outputs to hear.
    marks : frames whose states are wanted
    enter : states to be put in place at the first mark where they are numbers
    watch : frames at which states are kept for other rates to go on from
    tick : called with the lane-frames done since the last call; may raise to stop
    """
    lanes = len(columns)
    factor = round(circuits[0].sample_rate_hz / sample_rate_hz)
    stepper = Stepper(circuits, lanes, columns, enter)
    up = resampler(sample_rate_hz, factor, max(columns) + 1)
    down = resampler(sample_rate_hz, factor, lanes * len(taps), down=True)
    rest = np.array([[c.sections[t.section].output_v[t.row] for c in circuits] for t in taps])
    marking = _Marks(stepper, [m * factor for m in marks], [w * factor for w in watch])
    delivered = 0
    for first in range(0, frames, _UP_FRAMES):
        last = min(first + _UP_FRAMES, frames)
        fast = up(np.ascontiguousarray(feed(first, last)), last == frames)
        heard = np.empty((len(fast), len(taps), lanes))
        done = 0
        while done < len(fast):
            until = min(done + _STEP_SAMPLES, len(fast), done + marking.samples_left())
            stepper.process(fast[done:until])
            for k, tap in enumerate(taps):
                stepper.heard(tap, heard[done:until, k])
            done = until
        slow = down(heard.reshape(len(fast), len(taps) * lanes), last == frames)
        deliver(delivered, slow.reshape(-1, len(taps), lanes) + rest)
        delivered += len(slow)
        tick(lanes * (last - first))
    marking.samples_left()
    peaks = {stage: peak.copy() for stage, peak in stepper.peaks().items()}
    return LaneResult(marking.at_marks(), marking.watched(), peaks, stepper.statistics())


class _Marks:
    """Takes the states at the marked and watched samples; enters given ones at the first mark."""

    def __init__(self, stepper: Stepper, marks: list[int], watch: list[int]) -> None:
        self.stepper, self.marks, self.watch = stepper, marks, watch
        self.waiting = sorted({*marks, *watch, *(w + 1 for w in watch)})
        self.snapshots: dict[int, Snapshot] = {}

    def samples_left(self) -> int:
        """Samples until the next snapshot, after taking the one that is due."""
        now = self.stepper.samples
        if self.waiting and self.waiting[0] == now:
            if self.marks and self.marks[0] == now:
                self.stepper.enter()
                self.stepper.reset_peaks()
            self.snapshots[self.waiting.pop(0)] = self.stepper.snapshot()
        return self.waiting[0] - now if self.waiting else sys.maxsize

    def at_marks(self) -> list[list[FloatArray]]:
        """States of all sections at every mark, (states, lanes)."""
        return [
            [states[0] for states in self.stepper.developed([self.snapshots[mark]])]
            for mark in self.marks
        ]

    def watched(self) -> list[FloatArray]:
        """States of all sections at every watched sample and the next."""
        if not self.watch:
            return []
        pairs = [self.snapshots[w + k] for w in self.watch for k in (0, 1)]
        return [
            states.reshape(len(self.watch), 2, *states.shape[1:])
            for states in self.stepper.developed(pairs)
        ]
