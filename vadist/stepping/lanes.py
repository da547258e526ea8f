"""Running a window of a take through a circuit: up to the oversampled rate, step, and back."""

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.stepping.batch import REAL, StepError
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.power_up import Powered
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
    begins: Sequence[int] | None = None,
    powered: Powered | None = None,
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
    begins : frames of the take that the windows begin with, one a lane; a supply ripples by them
    powered : lanes that are switched on in the window, and when
    """
    lanes = len(columns)
    circuit = circuits[0]
    factor = round(circuit.sample_rate_hz / sample_rate_hz)
    enter = enter or {}
    pace, delivered = circuit.entry_pace, 0
    samples = None if begins is None else [int(b) * factor - (pace - 1) for b in begins]
    stepper = Stepper(circuits, lanes, columns, list(enter.values()), real, samples)
    up = resampler(sample_rate_hz, factor, max(columns) + 1)
    ticks_a_frame = factor // circuit.entry_pace
    power = _Power(
        powered,
        list(circuits) if len(circuits) > 1 else list(circuits) * lanes,
        -1 if powered is None else powered.frame * ticks_a_frame + 1,
    )
    ways = [_WayDown(circuits, tap, lanes, sample_rate_hz, power) for tap in taps]
    marking = _Marks(stepper, ticks_a_frame, marks, list(enter), watch, power)
    kept = [np.zeros((0, lanes)) for _ in taps]
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
            # Converters of unlike ratios keep unlike numbers of frames back.
            slow = [
                np.concatenate([early, way.frames(last == frames)])
                for early, way in zip(kept, ways, strict=True)
            ]
            count = min(len(heard) for heard in slow)
            deliver(delivered, np.stack([heard[:count] for heard in slow], axis=1))
            kept = [heard[count:] for heard in slow]
            delivered += count
        tick(lanes * (last - first))
    marking.ticks_left()
    peaks = {stage: peak.copy() for stage, peak in stepper.peaks().items()}
    return LaneResult(marking.at_marks(), marking.watched(), peaks, stepper.statistics())


def in_double(circuits: Sequence[Circuit], powered: object) -> bool:
    """Whether lanes are stepped in double precision from the start.

    Volts from rest are small numbers with many digits, but not while a rail comes up; and what a
    turned knob adds to a coefficient with each step is far smaller than it.
    """
    return bool(powered) or any(circuit.turns for circuit in circuits)


def in_enough_digits(run: Callable[..., LaneResult], *, double: bool = False) -> LaneResult:
    """Run lanes; in double precision where single precision finds no solution, or if wanted.

    Hundreds of volts into a transistor make numbers of which seven digits are too few.

    Raises
    ------
    StepError
        If double precision finds none either.
    """
    try:
        return run(real=np.float64 if double else REAL)
    except StepError:
        return run(real=np.float64)


@dataclass(frozen=True)
class _Power:
    """Lanes that are switched on, their circuits, and the tick at which they go on; -1: none."""

    powered: Powered | None
    circuits: Sequence[Circuit]
    tick: int

    def put(self, stepper: Stepper) -> None:
        """Have lanes go on from it."""
        if self.powered is not None:
            stepper.put(self.powered.memory(self.circuits))

    def given_out(self, tap: Tap, block: FloatArray, ticks: int) -> FloatArray:
        """A block of an output that ends after so many ticks, as it was before lanes went on."""
        if self.powered is None or ticks > self.tick:
            return block
        circuit = self.circuits[0]
        left = (self.tick - ticks) * circuit.paces[tap.section]
        ages_s = (left + np.arange(len(block))[::-1]) / circuit.rate_hz(tap)
        before = self.powered.before(self.circuits, tap, ages_s)
        return np.where(np.isnan(before), block, before)


class _WayDown:
    """From an output's own rate to that of the take.

    Parameters
    ----------
    circuits : one for all lanes or one a lane
    tap : which output
    lanes : int
    sample_rate_hz : of the take
    power : lanes that are switched on
    """

    def __init__(
        self,
        circuits: Sequence[Circuit],
        tap: Tap,
        lanes: int,
        sample_rate_hz: float,
        power: _Power,
    ) -> None:
        factor = circuits[0].rate_hz(tap) / sample_rate_hz
        self._tap, self._lanes, self._power = tap, lanes, power
        self._convert = resampler(sample_rate_hz, factor, lanes, down=True)
        self._rest = np.array([c.sections[tap.section].output_v[tap.row] for c in circuits])
        # Of the first tick only the last step counts, and nothing after the last frame.
        self._skip = circuits[0].paces[tap.section] - 1
        self._blocks: list[FloatArray] = []

    def take(self, stepper: Stepper) -> None:
        """Note what was just stepped."""
        block = stepper.heard(self._tap)[self._skip :]
        self._skip = 0
        self._blocks.append(self._power.given_out(self._tap, block, stepper.ticks))

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
        power: _Power,
    ) -> None:
        def ticks(frames: Sequence[int]) -> list[int]:
            return [frame * ticks_a_frame + 1 for frame in frames]

        self.stepper, self.power = stepper, power
        self.marks, self.enter, self.watch = ticks(marks), ticks(enter), ticks(watch)
        self.waiting = sorted({*self.marks, *self.enter, *self.watch, power.tick} - {-1})
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
            if self.power.tick == now:
                self.power.put(self.stepper)
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
