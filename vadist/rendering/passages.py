"""The passages of a take by which its numerical error is judged.

A render is surveyed as it is made: of every passage of 40 ms, on every channel, it is noted how
much the output bends from sample to sample (the energy of its second difference), for it is edges
that a step is too long for. A fixed number of passages is kept, each with a chance that grows with
that roughness, the roughest ones certainly, with their output and with the states of the circuit
before them. Those are run again at finer rates from these states, so that nothing needs warming
up; and what they say of the error is carried over to all that were not kept.

Passages are kept by priority sampling (Duffield, Lund and Thorup, Journal of the ACM 54(6), 2007):
the highest ratios of size to a number spread evenly over 0..1. It needs one pass and a fixed
memory, and the answer depends on the take alone, whatever blocks it came in.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.pool import StoppablePool, results
from vadist.stepping.batch import LANES, StepError
from vadist.stepping.carrying import carried_over
from vadist.stepping.circuit import Circuit
from vadist.stepping.lanes import in_double, in_enough_digits, run_lanes
from vadist.stepping.power_up import Powered, PowerUp
from vadist.stepping.resampling import REACH

PASSAGE_S = 0.04

KEPT = 32
"""Passages kept of a take: two full batches."""

_SMOOTH_SHARE = 1e-3
# Of a passage's energy that counts as roughness: where nothing bends, loudness decides. A sine
# bends with (2 pi f / rate)^4 of its energy, which is this at 1.4 kHz.

_STILL_V = 1e-9
# The roughness that even silence has, volts: below it rounding decides, which no size foretells.

_FLOOR = 1e-17
# What no comparison of rates sees, against the signal's energy: the resampling's own rounding and
# stop band, -180 dB, and Newton's tolerance, -173 dB.

_SPREAD = 2.0
# Standard errors added for the passages that were not kept: 98 % of a normal distribution.

_CHECKED, _DECIDED = 4, 1.0 / 3.0
# Where so few of the kept passages make up this share of their error, they are run at a finer rate.

_STRIDES = 0.6180339887498949, 0.7548776662466927
# Multiples of the golden ratio, modulo one, lie as evenly as can be (Weyl; Knuth, TAOCP 3, 6.4);
# channels are set apart by the next number of that kind, the inverse of the plastic ratio.


def passage_frames(sample_rate_hz: float) -> int:
    """Length of a passage in frames of the take."""
    return round(PASSAGE_S * sample_rate_hz)


@dataclass(frozen=True)
class Passages:
    """Passages of one candidate, each of one channel.

    Attributes
    ----------
    first, channel, frames : (n,)
        Frame of the take at which each begins, its channel and length.
    roughness, energy, priority : (n,)
    volts : (n, longest)
        Output, deviations from rest; zero beyond a passage's length.
    states : list of (memory, n)
        What each section remembers ``REACH`` frames before.
    """

    first: IndexArray
    channel: IndexArray
    frames: IndexArray
    roughness: FloatArray
    energy: FloatArray
    priority: FloatArray
    volts: FloatArray
    states: list[FloatArray]

    def __len__(self) -> int:
        return len(self.first)

    def only(self, chosen: IndexArray) -> "Passages":
        """Some of them."""
        return Passages(
            self.first[chosen], self.channel[chosen], self.frames[chosen], self.roughness[chosen],
            self.energy[chosen], self.priority[chosen], self.volts[chosen],
            [state[..., chosen] for state in self.states],
        )  # fmt: skip

    def joined(self, other: "Passages") -> "Passages":
        """These and others."""
        join = np.concatenate
        return Passages(
            join([self.first, other.first]),
            join([self.channel, other.channel]),
            join([self.frames, other.frames]),
            join([self.roughness, other.roughness]),
            join([self.energy, other.energy]),
            join([self.priority, other.priority]),
            join([self.volts, other.volts]),
            [join(pair, axis=-1) for pair in zip(self.states, other.states, strict=True)],
        )


class Survey:
    """What is noted of one candidate's output while a take is rendered.

    Parameters
    ----------
    sample_rate_hz : float
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._longest = passage_frames(sample_rate_hz)
        self._best: Passages | None = None
        self._sums: FloatArray | None = None
        self._energy, self._roughness, self._frames = 0.0, 0.0, 0

    def add(
        self,
        start: int,
        volts: FloatArray,
        rest_v: float,
        firsts: IndexArray,
        states: list[FloatArray],
    ) -> None:
        """Note a span.

        Parameters
        ----------
        start : first frame
        volts : (frames, channels)
            Output, rest included.
        rest_v : float
        firsts : (passages,)
            Ascending frames of the span at which its passages begin; those beyond its end are
            left out.
        states : list of (memory, passages, channels)
        """
        firsts = firsts[firsts < len(volts)]
        frames = np.diff(np.append(firsts, len(volts)))
        sums = volts.sum(axis=0) - len(volts) * rest_v
        self._sums = sums if self._sums is None else self._sums + sums
        self._frames += len(volts)
        for channel in range(volts.shape[1]):
            output = volts[:, channel]
            bends, energy = _bends_and_energy(output, rest_v, firsts)
            roughness = bends + _SMOOTH_SHARE * energy + frames * _STILL_V**2
            self._roughness += float(roughness.sum())
            self._energy += float(energy.sum())
            places = (start + firsts) / self._longest * _STRIDES[0] + channel * _STRIDES[1]
            priority = roughness / (1.0 - (places + 0.5) % 1.0)
            best = np.sort(np.argsort(-priority, kind="stable")[: KEPT + 1])
            heard = np.zeros((len(best), self._longest))
            for row, k in zip(heard, best, strict=True):
                row[: frames[k]] = output[firsts[k] : firsts[k] + frames[k]] - rest_v
            found = Passages(
                start + firsts[best], np.full(len(best), channel), frames[best], roughness[best],
                energy[best], priority[best], heard, [s[:, best, channel] for s in states],
            )  # fmt: skip
            every = found if self._best is None else self._best.joined(found)
            self._best = every.only(np.argsort(-every.priority, kind="stable")[: KEPT + 1])

    @property
    def power(self) -> float:
        """Mean square of the output about its mean, over all channels, square volts."""
        if self._sums is None or not self._frames:
            return 0.0
        means = self._sums / self._frames
        return max(self._energy / self._frames - float(means @ means), 0.0) / len(means)

    @property
    def kept(self) -> Passages | None:
        """The passages that speak for the take; None if there is nothing to be heard."""
        if self._best is None or self.power <= 1e-24:
            return None
        return self._best.only(np.arange(min(len(self._best), KEPT)))

    def few(self, errors: FloatArray) -> IndexArray:
        """The worst kept passages, if so few make up the error that single edges decide it.

        Parameters
        ----------
        errors : (kept, longest)
            Volts.
        """
        energy = np.sum(errors**2, axis=1)
        worst = np.sort(np.argsort(-energy, kind="stable")[:_CHECKED])
        alone = len(worst) and energy[worst].sum() > _DECIDED * energy.sum()
        return worst if alone else worst[:0]

    def stated(self, errors: FloatArray, sample_rate_hz: float) -> "StatedError":
        """Error of the whole take from that of the kept passages.

        Parameters
        ----------
        errors : (kept, longest)
            Volts, zero beyond a passage's length.

        Notes
        -----
        A passage rougher than the first priority that was not kept is there certainly and counts
        for itself. The others were kept in proportion to their roughness, so the mean of energy
        over roughness times all the roughness that is left estimates the rest (Hansen and Hurwitz
        1943), and its scatter tells how far that may be off.
        """
        kept, best = self.kept, self._best
        if kept is None or best is None:
            return StatedError(None, None, 0.0, 0)
        energy = np.sum(errors**2, axis=1)
        least = best.priority[KEPT] if len(best) > KEPT else 0.0
        certain = kept.roughness >= least
        total = float(energy[certain].sum())
        if not certain.all():
            ratios = energy[~certain] / kept.roughness[~certain]
            scatter = float(ratios.std(ddof=1)) if len(ratios) > 1 else float(ratios[0])
            ratio = float(ratios.mean()) + _SPREAD * scatter / math.sqrt(len(ratios))
            total += ratio * max(self._roughness - float(kept.roughness[certain].sum()), 0.0)
        channels = len(self._sums) if self._sums is not None else 1
        whole = self.power * self._frames * channels
        against = energy / np.maximum(kept.energy, self.power * kept.frames)
        worst = int(np.argmax(against))
        return StatedError(
            _decibels(total / whole + _FLOOR),
            _decibels(float(against[worst])),
            float(kept.first[worst]) / sample_rate_hz,
            int(kept.channel[worst]),
        )


def corrected(errors: FloatArray, few: IndexArray, finer: FloatArray) -> FloatArray:
    """Errors with those of a few passages told by finer runs, and the others in proportion.

    Parameters
    ----------
    errors : (kept, longest)
    few : (checked,)
    finer : (checked, longest)

    Notes
    -----
    A single edge falls between samples by chance: two neighbouring rates can agree on it and both
    be off. The others are raised by what the finer runs found, never lowered.
    """
    if not len(few):
        return errors
    before = float(np.sum(errors[few] ** 2))
    raised = errors * math.sqrt(max(float(np.sum(finer**2)) / before, 1.0)) if before else +errors
    raised[few] = finer
    return raised


@dataclass(frozen=True)
class StatedError:
    """What a render says of its numerical error.

    Attributes
    ----------
    whole_db : float or None
        Energy of the error over that of the signal about its mean, the whole take and all
        channels; None for silence.
    worst_db : float or None
        The same of the worst passage of 40 ms, against that passage's own signal, or the take's
        mean where that is stronger.
    worst_s : float
        Seconds of the take at which it begins.
    worst_channel : int
        Its channel, from 0.
    """

    whole_db: float | None
    worst_db: float | None
    worst_s: float
    worst_channel: int


def _decibels(ratio: float) -> float:
    return 10.0 * math.log10(max(ratio, 1e-30))


def _bends_and_energy(
    volts: FloatArray, rest_v: float, firsts: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Energy of the second difference and of the volts, of each passage; (passages,) each.

    Passages are taken some at a time, so that they stay in the cache.
    """
    found = np.zeros((2, len(firsts)))
    for k in range(0, len(firsts), 32):
        last = firsts[k + 32] if k + 32 < len(firsts) else len(volts)
        piece = volts[firsts[k] : last] - rest_v
        cuts = firsts[k : k + 32] - firsts[k]
        bends = np.zeros(len(piece))
        slopes = piece[1:] - piece[:-1]
        np.subtract(slopes[1:], slopes[:-1], out=bends[1:-1])
        bends[cuts] = bends[cuts[1:] - 1] = 0.0  # no passage knows of its neighbours
        found[0, k : k + 32] = np.add.reduceat(np.square(bends, out=bends), cuts)
        found[1, k : k + 32] = np.add.reduceat(np.square(piece, out=piece), cuts)
    return found[0], found[1]


def heard_again(
    kept: Sequence[Passages],
    circuits: Sequence[Circuit],
    stood: Sequence[Circuit],
    window: Callable[[int, int], FloatArray],
    sample_rate_hz: float,
    pool: StoppablePool,
    power: Sequence[PowerUp] = (),
) -> list[FloatArray]:
    """Run the passages of candidates of one structure at another rate.

    Parameters
    ----------
    kept : one a candidate
    circuits : at the rate to run at, one a candidate
    stood : at the rate, no finer, at which the states were kept, one a candidate
    window, sample_rate_hz : the take
    pool : StoppablePool
    power : one a candidate, if the take begins with the supply

    Returns
    -------
    list of (passages, longest)
        Output of each candidate, deviations from rest.

    Raises
    ------
    StepError, with the time in the take.
    """
    owner = np.repeat(np.arange(len(kept)), [len(p) for p in kept])
    first = np.concatenate([p.first for p in kept])
    channel = np.concatenate([p.channel for p in kept])
    enter = [
        np.concatenate(
            [
                carried_over(
                    p.states[k],
                    before.program(k),
                    here.program(k),
                    before.tick_s(k),
                    here.tick_s(k),
                )
                for p, here, before in zip(kept, circuits, stood, strict=True)
            ],
            axis=1,
        )
        for k in range(len(circuits[0].programs))
    ]
    longest = kept[0].volts.shape[1]
    lead = 2 * REACH
    output = circuits[0].output
    heard = np.zeros((len(owner), longest))
    # Read here and not by the threads: a file has one place at which it is read.
    inputs, column = np.unique(np.stack([first, channel], axis=1), axis=0, return_inverse=True)
    takes = [window(int(at) - lead, int(at) + longest + REACH)[:, which] for at, which in inputs]

    def run(lanes: IndexArray) -> None:
        """Lanes into ``heard``; states are entered when the filters up have settled."""
        mine, columns = np.unique(column.ravel()[lanes], return_inverse=True)

        def feed(begin: int, end: int) -> FloatArray:
            return np.stack([takes[k][begin:end] for k in mine], axis=1)

        def deliver(begin: int, block: FloatArray) -> None:
            skip = max(lead - begin, 0)
            at = begin + skip - lead
            part = block[skip : skip + max(longest - at, 0), 0].T
            heard[lanes, at : at + part.shape[1]] = part

        every = [circuits[k] for k in owner[lanes]]
        stepped = partial(
            run_lanes, every, columns.ravel().tolist(), lead + longest + REACH, feed, deliver,
            sample_rate_hz, [output], (), {REACH: [s[:, lanes] for s in enter]}, (), pool.tick,
            begins=(first[lanes] - lead).tolist(),
            powered=Powered.of(lead, power, owner[lanes], first[lanes] == 0),
        )  # fmt: skip
        try:
            in_enough_digits(stepped, double=in_double(circuits, power))
        except StepError as error:
            lane = lanes[error.lane]
            begins_s = float(first[lane] - lead) / sample_rate_hz
            raise error.seen_from(int(owner[lane]), begins_s) from None
        heard[lanes] -= np.array([c.rest_v for c in every])[:, None]

    # Lanes that hear the same lie side by side, to share the sections in which they are alike.
    order = np.lexsort((owner, channel, first))
    groups = np.array_split(order, math.ceil(len(order) / LANES))
    list(results(pool.executor, run, groups))
    frames = np.concatenate([p.frames for p in kept])
    heard[np.arange(longest) >= frames[:, None]] = 0.0
    return np.split(heard, np.flatnonzero(np.diff(owner)) + 1)
