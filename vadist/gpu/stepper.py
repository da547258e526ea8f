"""The stepper of a graphics card: every lane a thread, program after program."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numba import cuda
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray
from vadist.gpu.cards import step_kernel
from vadist.gpu.kernels import clear, launch
from vadist.gpu.lane_tables import LaneTables
from vadist.gpu.threads import WARP
from vadist.stepping.batch import NEWTON_LIMIT, NEWTON_TOLERANCE_V
from vadist.stepping.circuit import RIPPLE, Tap
from vadist.stepping.ripple import Ripples


def power_of_two(least: int) -> int:
    """Smallest power of two that is no smaller."""
    return 1 << max(least - 1, 1).bit_length()


class DeviceStepper:
    """Pushes blocks of samples through lanes, from the operating point.

    As :class:`vadist.stepping.stepper.Stepper`, but lanes that are alike are not told.

    Parameters
    ----------
    lanes : LaneTables
    columns : (lanes,)
        Column of the input that each lane hears.
    taps : sequence of Tap
        Outputs that will be heard.
    most : int
        Ticks of a block at most.
    kept : int
        Steps of the outputs that stay readable besides those of two blocks: one may be read while
        the next is stepped.
    real : str
        ``float32`` or ``float64``.
    begins : sequence of int, optional
        Sample of the take that each lane begins with; by it the supply ripples.
    """

    def __init__(
        self,
        lanes: LaneTables,
        columns: IndexArray,
        taps: Sequence[Tap],
        most: int,
        kept: int,
        real: str,
        begins: Sequence[int] | None = None,
    ) -> None:
        circuit = self.circuit = lanes.circuit
        self.lanes, self.ticks, self._real = len(lanes), 0, real
        self.stream = cuda.stream()
        self._take = _Ring(most * circuit.entry_pace, int(columns.max()) + 1, real)
        self._ripples = Ripples(lanes.ripples, begins, circuit.sample_rate_hz)
        hums = int(self._ripples.columns.max()) + 1
        self._hum = None
        if circuit.ripple is not None:
            self._hum = _Ring(most * circuit.entry_pace, hums, real)
        self.stuck = cuda.to_device(np.full(self.lanes, -1))
        wanted: list[Tap] = list(dict.fromkeys(taps))
        for number in range(len(circuit.programs)):
            heard = circuit.heard(number)
            wanted += [t for t in heard if t is not None and t.section >= 0 and t not in wanted]
        self.banks: list[_DeviceBank] = []
        own = np.arange(self.lanes)
        for number, sections in enumerate(circuit.programs):
            signals: list[tuple[Any, IndexArray]] = []
            for tap in circuit.heard(number):
                if tap is None:
                    signals.append((self._take.samples, columns))
                elif tap.section == RIPPLE:
                    assert self._hum is not None
                    signals.append((self._hum.samples, self._ripples.columns))
                else:
                    signals.append((self.output(tap), own))
            mine = [tap for tap in wanted if tap.section in sections]
            self.banks.append(_DeviceBank(lanes, number, signals, mine, most, kept, real))

    def output(self, tap: Tap) -> Any:
        """Ring of an output, (steps, lanes), of which step k lies at k modulo its length."""
        for bank in self.banks:
            if tap in bank.rows:
                return bank.y[bank.rows[tap]]
        raise KeyError(tap)

    def process(self, volts: FloatArray) -> None:
        """Advance by a block, (samples, columns) volts of a whole number of ticks."""
        self._take.put(volts, self.stream)
        if self._hum is not None:
            first = self.ticks * self.circuit.entry_pace
            block = self._ripples.block(first, len(volts), getattr(np, self._real))
            self._hum.put(block, self.stream)
        ticks = len(volts) // self.circuit.entry_pace
        for bank in self.banks:
            bank.advance(ticks, self.stuck, self.stream)
        self.ticks += ticks

    def memories(self) -> list[FloatArray]:
        """What the lanes go on from, (memory, lanes), one array a program."""
        self.stream.synchronize()
        return [bank.numbers()[: len(bank.program.memory)] for bank in self.banks]

    def peaks(self) -> dict[str, FloatArray]:
        """Smallest and largest deviation of each stage so far, (2, lanes)."""
        self.stream.synchronize()
        found = {}
        for bank in self.banks:
            numbers = bank.numbers()
            for stage, tap in self.circuit.taps.items():
                if tap.section in bank.sections:
                    part = bank.sections.index(tap.section)
                    rows = bank.program.row_range(part, [f"least{tap.row}", f"most{tap.row}"])
                    found[stage] = numbers[rows]
        return {stage: found[stage] for stage in self.circuit.taps}

    def statistics(self) -> NDArray[np.int64]:
        """(sections, 3): Newton iterations, steps, and zero rescued steps, of all lanes."""
        found = np.zeros((len(self.circuit.sections), 3), dtype=np.int64)
        for bank in self.banks:
            effort = np.asarray(bank.effort.copy_to_host()).sum(axis=1)
            found[list(bank.sections), :2] = effort.reshape(-1, 2)
        return found


class _Ring:
    """Samples that come in from outside, of which only a block's are wanted."""

    def __init__(self, most: int, columns: int, real: str) -> None:
        self.samples = cuda.to_device(np.zeros((power_of_two(most), columns), dtype=real))
        self._real, self._at = real, 0

    def put(self, block: FloatArray, stream: Any) -> None:
        block = np.ascontiguousarray(block, dtype=self._real)
        while len(block):
            room = len(self.samples) - self._at
            part, block = block[:room], block[room:]
            self.samples[self._at : self._at + len(part)].copy_to_device(part, stream)
            self._at = (self._at + len(part)) % len(self.samples)


class _DeviceBank:
    """One program over all lanes."""

    def __init__(
        self,
        lanes: LaneTables,
        number: int,
        signals: Sequence[tuple[Any, IndexArray]],
        taps: Sequence[Tap],
        most: int,
        kept: int,
        real: str,
    ) -> None:
        circuit, self.count = lanes.circuit, len(lanes)
        self.program, table = lanes.reduced(number, real)
        sections = self.sections = circuit.programs[number]
        written = [circuit.written[k] for k in sections]
        place = {k: sum(written[:p]) for p, k in enumerate(sections)}
        found = [place[tap.section] + tap.row for tap in taps]
        every = tuple(range(sum(written)))
        heard = every if self.program.large else tuple(found)
        self.rows = {tap: heard.index(row) for tap, row in zip(taps, found, strict=True)}
        self.groups = math.ceil(self.count / WARP)
        spread = np.zeros((self.groups * WARP, len(table)), dtype=real)
        spread[: self.count] = table.T
        work = spread.reshape(self.groups, WARP, -1).transpose(0, 2, 1)
        self.work = cuda.to_device(np.ascontiguousarray(work).ravel())
        self._ticks, self._before = circuit.ticks(number), 0
        fastest = max((circuit.paces[k] for k in sections), default=1)
        steps = power_of_two(2 * most * fastest + kept)
        shape = (max(len(heard), 1), steps if heard else 1, self.count)
        self.y = _zeros(shape, real)
        self.effort = cuda.to_device(np.zeros((2 * len(self.program.parts), self.count), np.int64))
        told = np.zeros((max(len(signals), 1), self.count), dtype=np.int64)
        for row, (_, columns) in zip(told, signals, strict=False):
            row[:] = columns
        self._columns = cuda.to_device(told)
        self._signals = [ring for ring, _ in signals]
        self._step = step_kernel(self.program, heard).step
        self._tolerance = getattr(np, real)(NEWTON_TOLERANCE_V)

    def numbers(self) -> FloatArray:
        """The workspace as it is now, (rows, lanes)."""
        work = np.asarray(self.work.copy_to_host()).reshape(self.groups, -1, WARP)
        return np.asarray(work.transpose(1, 0, 2).reshape(work.shape[1], -1)[:, : self.count])

    def advance(self, ticks: int, stuck: Any, stream: Any) -> None:
        """Run over a block, of so many ticks of the circuit."""
        ticks *= self._ticks
        self._step[self.groups, WARP, stream](
            self.work, *self._signals, self._columns, self.y, stuck, self.effort, self._before,
            ticks, self._tolerance, NEWTON_LIMIT,
        )  # fmt: skip
        self._before += ticks


def _zeros(shape: tuple[int, ...], real: str) -> Any:
    """Zeros on the card, made there."""
    made = cuda.device_array(shape, dtype=real)
    launch(0, clear, math.prod(shape), made.reshape(math.prod(shape)))
    return made
