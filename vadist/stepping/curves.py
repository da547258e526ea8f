"""Many numbers along the frames of a take, followed by lines as few as the wanted error allows.

What the numbers are is dear to ask. So between corners they are read off polynomials through the
Chebyshev points (J.-P. Berrut and L. N. Trefethen, SIAM Review 46(3), 2004: the barycentric
formula), each over a piece that is halved until the polynomial holds between its points, too. Lines
then go from frame to frame of those; one is halved until it is off, in its middle, by no more than
:data:`OFF_LINE` of the largest number in its row, or is a frame long.
"""

import math
from collections.abc import Callable, Sequence
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


def followed(
    found: Found,
    breaks: Sequence[int],
    bends: Sequence[float],
    rows: IndexArray,
    rate_hz: float,
) -> tuple[IndexArray, FloatArray]:
    """Frames at which lines meet, and the numbers there.

    Parameters
    ----------
    found : callable (frame, after) -> (numbers,)
        Numbers at a frame; at one of ``breaks``, before it or after it.
    breaks : sequence of int
        Ascending frames, between which the numbers are continuous; before the first and behind
        the last they stay as they are.
    bends : sequence of float
        Ascending places at which they turn a corner.
    rows : (numbers,)
        Row in which each number stands.
    rate_hz : float
        At which the take comes in.

    Returns
    -------
    (lines + 1,), (lines + 1, numbers)
        Of two frames that are the same the first is before it and the second after it.
    """
    tolerance = OFF_LINE * min((OFF_LINE_HZ / rate_hz) ** 2, 1.0)
    frames, values = [breaks[0]], [found(breaks[0], False)]
    for here, there in pairwise(breaks):
        corners = [float(here), *(b for b in bends if here < b < there), float(there)]
        stretch = _Stretch(found, corners, rows, tolerance)
        for frame in stretch.frames():
            frames.append(frame)
            values.append(stretch.at(frame))
    frames.append(breaks[-1])
    values.append(found(breaks[-1], True))
    return np.array(frames), np.array(values)


class _Stretch:
    """Numbers between two breaks, and the frames between which they lie on lines."""

    def __init__(
        self, found: Found, corners: list[float], rows: IndexArray, tolerance: float
    ) -> None:
        self._found, self._rows, self._tolerance = found, rows, tolerance
        self._first, self._last = corners[0], corners[-1]
        self._ends: list[float] = []
        self._curves: list[tuple[float, float, FloatArray]] = []
        middle = 0.5 * (corners[0] + corners[-1])
        begin = found(corners[0], True)
        still = all((begin == self._exact(at)).all() for at in (middle, corners[-1]))
        for low, high in pairwise(corners):
            self._add(low, high, still=still)

    def frames(self) -> list[int]:
        """Of the whole stretch, its ends included."""
        first, last = int(self._first), int(self._last)
        longest = max((last - first) // _LEAST_LINES, 1)
        if len(self._curves) == 1 and not np.ptp(self._curves[0][2], axis=0).any():
            longest = last - first
        return [first, *self._between(first, last, longest), last]

    def at(self, frame: int) -> FloatArray:
        """Numbers at a frame, off the polynomial it lies on."""
        k = int(np.searchsorted(self._ends, frame)) if frame > self._first else 0
        low, high, values = self._curves[min(k, len(self._curves) - 1)]
        return _read(values, (2.0 * frame - low - high) / (high - low))

    def _exact(self, frame: float) -> FloatArray:
        return self._found(frame, frame == self._first)

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

    def _between(self, first: int, last: int, longest: int) -> list[int]:
        """Frames between two at which a line ends and the next one begins."""
        frames = last - first
        if frames < 2:
            return []
        middle = first + frames // 2
        before, here, after = self.at(first), self.at(middle), self.at(last)
        line = before + (frames // 2) / frames * (after - before)
        if frames <= longest and self._fits(line, here, np.array([before, after]), 1.0):
            return []
        return [
            *self._between(first, middle, longest),
            middle,
            *self._between(middle, last, longest),
        ]

    def _fits(self, taken: FloatArray, exact: FloatArray, near: FloatArray, share: float) -> bool:
        """Whether numbers are as near as they are wanted, against the largest of their rows."""
        sizes = np.zeros(int(self._rows[-1]) + 1)
        np.maximum.at(sizes, self._rows, np.abs(near).max(axis=0))
        allowed = share * self._tolerance * sizes[self._rows] + _ROUNDING
        return bool((np.abs(taken - exact) <= allowed).all())


def _read(values: FloatArray, t: float) -> FloatArray:
    """A polynomial at -1..1, by the barycentric formula."""
    away = t - _NODES
    on = np.flatnonzero(away == 0.0)
    if len(on):
        return np.asarray(values[on[0]])
    weights = _WEIGHTS / away
    return np.asarray(weights @ values / weights.sum())
