"""The stepper that pushes lanes through a circuit, section after section.

Sections never act back on those before them. So each section runs once for all lanes that are
alike up to there: candidates that differ in a late part share everything before it.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray
from vadist.stepping.batch import LANES, REAL, Batch, StepError
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.discretize import DiscreteSection


class Stepper:
    """Pushes blocks of samples through circuits, all lanes at once, from the operating point.

    Parameters
    ----------
    circuits : sequence of Circuit
        One for all lanes, or one for each lane; all of one structure.
    lanes : int
    columns : sequence of int, optional
        Column of the input that each lane hears; its own by default.
    enter : sequence of (states, lanes), optional
        Volts that :meth:`enter` will put the states into, one array a section; NaN leaves one as
        it is.
    real : type
        What lanes are stepped in.
    """

    def __init__(
        self,
        circuits: Sequence[Circuit],
        lanes: int,
        columns: Sequence[int] | None = None,
        enter: Sequence[FloatArray] | None = None,
        real: type = REAL,
    ) -> None:
        self._real = real
        every = list(circuits) if len(circuits) > 1 else list(circuits) * lanes
        self.circuit, self.lanes, self.ticks = circuits[0], lanes, 0
        heard = np.arange(lanes) if columns is None else np.asarray(columns)
        count = int(heard.max()) + 1
        self._take = _Outlet(np.zeros(lanes, dtype=int), heard, [count], [count])
        self._enter = enter
        self._banks: list[_Bank] = []
        for k, written in enumerate(self.circuit.written):
            feeds = [
                (self._take, 0) if tap is None else (self._banks[tap.section].outlet, tap.row)
                for tap in self.circuit.inputs[k]
            ]
            states = None if enter is None else enter[k]
            beat = self.circuit.beat(k)
            self._banks.append(
                _Bank([c.sections[k] for c in every], written, feeds, beat, states, real)
            )

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
        ticks = len(take) // self.circuit.entry_pace
        for bank, pace in zip(self._banks, self.circuit.paces, strict=True):
            bank.advance(ticks * pace)
        self.ticks += ticks

    def heard(self, tap: Tap, out: FloatArray | None = None) -> FloatArray:
        """Deviations from rest over the last block, (samples, lanes) volts."""
        outlet = self._banks[tap.section].outlet
        if out is None:
            out = np.empty((outlet.blocks[0].shape[1], self.lanes))
        outlet.copy(tap.row, outlet.everything, out)
        return out

    def states(self) -> list[FloatArray]:
        """Copies of what the lanes go on from, (memory, lanes), one array a section."""
        return [bank.outlet.gather([b.states for b in bank.batches]) for bank in self._banks]

    def snapshot(self) -> "Snapshot":
        """Copies of the states as they lie, for :meth:`developed`."""
        return [[batch.states.copy() for batch in bank.batches] for bank in self._banks]

    def developed(self, snapshots: Sequence["Snapshot"]) -> list[FloatArray]:
        """Snapshots as :meth:`states` has them, (snapshots, states, lanes), one array a section."""
        return [
            bank.outlet.gather([np.stack(batch) for batch in zip(*every, strict=True)])
            for bank, every in zip(self._banks, zip(*snapshots, strict=True), strict=True)
        ]

    def enter(self) -> None:
        """Put the sections into the states to be entered."""
        if self._enter is None:
            return
        for bank, states in zip(self._banks, self._enter, strict=True):
            for batch, lanes in zip(bank.batches, bank.lanes, strict=True):
                wanted = states[:, lanes]
                np.copyto(batch.states, wanted, where=~np.isnan(wanted))

    def reset_peaks(self) -> None:
        """Forget the smallest and largest volts seen so far."""
        for bank in self._banks:
            for batch in bank.batches:
                batch.extremes[:] = 0.0

    def peaks(self) -> dict[str, FloatArray]:
        """Smallest and largest deviation of each stage since the last reset, (2, lanes)."""
        found = [bank.outlet.gather([b.extremes for b in bank.batches]) for bank in self._banks]
        return {stage: found[tap.section][tap.row] for stage, tap in self.circuit.taps.items()}

    def statistics(self) -> NDArray[np.int64]:
        """(sections, 3): Newton iterations, samples, rescued lane-samples."""
        return np.array([sum(b.statistics for b in bank.batches) for bank in self._banks])


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
        """Copy a row's samples into (samples, lanes)."""
        for block, columns, into in pieces:
            out[:, into] = self.blocks[block][row][:, columns]

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


class _Bank:
    """One section over all lanes that are unlike one another, in batches.

    Lanes are alike if their coefficients, what feeds them and what they will enter are the same.

    Parameters
    ----------
    sections : sequence of DiscreteSection
        One a lane.
    written : int
    feeds : sequence of (outlet, row), one a signal
    beat : steps of a beat, and samples of each signal
    enter : (memory, lanes), optional
    """

    def __init__(
        self,
        sections: Sequence[DiscreteSection],
        written: int,
        feeds: Sequence[tuple[_Outlet, int]],
        beat: tuple[int, tuple[int, ...]],
        enter: FloatArray | None,
        real: type,
    ) -> None:
        place: dict[object, int] = {}
        every: list[int] = []
        first: list[int] = []
        for lane, section in enumerate(sections):
            heard = tuple((int(o.block[lane]), int(o.column[lane])) for o, _ in feeds)
            entered = b"" if enter is None else enter[:, lane].tobytes()
            every.append(place.setdefault((section.key, heard, entered), len(place)))
            if every[-1] == len(first):
                first.append(lane)
        groups = [first[k : k + LANES] for k in range(0, len(first), LANES)]
        used = np.any([sections[lane].coefficients for lane in first], axis=0)
        zeros = frozenset(np.flatnonzero(~used).tolist())
        self.batches = [
            Batch([sections[lane] for lane in group], written, beat, zeros, real)
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
        self._feeds, self._beat = feeds, beat
        self._ready = [
            len(feeds) == 1 and feeds[0][0].lies_ready(lanes, batch.lanes)
            for lanes, batch in zip(self.lanes, self.batches, strict=True)
        ]
        self._pieces = [[outlet.pieces(lanes) for outlet, _ in feeds] for lanes in self.lanes]

    def advance(self, steps: int) -> None:
        """Run every batch over the block that the feeds hold."""
        beats = steps // self._beat[0]
        counts = [beats * samples for samples in self._beat[1]]
        for batch, lanes, ready, pieces in zip(
            self.batches, self.lanes, self._ready, self._pieces, strict=True
        ):
            if ready:
                outlet, row = self._feeds[0]
                u = outlet.blocks[outlet.block[lanes[0]]][row : row + 1]
            else:
                u = batch.inputs(max(counts, default=0))
                for k, (outlet, row) in enumerate(self._feeds):
                    outlet.copy(row, pieces[k], u[k, : counts[k]])
            try:
                batch.advance(u, beats)
            except StepError as error:
                raise error.seen_from(int(lanes[error.lane])) from None
        self.outlet.blocks = [batch.written for batch in self.batches]
