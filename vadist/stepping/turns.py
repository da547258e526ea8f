"""Coefficients that change along a take, as the kernel is told of them.

Between two samples at which they are known they go along a line: the kernel adds a number to each
with every step. What moves states, over a step, is taken as it is in the middle of the step; what
tells volts, at its end, as it is there. So what is left is of the second order, in the step as
well as in the length of the lines.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray


@dataclass(frozen=True)
class Turns:
    """How the coefficients of a section change along a take.

    Attributes
    ----------
    samples : (k,)
        Ascending samples of the take, at the rate at which it comes in, at which they are known.
        Of two that are the same the first is how they were up to it, the second how they are
        from there on: a contact that opens. Outside of all they stay as they are at the ends.
    values : (k, coefficients)
    """

    samples: IndexArray
    values: FloatArray

    @property
    def key(self) -> tuple[bytes, ...]:
        """What two share that are alike."""
        return (self.samples.tobytes(), self.values.tobytes())


@dataclass(frozen=True)
class Turned:
    """Coefficients of one part of a program in one column of its workspace.

    Attributes
    ----------
    turns : Turns
    column : int
    begins : int
        Sample of the take with which the column's first tick ends, less those of a tick but one.
    places, rows, rates : (n,)
        Of those that change: position among all, and rows of their values and of what is added.
    midway : (n,) bool
        Which are wanted as they are in the middle of a step.
    steps : int
        In a tick.
    """

    turns: Turns
    column: int
    begins: int
    places: IndexArray
    rows: list[int]
    rates: list[int]
    midway: NDArray[np.bool_]
    steps: int


class Turner:
    """Writes into a workspace what a kernel adds from step to step.

    Parameters
    ----------
    every : sequence of Turned
    samples : int
        Of a tick of the circuit.
    ticks : int
        Of the program in one of the circuit.
    """

    def __init__(self, every: Sequence[Turned], samples: int, ticks: int) -> None:
        self._due: dict[int, list[tuple[Turned, int, int, int]]] = {}
        for turned in every:
            at = ((turned.turns.samples - turned.begins + 1) * ticks // samples).tolist()
            self._note(turned, -1, 0, 0)
            for k in range(len(at) - 1):
                if at[k + 1] > max(at[k], 0):
                    self._note(turned, k, at[k], at[k + 1])
            self._note(turned, -2, at[-1], at[-1])
        self._waiting = sorted(self._due)

    def _note(self, turned: Turned, line: int, first: int, last: int) -> None:
        """A line that begins with one tick and ends with another; -1 and -2: still, at an end."""
        self._due.setdefault(max(first, 0), []).append((turned, line, first, last))

    def stretches(self, first: int, last: int, table: FloatArray) -> Iterator[tuple[int, int]]:
        """First and last tick of each stretch of some ticks, its numbers put into the workspace."""
        while first < last:
            while self._waiting and self._waiting[0] <= first:
                now = self._waiting.pop(0)
                for turned, line, begin, end in self._due.pop(now):
                    _write(table, turned, line, now - begin, end - begin)
            until = min(self._waiting[0], last) if self._waiting else last
            yield first, until
            first = until


def _write(table: FloatArray, turned: Turned, line: int, gone: int, ticks: int) -> None:
    """Put a line into a workspace, as it is so many of its ticks behind its beginning."""
    values, places = turned.turns.values, turned.places
    if line < 0:
        table[turned.rows, turned.column] = values[0 if line == -1 else -1, places]
        table[turned.rates, turned.column] = 0.0
        return
    before, after = values[line, places], values[line + 1, places]
    slope = (after - before) / (ticks * turned.steps)
    table[turned.rows, turned.column] = before + (gone * turned.steps - 0.5 * turned.midway) * slope
    table[turned.rates, turned.column] = slope
