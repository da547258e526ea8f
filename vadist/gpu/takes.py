"""A take through lanes on a card, block by block, to tracks at the take's own rate."""

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from numba import cuda

from vadist.arrays import FloatArray, IndexArray
from vadist.errors import UsageError
from vadist.gpu.down import measured_filter, padded, two_stages
from vadist.gpu.kernels import TOGETHER, bring_down, launch
from vadist.gpu.lane_tables import LaneTables
from vadist.gpu.stepper import DeviceStepper, power_of_two
from vadist.stepping.circuit import Tap
from vadist.stepping.resampling import REACH, resampler

FRAMES = 512
"""Frames of the take in a block."""

LEAD = 2 * REACH
"""Frames of silence before a take: what its filters tell ahead of it is stepped as well."""

_LEAST_IN_STAGES = 4

_SPARE = 8
# Frames that a block may bring out more than it is long.

Window = Callable[[int, int], FloatArray]


class DeviceTake:
    """A take on its way through lanes.

    Parameters
    ----------
    lanes : LaneTables
    columns : (lanes,)
        Channel of the take that each lane hears.
    window : callable (first, last) -> (frames, channels) volts
        The take, zero outside its ends.
    frames, sample_rate_hz : of the take
    taps : sequence of Tap
        Outputs to hear.
    depth : int
        Frames of tracks that stay readable besides a block's.
    real : str
        What lanes are stepped in.
    with_rest : bool
        Whether tracks have their DC volts.
    frames_each : int
        Of a block.
    watch : sequence of int
        Ascending frames of the take, from ``-LEAD`` on, at which memories are kept.

    Attributes
    ----------
    tracks : list of (depth + block, lanes)
        One a tap: frame n lies at n modulo the length.
    watched : list of list of (memory, lanes)
        What lanes remembered at the watched frames, one array a program.
    """

    def __init__(
        self,
        lanes: LaneTables,
        columns: IndexArray,
        window: Window,
        frames: int,
        sample_rate_hz: float,
        taps: Sequence[Tap],
        *,
        depth: int = 0,
        real: str = "float32",
        with_rest: bool = False,
        frames_each: int = FRAMES,
        watch: Sequence[int] = (),
    ) -> None:
        circuit = lanes.circuit
        if circuit.entry_pace != 1:
            raise UsageError("--device gpu steps no section more slowly than the take comes in")
        self.factor = round(circuit.sample_rate_hz / sample_rate_hz)
        self.frames, self._window, self._each = frames, window, frames_each
        self._channels = int(columns.max()) + 1
        self._up = resampler(sample_rate_hz, self.factor, self._channels)
        self._most = frames_each * self.factor
        paces = [circuit.paces[tap.section] for tap in taps]
        kept = max((_steps_kept(sample_rate_hz, self.factor * pace) for pace in paces), default=0)
        begins = [-LEAD * self.factor] * len(lanes)
        self.stepper = DeviceStepper(lanes, columns, taps, self._most, kept, real, begins)
        self.stream = cuda.stream()
        self._ways = [
            _Way(
                self.stepper.output(tap), pace, self.factor * pace, sample_rate_hz,
                lanes.rest_v[tap] if with_rest else np.zeros(len(lanes)), depth, frames_each,
            )
            for tap, pace in zip(taps, paces, strict=True)
        ]  # fmt: skip
        self.tracks = [way.track for way in self._ways]
        # A frame is heard with the step after its first.
        self._watch = deque((frame + LEAD) * self.factor + 1 for frame in watch)
        self.watched: list[list[FloatArray]] = []

    def blocks(self) -> Iterator[tuple[int, int]]:
        """Step the take; yields the first frame and the number of frames that tracks will have.

        They are there for what is launched in ``stream``, which goes on while the next are stepped.
        """
        done, last, heard = 0, self.frames + REACH, deque[Any]()
        for first in range(-LEAD, last, self._each):
            until = min(first + self._each, last)
            volts = np.zeros((until - first, self._channels))
            volts[:] = self._window(first, until)[:, : self._channels]
            fast = self._up(volts, until == last)
            while len(fast):
                while len(heard) > 1:
                    heard.popleft().synchronize()
                count = self._until_watched(min(len(fast), self._most))
                block, fast = fast[:count], fast[count:]
                self.stepper.process(block)
                stepped = cuda.event()
                stepped.record(self.stepper.stream)
                stepped.wait(self.stream)
                ready = min((way.ready(self.stepper.ticks) for way in self._ways), default=0)
                ready = min(ready, self.frames)
                for way in self._ways:
                    way.bring_down(self.stream, self.stepper.ticks, done, ready - done)
                if ready > done:
                    yield done, ready - done
                    done = ready
                heard.append(cuda.event())
                heard[-1].record(self.stream)
        cuda.synchronize()

    def _until_watched(self, ticks: int) -> int:
        """Ticks until memories are wanted, no more than so many; keeps those that are due."""
        now = self.stepper.ticks
        if self._watch and self._watch[0] == now:
            self._watch.popleft()
            self.watched.append(self.stepper.memories())
        return min(ticks, self._watch[0] - now) if self._watch else ticks


def _steps_kept(sample_rate_hz: float, factor: int) -> int:
    """Steps that the filters down want to find of the past."""
    return len(measured_filter(sample_rate_hz, factor)) + 2 * TOGETHER * factor


class _Way:
    """From the steps of an output to a track.

    Parameters
    ----------
    steps : (steps, lanes) ring on the card
    pace : of them in a tick
    factor : of them in a frame
    sample_rate_hz : float
    rest : (lanes,) added to every frame
    depth, block : frames of the track
    """

    def __init__(
        self,
        steps: Any,
        pace: int,
        factor: int,
        sample_rate_hz: float,
        rest: FloatArray,
        depth: int,
        block: int,
    ) -> None:
        self._lanes, self._pace = len(rest), pace
        self.track = cuda.device_array((depth + block + _SPARE, len(rest)))
        # The first tick ends with the first sample.
        shift = LEAD * factor + pace - 1
        if factor < _LEAST_IN_STAGES:
            stages = [(steps, measured_filter(sample_rate_hz, factor), shift, factor, rest)]
        else:
            wide, sharp = two_stages(sample_rate_hz, factor)
            room = power_of_two(len(sharp) + 2 * (block + _SPARE))
            self._middle = cuda.device_array((room, len(rest)))
            stages = [
                (steps, wide, shift, factor // 2, np.zeros(len(rest))),
                (self._middle, sharp, 0, 2, rest),
            ]
        self._stages = [
            (
                source,
                len(taps) // 2,
                cuda.to_device(padded(taps, by)),
                shift,
                by,
                cuda.to_device(dc),
            )
            for source, taps, shift, by, dc in stages
        ]
        self._begun = -self._stages[-1][1]

    def ready(self, ticks: int) -> int:
        """Frames there can be after so many ticks."""
        there = ticks * self._pace
        for _, half, _, shift, by, _ in self._stages:
            # Sample n wants those before it up to shift + n by + half.
            there = (there - 1 - half - shift) // by + 1
        return max(there, 0)

    def bring_down(self, stream: Any, ticks: int, first: int, count: int) -> None:
        """Make frames of the track."""
        if len(self._stages) > 1:
            _, half, _, shift, by, _ = self._stages[0]
            until = (ticks * self._pace - 1 - half - shift) // by + 1
            if until > self._begun:
                self._launch(stream, 0, self._begun, until - self._begun, self._middle)
                self._begun = until
        if count > 0:
            self._launch(stream, -1, first, count, self.track)

    def _launch(self, stream: Any, stage: int, first: int, count: int, into: Any) -> None:
        source, _, taps, shift, by, dc = self._stages[stage]
        pieces = math.ceil(count / TOGETHER) * self._lanes
        launch(stream, bring_down, pieces, source, taps, first, shift, by, count, dc, into)


def bytes_a_lane(lanes: LaneTables, taps: int, factor: int, depth: int, real: str) -> float:
    """Memory of a card that one lane takes, about."""
    size = 4 if real == "float32" else 8
    rows = sum(len(table) for table in lanes.tables)
    fastest = max(lanes.circuit.paces, default=1)
    steps = power_of_two(factor * fastest * (2 * FRAMES + 2 * REACH))
    return size * (rows + taps * steps) + 8.0 * taps * (depth + 4 * FRAMES)


def copied(array: Any) -> FloatArray:
    """Numbers brought back from a card."""
    return np.asarray(array.copy_to_host())
