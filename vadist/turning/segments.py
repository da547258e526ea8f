"""A loop stepped as many lanes that begin from what was remembered when it was stepped before.

A take is a single lane wherever a slow rail would make warm-ups long. But a loop that is turned has
been stepped before: what its lanes remembered at the beginning of their segments is nearly what
they will remember now. So every lane begins there, in the next pass where the lane before it ended,
and so on until every seam fits: what is forgotten within a segment is right in the second pass.
What is not are rails; they are corrected by what all seams before were off by, of which a share is
left after a segment, which is measured from one pass to the next (parareal, with that share for a
coarse propagator: Lions, Maday and Turinici, C. R. Acad. Sci. Paris 332, 2001).
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.pool import StoppablePool, results
from vadist.stepping.batch import LANES, REAL, StepError
from vadist.stepping.carrying import volts_remembered
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.resampling import REACH
from vadist.stepping.stepper import Stepper
from vadist.turning.strips import Strip

SEAM_V, DRAFT_SEAM_V = 2e-5, 2e-3
"""Largest difference of any state at a seam, for each volt it stands at, and below one volt; the
same in a draft, which is heard until the loop has settled."""

_MOST_LANES = 2 * LANES
_SHORTEST_S = 0.1
# Of a segment: coupling capacitors forget most of how it began, so that two passes do for them.
_BLOCK = 1024  # samples of the take's oversampled rate
_LEAST_S = 1e-9
_TELLING_V = 3e-4
# How far the rails of a lane must be moved for its share to be measured.

Memories = list[FloatArray]
"""What lanes remember, (memory, lanes), one array a program."""


@dataclass(frozen=True)
class Cut:
    """How a loop is cut into segments.

    Attributes
    ----------
    frames : int
        Of the loop, with ``REACH`` before and behind.
    segments, length, channels : int
    """

    frames: int
    segments: int
    length: int
    channels: int

    @classmethod
    def of(cls, frames: int, channels: int, sample_rate_hz: float) -> "Cut":
        """For a take of so many frames."""
        whole = frames + 2 * REACH
        most = int(whole / max(_SHORTEST_S * sample_rate_hz, REACH))
        most = max(min(_MOST_LANES // channels, most), 1)
        return cls(whole, most, math.ceil(whole / most), channels)

    @property
    def lanes(self) -> int:
        """Segment by segment, in it channel by channel."""
        return self.segments * self.channels

    def begins(self, lanes: IndexArray) -> IndexArray:
        """Frame of the take at which each lane's segment begins."""
        return np.asarray(lanes // self.channels * self.length - REACH)


@dataclass
class Ran:
    """Where a loop stands.

    Attributes
    ----------
    began, ended : Memories
        At the beginning and the end of each lane's segment.
    shares : (lanes,)
        Of what rails are off by as a segment begins, what is left at its end.
    passes : int
        How often lanes were run.
    seam_v : float
        Largest difference at a seam.
    """

    began: Memories
    ended: Memories
    shares: FloatArray
    passes: int = 1
    seam_v: float = math.inf


class Segments:
    """A circuit and a signal for it, to be stepped as lanes.

    Parameters
    ----------
    circuit : Circuit
    strip : Strip
        What it hears.
    cut : Cut
    sample_rate_hz : float
    taps : iterable of Tap
        Outputs to keep.
    """

    def __init__(
        self, circuit: Circuit, strip: Strip, cut: Cut, sample_rate_hz: float, taps: Iterable[Tap]
    ) -> None:
        self.circuit, self.strip, self.cut, self.rate_hz = circuit, strip, cut, sample_rate_hz
        self.ticks_a_frame = strip.rate // circuit.entry_pace
        count = cut.segments * cut.length * self.ticks_a_frame
        self.strips = {
            tap: Strip(
                np.zeros((count * circuit.paces[tap.section], cut.channels), dtype=REAL),
                self.ticks_a_frame * circuit.paces[tap.section],
            )
            for tap in taps
        }

    def begin(self, pool: StoppablePool, held: Memories | None, shares: FloatArray | None) -> Ran:
        """Step all lanes once.

        Parameters
        ----------
        pool : StoppablePool
        held : Memories or None
            What lanes are to begin from; None for rest.
        shares : (lanes,) or None
            As another loop measured them.
        """
        every = np.arange(self.cut.lanes)
        if shares is None:
            rails = self.circuit.rails
            slowest_s = 0.0 if rails is None else rails.slowest_s
            each_s = self.cut.length / self.rate_hz
            shares = np.full(len(every), math.exp(-each_s / max(slowest_s, _LEAST_S)))
        return Ran(*self._pass(pool, every, held), shares.copy())

    def settle(self, pool: StoppablePool, ran: Ran, seam_v: float) -> None:
        """Step lanes again until every seam fits within some volts.

        Called off, it is taken up again as it was: lanes that were under way are run once more.
        """
        if self.cut.segments == 1:
            ran.seam_v = 0.0
            return
        while True:
            again, enter, ran.seam_v = self._misfits(ran, seam_v)
            if not len(again):
                return
            before = [self._rails(k, states[:, again]) for k, states in enumerate(ran.began)]
            after = [self._rails(k, states[:, again]) for k, states in enumerate(ran.ended)]
            began, ended = self._pass(pool, again, enter)
            for k, (b, a) in enumerate(zip(before, after, strict=True)):
                moved, left = self._rails(k, began[k]) - b, self._rails(k, ended[k]) - a
                if len(moved):
                    told = np.abs(moved).max(axis=0) > _TELLING_V
                    share = (moved * left).sum(axis=0)[told] / (moved**2).sum(axis=0)[told]
                    ran.shares[again[told]] = np.clip(share, 0.0, 1.0)
                ran.began[k][:, again], ran.ended[k][:, again] = began[k], ended[k]
            ran.passes += 1

    def _rails(self, number: int, states: FloatArray) -> FloatArray:
        """Volts of the torn rails in what a program remembers, (rails, lanes)."""
        return states[self._rows(number, "v")]

    def _rows(self, number: int, word: str) -> list[int]:
        rails, program = self.circuit.rails, self.circuit.program(number)
        if rails is None or not self.circuit.feeds_rails(number):
            return []
        own = len(program.parts)
        return [program.memory.index((own, f"{word}{k}")) for k in range(len(rails.names))]

    def _misfits(self, ran: Ran, fit_v: float) -> tuple[IndexArray, Memories, float]:
        """Lanes to be run again, what they are to enter, and the largest misfit."""
        later = np.arange(self.cut.channels, self.cut.lanes)
        before = later - self.cut.channels
        apart, off = np.zeros(len(later)), np.zeros(len(later))
        enter: Memories = []
        for k in range(len(self.circuit.programs)):
            volts = partial(
                volts_remembered,
                program=self.circuit.program(k),
                sections=[self.circuit.bundle(k).sections] * len(later),
            )
            arrived, left = ran.ended[k][:, before], ran.began[k][:, later]
            there = volts(arrived)
            moved = np.abs(there - volts(left)) / np.maximum(np.abs(there), 1.0)
            apart = np.maximum(apart, moved.max(axis=0, initial=0.0))
            entered = arrived.copy()
            error = self._carried_on(self._rails(k, arrived) - self._rails(k, left), ran.shares)
            if len(error):
                assert self.circuit.rails is not None
                entered[self._rows(k, "v")] += error
                entered[self._rows(k, "v_old")] += error
                entered[self._rows(k, "q")] += np.linalg.solve(self.circuit.rails.R, error)
                off = np.abs(error).max(axis=0)
            enter.append(entered)
        again = (apart > fit_v) | (off > fit_v)
        worst = float(np.maximum(apart, off).max(initial=0.0))
        return later[again], [states[:, again] for states in enter], worst

    def _carried_on(self, seams: FloatArray, shares: FloatArray) -> FloatArray:
        """What rails would be off by at each seam but for its own misfit: what earlier ones left.

        Parameters
        ----------
        seams : (rails, later lanes)
        """
        error = np.zeros_like(seams)
        channels = self.cut.channels
        for lane in range(channels, seams.shape[1]):
            earlier = lane - channels
            # The lane between these two seams is the one that begins at the earlier one.
            error[:, lane] = shares[lane] * (error[:, earlier] + seams[:, earlier])
        return error

    def _pass(
        self, pool: StoppablePool, lanes: IndexArray, enter: Memories | None
    ) -> tuple[Memories, Memories]:
        """Step some lanes over their segments, on all threads; how they began and ended."""
        count = math.ceil(len(lanes) / LANES)
        places = np.array_split(np.arange(len(lanes)), count)
        groups = [lanes[place] for place in places]
        enters = [None if enter is None else [s[:, place] for s in enter] for place in places]
        found = list(results(pool.executor, partial(self._group, pool.tick), groups, enters))
        began, ended = (
            [np.concatenate([f[m][k] for f in found], axis=1) for k in range(len(found[0][m]))]
            for m in range(2)
        )
        return began, ended

    def _group(
        self, tick: Callable[[int], None], lanes: IndexArray, enter: Memories | None
    ) -> tuple[Memories, Memories]:
        try:
            try:
                return self._stepped(tick, lanes, enter, REAL)
            except StepError:  # hundreds of volts take more digits
                return self._stepped(tick, lanes, enter, np.float64)
        except StepError as error:
            begins_s = float(self.cut.begins(lanes)[error.lane]) / self.rate_hz
            raise error.seen_from(error.lane, begins_s) from None

    def _stepped(
        self, tick: Callable[[int], None], lanes: IndexArray, enter: Memories | None, real: type
    ) -> tuple[Memories, Memories]:
        cut, pace = self.cut, self.circuit.entry_pace
        begins, channels = cut.begins(lanes), lanes % cut.channels
        stepper = Stepper(
            [self.circuit], len(lanes), None, [] if enter is None else [enter], real,
            (begins * self.strip.rate).tolist(),
        )  # fmt: skip
        if enter is not None:
            stepper.enter(0)
        began = stepper.states()
        total = cut.length * self.ticks_a_frame
        each = max(_BLOCK // pace, 1)
        for first in range(0, total, each):
            count = min(each, total - first)
            block = self.strip.columns(begins, channels, first * pace, count * pace)
            stepper.process(block)
            for tap, strip in self.strips.items():
                self._keep(stepper, tap, strip, lanes, first)
            tick(0)
        return began, stepper.states()

    def _keep(
        self, stepper: Stepper, tap: Tap, strip: Strip, lanes: IndexArray, ticks: int
    ) -> None:
        """Keep what was just stepped of an output, from a tick of the segments on."""
        heard = stepper.heard(tap)
        pace = self.circuit.paces[tap.section]
        for column, lane in enumerate(lanes):
            segment, channel = divmod(int(lane), self.cut.channels)
            at = (segment * self.cut.length * self.ticks_a_frame + ticks) * pace
            strip.volts[at : at + len(heard), channel] = heard[:, column]
