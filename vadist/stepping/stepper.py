"""The stepper that pushes lanes through a circuit, section after section.

Sections never act back on those before them. So each section runs once for all lanes that are
alike up to there: candidates that differ in a late part share everything before it.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray
from vadist.kernel.structure import Program
from vadist.stepping.batch import LANES, REAL, Batch, Bundle, StepError
from vadist.stepping.circuit import RIPPLE, Circuit, Tap
from vadist.stepping.ripple import Ripples


class Stepper:
    """Pushes blocks of samples through circuits, all lanes at once, from the operating point.

    Parameters
    ----------
    circuits : sequence of Circuit
        One for all lanes, or one for each lane; all of one structure.
    lanes : int
    columns : sequence of int, optional
        Column of the input that each lane hears; its own by default.
    enter : sequence of sequence of (memory, lanes)
        What :meth:`enter` will put the lanes into, time by time, one array a program; NaN leaves
        a number as it is.
    real : type
        What lanes are stepped in.
    begins : sequence of int, optional
        Sample of the take, at the rate at which it comes in, that each lane begins with: by it the
        supply ripples. Without it the supply is still.
    """

    def __init__(
        self,
        circuits: Sequence[Circuit],
        lanes: int,
        columns: Sequence[int] | None = None,
        enter: Sequence[Sequence[FloatArray]] = (),
        real: type = REAL,
        begins: Sequence[int] | None = None,
    ) -> None:
        self._real = real
        every = list(circuits) if len(circuits) > 1 else list(circuits) * lanes
        self.circuit, self.lanes, self.ticks = circuits[0], lanes, 0
        self._last = 0
        heard = np.arange(lanes) if columns is None else np.asarray(columns)
        count = int(heard.max()) + 1
        self._take = _Outlet(np.zeros(lanes, dtype=int), heard, [count], [count])
        self._ripples = Ripples([c.ripple for c in every], begins, circuits[0].sample_rate_hz)
        hums = int(self._ripples.columns.max()) + 1
        self._hum = _Outlet(np.zeros(lanes, dtype=int), self._ripples.columns, [hums], [hums])
        self._enter = enter
        self._banks: list[_Bank] = []
        self._home = {
            k: (number, place)
            for number, own in enumerate(self.circuit.programs)
            for place, k in enumerate(own)
        }
        for number in range(len(self.circuit.programs)):
            feeds = [self._feed(tap) for tap in self.circuit.heard(number)]
            entered = [states[number] for states in enter]
            self._banks.append(_Bank(every, number, feeds, entered, real, begins or [0] * lanes))

    def _feed(self, tap: Tap | None) -> "Feed":
        """Where a signal is found, its row there and its samples in a tick."""
        if tap is None:
            return self._take, 0, self.circuit.entry_pace
        if tap.section == RIPPLE:
            return self._hum, 0, self.circuit.entry_pace
        number, _ = self._home[tap.section]
        return self._banks[number].outlet, self._row(tap), self.circuit.paces[tap.section]

    def _row(self, tap: Tap) -> int:
        """Row of an output among all that its program writes."""
        number, place = self._home[tap.section]
        before = self.circuit.programs[number][:place]
        return sum(self.circuit.written[k] for k in before) + tap.row

    def process(self, volts: FloatArray) -> None:
        """Advance by a block.

        Parameters
        ----------
        volts : (samples, columns)
            Input volts, for a whole number of ticks.

        Raises
        ------
        StepError
            Naming the stages, the time and the residual of the first sample without a solution.
        """
        take = np.require(volts, dtype=self._real, requirements=["C", "W"])
        self._take.blocks = [take[None]]
        if self.circuit.ripple is not None:
            first = self.ticks * self.circuit.entry_pace
            self._hum.blocks = [self._ripples.block(first, len(take), self._real)[None]]
        ticks = len(take) // self.circuit.entry_pace
        for bank in self._banks:
            bank.advance(ticks)
        self._last = ticks
        self.ticks += ticks

    def heard(self, tap: Tap, out: FloatArray | None = None) -> FloatArray:
        """Deviations from rest over the last block, (samples, lanes) volts."""
        outlet = self._banks[self._home[tap.section][0]].outlet
        steps = self._last * self.circuit.paces[tap.section]
        if out is None:
            out = np.empty((steps, self.lanes))
        outlet.copy(self._row(tap), outlet.everything, out)
        return out

    def states(self) -> list[FloatArray]:
        """Copies of what the lanes go on from, (memory, lanes), one array a program."""
        return [bank.outlet.gather([b.memory for b in bank.batches]) for bank in self._banks]

    def snapshot(self) -> "Snapshot":
        """Copies of the states as they lie, for :meth:`developed`."""
        return [[batch.memory.copy() for batch in bank.batches] for bank in self._banks]

    def developed(self, snapshots: Sequence["Snapshot"]) -> list[FloatArray]:
        """Snapshots as :meth:`states` has them, (snapshots, states, lanes), one array a program."""
        return [
            bank.outlet.gather([np.stack(batch) for batch in zip(*every, strict=True)])
            for bank, every in zip(self._banks, zip(*snapshots, strict=True), strict=True)
        ]

    def enter(self, which: int) -> None:
        """Put the lanes into what they are to enter, one of the times that were announced."""
        self.put(self._enter[which])

    def put(self, memories: Sequence[FloatArray]) -> None:
        """Have lanes go on from memories, (memory, lanes), one array a program, but where NaN.

        Lanes that are alike must be given alike ones.
        """
        for bank, states in zip(self._banks, memories, strict=True):
            for batch, lanes in zip(bank.batches, bank.lanes, strict=True):
                wanted = states[:, lanes]
                np.copyto(batch.memory, wanted, where=~np.isnan(wanted))

    def reset_peaks(self) -> None:
        """Forget the smallest and largest volts seen so far."""
        for bank in self._banks:
            for batch in bank.batches:
                for part in range(bank.parts):
                    batch.extremes(part)[:] = 0.0

    def peaks(self) -> dict[str, FloatArray]:
        """Smallest and largest deviation of each stage since the last reset, (2, lanes)."""
        found = {}
        for stage, tap in self.circuit.taps.items():
            number, place = self._home[tap.section]
            bank = self._banks[number]
            every = [batch.extremes(place)[tap.row] for batch in bank.batches]
            found[stage] = bank.outlet.gather(every)
        return found

    def statistics(self) -> NDArray[np.int64]:
        """(sections, 3): Newton iterations, steps, rescued lane-steps."""
        every = [sum(b.statistics for b in bank.batches) for bank in self._banks]
        found = np.concatenate(every)
        found[list(self._home)] = found.copy()
        return found


def zeros_of(bundles: Sequence[Bundle]) -> list[frozenset[int]]:
    """Positions of coefficients that are zero in all bundles, of each of their sections."""
    every = zip(*(bundle.sections for bundle in bundles), strict=True)
    return [
        frozenset(np.flatnonzero(~np.any([s.nonzero for s in same], axis=0)).tolist())
        for same in every
    ]


def turning_of(bundles: Sequence[Bundle]) -> list[frozenset[int]]:
    """Positions of coefficients that change along the take in any, of each of their sections."""
    every = zip(*(bundle.sections for bundle in bundles), strict=True)
    return [
        frozenset(k for s in same if s.turns for k in np.flatnonzero(s.nonzero).tolist())
        for same in every
    ]


def programs_of(
    circuits: Sequence[Circuit], widths: Sequence[int], real: type = REAL
) -> list[Program]:
    """Programs that lanes of these circuits, all of one structure, will want; large ones first."""
    found = []
    for number in range(len(circuits[0].programs)):
        bundles = [c.bundle(number) for c in circuits]
        zeros, turning = zeros_of(bundles), turning_of(bundles)
        for width in widths:
            found.append(circuits[0].program(number, width, real.__name__, zeros, turning))
    return sorted(found, key=lambda program: -len(program.rows))


Snapshot = list[list[FloatArray]]
"""States of every batch of every section, (states, width)."""

Index = slice | IndexArray
Piece = tuple[int, Index, Index]
"""Block, columns to read in it, columns to write."""


class _Outlet:
    """Where the volts of every lane are found, in blocks of (rows, samples, width).

    Attributes
    ----------
    block, column : (lanes,)
    lanes, widths : of each block: unlike lanes in it, and columns, spare ones included
    """

    def __init__(
        self, block: IndexArray, column: IndexArray, lanes: list[int], widths: list[int]
    ) -> None:
        self.block, self.column, self.lanes, self.widths = block, column, lanes, widths
        self.blocks: list[FloatArray] = []
        self.everything = self.pieces(np.arange(len(block)))

    def pieces(self, lanes: IndexArray) -> list[Piece]:
        """What to copy from where to have some lanes side by side."""
        found: list[Piece] = []
        for block in np.unique(self.block[lanes]):
            into = np.flatnonzero(self.block[lanes] == block)
            found.append((int(block), _index(self.column[lanes[into]]), _index(into)))
        return found

    def copy(self, row: int, pieces: list[Piece], out: FloatArray) -> None:
        """Copy as many of a row's samples as there is room for, (samples, lanes)."""
        for block, columns, into in pieces:
            out[:, into] = self.blocks[block][row][: len(out), columns]

    def lies_ready(self, lanes: IndexArray, count: int) -> bool:
        """Whether one block holds just these lanes as they are wanted, ``count`` unlike ones."""
        block, column = self.block[lanes], self.column[lanes]
        return bool(
            (block == block[0]).all()
            and self.widths[block[0]] == len(lanes)
            and self.lanes[block[0]] == count
            and (column[:count] == np.arange(count)).all()
        )

    def gather(self, arrays: Sequence[FloatArray]) -> FloatArray:
        """Every lane's column of (..., width) arrays, one a block; a copy, (..., lanes)."""
        first = np.cumsum([0, *self.widths])[self.block]
        return np.concatenate(arrays, axis=-1)[..., first + self.column]


def _index(columns: IndexArray) -> Index:
    """Ascending neighbours, or one column over and over, as a slice, which copies faster."""
    first = int(columns[0])
    if (columns == first).all():
        return slice(first, first + 1)
    if (np.diff(columns) == 1).all():
        return slice(first, first + len(columns))
    return columns


Feed = tuple[_Outlet, int, int]
"""Outlet, row, and samples in a tick of the circuit."""


class _Bank:
    """One program over all lanes that are unlike one another, in batches.

    Lanes are alike if their coefficients, what feeds them and what they will enter are the same.

    Parameters
    ----------
    circuits : sequence of Circuit
        One a lane.
    number : int
        Which of their programs.
    feeds : sequence of Feed, one a signal
    enter : sequence of (memory, lanes)
    real : type
    begins : sequence of int
        Sample of the take that each lane begins with.
    """

    def __init__(
        self,
        circuits: Sequence[Circuit],
        number: int,
        feeds: Sequence[Feed],
        enter: Sequence[FloatArray],
        real: type,
        begins: Sequence[int],
    ) -> None:
        bundles = [circuit.bundle(number) for circuit in circuits]
        place: dict[object, int] = {}
        every: list[int] = []
        first: list[int] = []
        for lane, bundle in enumerate(bundles):
            heard = tuple((int(o.block[lane]), int(o.column[lane])) for o, _, _ in feeds)
            entered = b"".join(states[:, lane].tobytes() for states in enter)
            begun = begins[lane] if bundle.turns else 0
            every.append(place.setdefault((bundle.key, heard, entered, begun), len(place)))
            if every[-1] == len(first):
                first.append(lane)
        groups = [first[k : k + LANES] for k in range(0, len(first), LANES)]
        self.parts = len(bundles[0].sections)
        unlike = [bundles[lane] for lane in first]
        zeros, turning = zeros_of(unlike), turning_of(unlike)
        self._ticks = circuits[0].ticks(number)
        self.batches = [
            Batch(
                [bundles[lane] for lane in group],
                circuits[0].program(
                    number, 1 if len(group) == 1 else LANES, real.__name__, zeros, turning
                ),
                [begins[lane] for lane in group],
                (circuits[0].entry_pace, self._ticks),
            )
            for group in groups
        ]
        self.lanes = [
            np.array(group)[batch.spread] for group, batch in zip(groups, self.batches, strict=True)
        ]
        self.outlet = _Outlet(
            np.array(every) // LANES,
            np.array(every) % LANES,
            [b.lanes for b in self.batches],
            [b.width for b in self.batches],
        )
        self._feeds = feeds
        self._ready = [
            len(feeds) == 1 and feeds[0][0].lies_ready(lanes, batch.lanes)
            for lanes, batch in zip(self.lanes, self.batches, strict=True)
        ]
        self._pieces = [[outlet.pieces(lanes) for outlet, _, _ in feeds] for lanes in self.lanes]

    def advance(self, ticks: int) -> None:
        """Run every batch over the block that the feeds hold, of so many ticks of the circuit."""
        counts = [ticks * pace for _, _, pace in self._feeds]
        for batch, lanes, ready, pieces in zip(
            self.batches, self.lanes, self._ready, self._pieces, strict=True
        ):
            if ready:
                outlet, row, _ = self._feeds[0]
                u = outlet.blocks[outlet.block[lanes[0]]][row : row + 1]
            else:
                u = batch.inputs(max(counts, default=0))
                for k, (outlet, row, _) in enumerate(self._feeds):
                    outlet.copy(row, pieces[k], u[k, : counts[k]])
            try:
                batch.advance(u, ticks * self._ticks)
            except StepError as error:
                raise error.seen_from(int(lanes[error.lane])) from None
        self.outlet.blocks = [batch.written for batch in self.batches]
