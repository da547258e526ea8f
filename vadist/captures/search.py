"""Where a model lies in a measurement, when neither delay nor clock is known.

Short windows of the measurement are held against the model at every lag; windows are so short that
no clock matters within one. Delay and clock together are a straight line of lag against time, and
the line on which the windows together agree best is searched by branch and bound: a cell of delays
and clocks is worth no more than each window's best lag within it, cells are halved level by level,
and only the best of each level go on. One window may be met equally well by a hundred periods of a
tone; only one line meets them all.

References
----------
A. H. Land, A. G. Doig, Econometrica 28(3), 1960 (branch and bound; from memory, not located); kept
to the best cells of each level it is a beam search.
"""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from vadist.captures.waveform import GRID, Waveform
from vadist.errors import UnjudgedError
from vadist.measure.records import FloatArray

_WINDOWS = 32
_FEWEST_SAMPLES = 48
_MOST_SAMPLES, _LEAST_HZ = 40_000, 1000.0
_SHARE_OF_ENERGY = 0.3
# A long record is searched in the part of its band that gives so many samples, or up to 1 kHz, or
# that holds a third of the energy; the rest of the band has its say in the refinement.

_BEAM = 1500
_KEPT = 8
_LEVEL_TOLERANCE = 1.25
_LEVEL_POWER = 0.25
# A window whose level is wrong by more than a quarter counts less, by the fourth root: a board may
# be wrong in its gain, but a quiet passage is no loud one.

_TAPS = np.arange(-3, 5)


@dataclass(frozen=True)
class Line:
    """Lag of the measurement behind the model, a straight line of time.

    Attributes
    ----------
    lag_s : float
        At the middle of the measurement.
    clock : float
        How much faster the measurement passes through the model; the lag falls by it.
    sign : int
    score : float
        Weighted mean of the windows' correlations on it, 1 at best.
    """

    lag_s: float
    clock: float
    sign: int
    score: float


class Windows:
    """Correlations of windows of a measurement with a model, at all lags allowed.

    Parameters
    ----------
    target : (samples,)
        Measurement at multiples of the interval, from ``first``.
    first : int
    model : (samples,)
        What departs from the model's rest, from its time zero.
    interval_s : float
    top_hz : float
        Of the band of both.
    lags_s : tuple of (least, most)
        At the middle of the measurement.
    clock : float
        Largest departure, not in parts per million.
    """

    def __init__(
        self,
        target: FloatArray,
        first: int,
        model: FloatArray,
        interval_s: float,
        top_hz: float,
        lags_s: tuple[float, float],
        clock: float,
    ) -> None:
        self._interval, self._clock = interval_s, clock
        length = len(target) // 12
        if clock > 0.0:  # a quarter of a period of the top at either end
            length = min(length, int(0.5 / (clock * top_hz * interval_s)))
        length = min(max(length, _FEWEST_SAMPLES), len(target))
        places = _places(target, length)
        middle = first + 0.5 * (len(target) - 1)
        self.middle_s = middle * interval_s
        centred = target - target.mean()
        self._x = np.array([first + a + 0.5 * (length - 1) - middle for a in places])
        slip = math.ceil(clock * float(np.abs(self._x).max())) + 8
        low = math.floor(lags_s[0] / interval_s) - slip
        high = math.ceil(lags_s[1] / interval_s) + slip
        self._low, self._first, self._last = low, low + slip - 1, high - slip + 1
        power = [
            float(np.sum((y - y.mean()) ** 2)) for y in (target[a : a + length] for a in places)
        ]
        self._loud = np.sqrt(np.array(power) / length)
        # Nothing but noise is in the quietest window, or signal, then little is taken off.
        floor = 0.9 * min(power)
        self._weights = np.sqrt(np.maximum(np.array(power) - floor, 1e-9 * max(power)))
        self._weights /= self._weights.sum()
        least = 1e-4 * _largest_energy(model, length)
        self._pyramid = [
            np.stack(
                [
                    _correlations(centred[a : a + length], first + a, model, low, high, least)
                    for a in places
                ]
            )
        ]
        self.best = float(self._weights @ np.abs(self._pyramid[0]).max(axis=1))

    def score(self, lag_s: FloatArray, clock: FloatArray) -> FloatArray:
        """Weighted mean of the correlations on lines, (lines,), between samples too."""
        place = lag_s[:, None] / self._interval - clock[:, None] * self._x - self._low
        held = self._pyramid[0]
        whole = np.clip(np.floor(place).astype(int), 3, held.shape[1] - 5)
        rest = place - whole
        found = np.zeros(place.shape)
        rows = np.arange(held.shape[0])
        for tap in _TAPS:
            away = rest - tap
            weight = np.sinc(away) * np.cos(0.5 * np.pi * np.clip(away / 4.5, -1.0, 1.0)) ** 2
            found += weight * held[rows, whole + tap]
        return np.asarray(found @ self._weights)

    def lines(self, signs: tuple[int, ...]) -> list[Line]:
        """Return the best lines, best first, no two within a sample of each other."""
        found = [line for sign in signs for line in self._search(sign)]
        return sorted(found, key=lambda line: -line.score)[:_KEPT]

    def _search(self, sign: int) -> Iterator[Line]:
        pyramid = self._maxima(sign)
        reach = max(float(np.abs(self._x).max()), 1.0)
        level = len(pyramid) - 1
        delays = np.arange(self._first, self._last + 1, 2**level)
        clocks, width = np.array([0.0]), 2.0 * self._clock
        while width * reach > 2**level:
            clocks, width = _halved(clocks, width)
        d, p = (grid.ravel() for grid in np.meshgrid(delays, clocks, indexing="ij"))
        while True:
            bound = self._bounds(pyramid, level, d, p, width)
            best = np.argsort(-bound)[:_BEAM]
            d, p = d[best], p[best]
            if level == 0:
                break
            level -= 1
            d = np.concatenate([d, d + 2**level])
            p = np.concatenate([p, p])
            if width * reach > 2**level:
                p, width = _halved(p, width)
                d = np.concatenate([d, d])
        yield from self._distinct(d.astype(float), p, width, sign, reach)

    def _maxima(self, sign: int) -> list[FloatArray]:
        pyramid = [sign * self._pyramid[0]]
        while 2 ** len(pyramid) <= max(2.0 * self._clock * float(np.abs(self._x).max()), 1.0) * 2:
            held = pyramid[-1]
            if held.shape[1] % 2:
                held = np.pad(held, ((0, 0), (0, 1)), mode="edge")
            pyramid.append(np.maximum(held[:, ::2], held[:, 1::2]))
        return pyramid

    def _bounds(
        self, pyramid: list[FloatArray], level: int, d: FloatArray, p: FloatArray, width: float
    ) -> FloatArray:
        """Most that any line of a cell can reach."""
        held, block = pyramid[level], 2**level
        rows = np.arange(held.shape[0])
        bounds = []
        for part in np.array_split(np.arange(len(d)), max(len(d) // 4096, 1)):
            start = d[part, None] - p[part, None] * self._x - 0.5 * width * np.abs(self._x)
            end = start + block - 1 + width * np.abs(self._x)
            low = np.floor((start - self._low) / block).astype(int)
            high = np.floor((end - self._low) / block).astype(int)
            most = np.full(low.shape, -np.inf)
            for k in range(int((high - low).max(initial=0)) + 1):
                at = np.clip(np.minimum(low + k, high), 0, held.shape[1] - 1)
                most = np.maximum(most, held[rows, at])
            bounds.append(most @ self._weights)
        return np.concatenate(bounds)

    def _distinct(
        self, d: FloatArray, p: FloatArray, width: float, sign: int, reach: float
    ) -> Iterator[Line]:
        """Climb to the top of each hill, and name every hill once."""
        lag, clock = d * self._interval, p.copy()
        step, turn = self._interval, max(width, 1e-12)
        score = sign * self.score(lag, clock)
        best = np.argsort(-score)[: 8 * _KEPT]
        lag, clock, score = lag[best], clock[best], score[best]
        for _ in range(10):
            for dl, dp in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                moved = np.clip(clock + dp * turn, -self._clock, self._clock)
                there = sign * self.score(lag + dl * step, moved)
                better = there > score
                lag, clock = np.where(better, lag + dl * step, lag), np.where(better, moved, clock)
                score = np.where(better, there, score)
            step, turn = 0.6 * step, 0.6 * turn
        told: list[tuple[float, float]] = []
        for k in np.argsort(-score):
            near = any(
                abs(lag[k] - a) + abs(clock[k] - b) * reach * self._interval < self._interval
                for a, b in told
            )
            if not near and len(told) < _KEPT:
                told.append((float(lag[k]), float(clock[k])))
                yield Line(float(lag[k]), float(clock[k]), sign, float(score[k]))


def _halved(clocks: FloatArray, width: float) -> tuple[FloatArray, float]:
    return np.concatenate([clocks - 0.25 * width, clocks + 0.25 * width]), 0.5 * width


def _places(target: FloatArray, length: int) -> list[int]:
    """Where windows begin: in each of equal slots where most happens."""
    slots = min(_WINDOWS, max(len(target) // length, 1))
    edges = np.linspace(0, len(target) - length, slots + 1).astype(int)
    hop = max(length // 4, 1)
    sums = np.concatenate([[0.0], np.cumsum((target - target.mean()) ** 2)])
    places = []
    for begin, end in itertools.pairwise(edges.tolist()):
        starts = np.arange(begin, max(end, begin + 1), hop)
        half = length // 2
        early = sums[starts + half] - sums[starts]
        late = sums[starts + length] - sums[starts + half]
        # Loud, and louder in one half than in the other: an onset cannot be mistaken for a period.
        happens = early + late + 2.0 * np.abs(late - early)
        places.append(int(starts[int(np.argmax(happens))]))
    return places


def _largest_energy(model: FloatArray, length: int) -> float:
    sums = np.concatenate([[0.0], np.cumsum(model**2)])
    reach = min(length, len(model))
    most = float((sums[reach:] - sums[:-reach]).max())
    if most == 0.0:
        raise UnjudgedError("could not be judged: the model's output is silent for this input")
    return most


def _correlations(
    window: FloatArray, start: int, model: FloatArray, low: int, high: int, least: float
) -> FloatArray:
    """Correlation coefficients at lags from ``low`` to ``high``, lessened where levels differ."""
    from scipy.fft import irfft, next_fast_len, rfft

    length = len(window)
    y = window - window.mean()
    # At lag l the window lies upon model[start - l : start - l + length]; zero beyond its ends.
    begin, end = start - high, start - low + length
    piece = np.zeros(end - begin)
    inside = slice(min(max(begin, 0), len(model)), min(max(end, 0), len(model)))
    if inside.stop > inside.start:
        piece[inside.start - begin : inside.stop - begin] = model[inside]
    size = next_fast_len(len(piece), real=True)
    products = irfft(rfft(piece, size) * np.conj(rfft(y, size)), size)[: high - low + 1]
    sums = np.concatenate([[0.0], np.cumsum(piece)])
    squares = np.concatenate([[0.0], np.cumsum(piece**2)])
    mean = (sums[length:] - sums[:-length]) / length
    energy = np.maximum(squares[length:] - squares[:-length] - length * mean**2, 0.0) + least
    own = float(y @ y) + 1e-300
    level = np.sqrt(np.minimum(energy / own, own / energy))
    lessened = np.minimum(_LEVEL_TOLERANCE * level, 1.0) ** _LEVEL_POWER
    # From the earliest piece of the model, the highest lag, to the latest.
    return np.asarray((products / np.sqrt(own * energy) * lessened)[::-1], dtype=np.float32)


def band_to_search(model: Waveform, top_hz: float, seconds: float) -> float:
    """Top of a band that is quick to search and holds enough of the model's energy."""
    top = max(_MOST_SAMPLES / (GRID * seconds), _LEAST_HZ)
    if top >= top_hz:
        return top_hz
    wave = model.at(np.arange(int(model.seconds * GRID * top_hz)) / (GRID * top_hz))
    power = np.abs(np.fft.rfft(wave - wave.mean())) ** 2
    f = np.fft.rfftfreq(len(wave), 1.0 / (GRID * top_hz))
    enough = float(f[int(np.searchsorted(np.cumsum(power), _SHARE_OF_ENERGY * power.sum()))])
    return min(max(top, 1.5 * enough), top_hz)
