"""Many numbers along the ticks of a take, followed by lines as few as the wanted error allows.

What the numbers are is dear to ask. So between corners they are read off polynomials through the
Chebyshev points (J.-P. Berrut and L. N. Trefethen, SIAM Review 46(3), 2004: the barycentric
formula), each over a piece that is halved until the polynomial holds between its points, too. Lines
then go from tick to tick of those; one is halved until it is off, in its middle, by no more than
:data:`OFF_LINE` of the largest number in its row, or is a tick long.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

import numpy as np

from vadist.arrays import FloatArray, IndexArray

OFF_LINE, OFF_LINE_HZ = 1e-5, 384e3
"""Largest error of a line, and the oversampled rate it is for: it falls with the rate's square, as
the error of the steps does, so that a finer run is finer in everything."""

_ROUNDING = 1e-14
# Numbers are of volts in a step: what is off by less is rounding.

_CURVE_SHARE = 0.1
# Of a line's error, that a polynomial may have.

_DEGREE = 8
_NODES = -np.cos(math.pi * np.arange(_DEGREE + 1) / _DEGREE)
_WEIGHTS = (-1.0) ** np.arange(_DEGREE + 1) * np.where(np.abs(_NODES) == 1.0, 0.5, 1.0)
_TRIED = tuple(-math.cos(math.pi * (k + 0.5) / _DEGREE) for k in (0, _DEGREE // 2))
# Between its first points, and between its middle ones, a polynomial is looked at.

_LEAST_LINES = 4
# Of what moves: halves alone could agree by chance.

Found = Callable[[float, bool], FloatArray]
_Known = tuple[int, FloatArray]
# A tick, and the numbers there.


def followed(
    found: Found,
    breaks: Sequence[int],
    bends: Sequence[float],
    rows: IndexArray,
    tick_hz: float,
    jumping: FloatArray,
) -> tuple[IndexArray, FloatArray]:
    """Ticks at which lines meet, and the numbers there.

    Parameters
    ----------
    found : callable (tick, after) -> (numbers,)
        Numbers at a tick; at one of ``breaks``, before it or after it.
    breaks : sequence of int
        Ascending ticks, between which the numbers are continuous; before the first and behind
        the last they stay as they are.
    bends : sequence of float
        Ascending places at which they turn a corner.
    rows : (numbers,)
        Row in which each number stands, ascending.
    tick_hz : float
    jumping : (numbers,)
        Share of a jump that is made by the tick that ends with it, in the tick's last step.

    Returns
    -------
    (lines + 1,), (lines + 1, numbers)
        Of two ticks that are the same the first is before it and the second after it.
    """
    tolerance = OFF_LINE * min((OFF_LINE_HZ / tick_hz) ** 2, 1.0)
    begin = found(breaks[0], False)
    known: list[_Known] = [(breaks[0], begin)]

    def jump(early: FloatArray, after: FloatArray) -> None:
        """Have the last tick lead to where a jump begins, and go on from where it ends."""
        tick, before = known.pop()
        if (before != after).any():
            if not known or known[-1][0] < tick - 1:
                known.append((tick - 1, early))
            before = before + jumping * (after - before)
        known.extend([(tick, before), (tick, after)])

    early = begin
    for here, there in pairwise(breaks):
        corners = [float(here), *(b for b in bends if here < b < there), float(there)]
        stretch = _Stretch(found, corners, rows, tolerance)
        first, *lines = stretch.lines()
        jump(early, first[1])
        known += lines
        early = stretch.at(there - 1)
    jump(early, found(breaks[-1], True))
    return np.array([tick for tick, _ in known]), np.array([each for _, each in known])


class _Stretch:
    """Numbers between two breaks, and the ticks between which they lie on lines."""

    def __init__(
        self, found: Found, corners: list[float], rows: IndexArray, tolerance: float
    ) -> None:
        self._found, self._tolerance = found, tolerance
        self._begins = np.flatnonzero(np.diff(rows, prepend=-1))
        self._widths = np.diff(self._begins, append=len(rows))
        self._first, self._last = corners[0], corners[-1]
        self._ends: list[float] = []
        self._curves: list[tuple[float, float, FloatArray]] = []
        middle = 0.5 * (corners[0] + corners[-1])
        begin = found(corners[0], True)
        still = all((begin == self._exact(at)).all() for at in (middle, corners[-1]))
        for low, high in pairwise(corners):
            self._add(low, high, still=still)

    def lines(self) -> Iterator[tuple[int, FloatArray]]:
        """Ticks of the whole stretch at which lines meet, its ends included, and numbers there."""
        first, last = int(self._first), int(self._last)
        longest = max((last - first) // _LEAST_LINES, 1)
        if len(self._curves) == 1 and not np.ptp(self._curves[0][2], axis=0).any():
            longest = last - first
        begin, end = (first, self.at(first)), (last, self.at(last))
        yield begin
        yield from self._between(begin, end, longest)
        yield end

    def at(self, tick: int) -> FloatArray:
        """Numbers at a tick, off the polynomial it lies on."""
        k = int(np.searchsorted(self._ends, tick)) if tick > self._first else 0
        low, high, values = self._curves[min(k, len(self._curves) - 1)]
        return _read(values, (2.0 * tick - low - high) / (high - low))

    def _exact(self, tick: float) -> FloatArray:
        return self._found(tick, tick == self._first)

    def _add(self, low: float, high: float, *, still: bool) -> None:
        """Polynomials from one place to another."""
        places = 0.5 * (low + high) + 0.5 * (high - low) * _NODES
        places[0], places[-1] = low, high
        asked = places[:1].repeat(len(places)) if still else places
        values = np.array([self._exact(float(place)) for place in asked])
        tried = [] if still or high - low <= 1.0 else _TRIED
        for t in tried:
            exact = self._exact(0.5 * (low + high) + 0.5 * (high - low) * t)
            if not self._fits(_read(values, t), exact, values, _CURVE_SHARE):
                middle = 0.5 * (low + high)
                self._add(low, middle, still=False)
                self._add(middle, high, still=False)
                return
        self._curves.append((low, high, values))
        self._ends.append(high)

    def _between(self, first: _Known, last: _Known, longest: int) -> Iterator[_Known]:
        """Where, between two ticks, a line ends and the next one begins."""
        ticks = last[0] - first[0]
        if ticks < 2:
            return
        place = first[0] + ticks // 2
        middle = place, self.at(place)
        line = first[1] + (ticks // 2) / ticks * (last[1] - first[1])
        near = np.array([first[1], last[1]])
        if ticks <= longest and self._fits(line, middle[1], near, 1.0):
            return
        yield from self._between(first, middle, longest)
        yield middle
        yield from self._between(middle, last, longest)

    def _fits(self, taken: FloatArray, exact: FloatArray, near: FloatArray, share: float) -> bool:
        """Whether numbers are as near as they are wanted, against the largest of their rows."""
        largest = np.abs(near).max(axis=0)
        sizes = np.maximum.reduceat(largest, self._begins).repeat(self._widths)
        allowed = share * self._tolerance * sizes + _ROUNDING
        return bool((np.abs(taken - exact) <= allowed).all())


def _read(values: FloatArray, t: float) -> FloatArray:
    """A polynomial at -1..1, by the barycentric formula."""
    away = t - _NODES
    on = np.flatnonzero(away == 0.0)
    if len(on):
        return np.asarray(values[on[0]])
    weights = _WEIGHTS / away
    return np.asarray(weights @ values / weights.sum())
