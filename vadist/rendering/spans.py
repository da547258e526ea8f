"""One take through candidates, span by span, in memory that does not grow with the take."""

import dataclasses
import math
import os
from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.circuits.operating_point import solve_network
from vadist.designs.contacts import Bypass
from vadist.designs.design import Design
from vadist.designs.moves import Move
from vadist.designs.turning import turned
from vadist.errors import UsageError
from vadist.gpu.cards import count_cards
from vadist.kernel.ahead import compile_ahead
from vadist.names import whole
from vadist.pool import StoppablePool, stoppable_pool
from vadist.quantities import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from vadist.rendering.diagnostics import Diagnostics, SectionEffort, StageRange
from vadist.rendering.judging import Judge, alike, named
from vadist.rendering.method import MOST_OVERSAMPLE, Method
from vadist.rendering.passages import (
    StatedError,
    Survey,
    passage_frames,
)
from vadist.stepping.batch import LANES, REAL, StepError
from vadist.stepping.circuit import Circuit, Tap, build_circuit
from vadist.stepping.lanes import in_double
from vadist.stepping.paces import usual_pace
from vadist.stepping.plan import COARSER, Plan, plan_segments, warm_up_of
from vadist.stepping.power_up import PowerUp
from vadist.stepping.resampling import REACH, default_oversample
from vadist.stepping.ripple import refuse_unsampled
from vadist.stepping.segments import Span, SpanResult
from vadist.stepping.stepper import programs_of

SPAN_SAMPLES = 9_000_000
"""Samples (frames times channels times candidates) held at once: what bounds the memory."""

_SURVEY_SHARE = 0.1
# Of the time of a render that is told while its method is chosen.

Window = Callable[[int, int], FloatArray]
"""Frames first..last of a take in volts, (frames, channels), zero outside its ends."""


def array_window(volts: FloatArray) -> Window:
    """Window onto an array, zero outside it."""

    def window(first: int, last: int) -> FloatArray:
        low, high = max(first, 0), min(last, len(volts))
        if (low, high) == (first, last):
            return volts[low:high]
        held = np.zeros((last - first, volts.shape[1]))
        if low < high:
            held[low - first : high - first] = volts[low:high]
        return held

    return window


class Rendering:
    """One take through candidates, span by span, so that memory does not grow with the take.

    Parameters
    ----------
    designs : sequence of Design
    sample_rate_hz, frames, channels : of the take
    window : Window
    """

    def __init__(
        self,
        designs: Sequence[Design],
        sample_rate_hz: float,
        frames: int,
        channels: int,
        window: Window,
        *,
        oversample: int | None = None,
        accuracy_db: float | None = None,
        taps: Sequence[str] = (),
        threads: int | None = None,
        from_power_up: bool = False,
        moves: Sequence[Move] = (),
        bypass: Bypass | None = None,
        device: str = "cpu",
    ) -> None:
        if device == "gpu":
            if from_power_up or moves or bypass:
                what = "no take from power-up" if from_power_up else "no knobs that move"
                raise UsageError(f"--device gpu renders {what}; leave out either")
            count_cards()
        if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ:
            raise UsageError(
                f"sample rate must be within {LOWEST_RATE_HZ}..{HIGHEST_RATE_HZ} Hz "
                f"(got {sample_rate_hz:g})"
            )
        if oversample is not None:
            oversample = whole("oversample", oversample, MOST_OVERSAMPLE)
        if oversample is not None and accuracy_db is not None:
            raise UsageError("give either oversample or accuracy, not both")
        if accuracy_db is not None and not accuracy_db < 0.0:
            raise UsageError(f"accuracy must be below 0 dB, like -90dB (got {accuracy_db:g})")
        if threads is not None:
            threads = whole("threads", threads)
        for design in designs:
            for tap in taps:
                if tap not in design.stages:
                    raise UsageError(f"{design.name} has no stage {tap!r} to listen to")
        self.designs, self.sample_rate_hz = list(designs), float(sample_rate_hz)
        self.frames, self.channels, self.window, self.taps = frames, channels, window, tuple(taps)
        self.threads = threads or os.cpu_count() or 1
        turns = [turned(design, moves, self.sample_rate_hz, bypass) for design in self.designs]
        self.designs = [each.design for each in turns]
        self._courses = [each.course for each in turns]
        self._solved = [solve_network(each.network) for each in turns]
        switched = self._solved if from_power_up else []
        self._power = [PowerUp(solved, 1.0 / self.sample_rate_hz) for solved in switched]
        self._built: dict[Method, list[Circuit]] = {}
        self.method = Method(oversample or default_oversample(sample_rate_hz))
        self._accuracy_db, self._device = accuracy_db, device
        self._grain = passage_frames(self.sample_rate_hz)
        self._surveys: list[Survey] = []
        self._judge: Judge | None = None
        self._stated: list[StatedError] = []
        self._spans: list[tuple[list[int], SpanResult]] = []
        self._plan = Plan(1, 0, 0)
        self._finished = False

    def circuits(self, method: Method) -> list[Circuit]:
        """Candidates discretised as a method wants them."""
        if method not in self._built:
            rate = self.sample_rate_hz * method.oversample
            paces = partial(usual_pace, sharper=method.sharper)
            self._built[method] = [
                build_circuit(solved, rate, self.taps, paces, course)
                for solved, course in zip(self._solved, self._courses, strict=True)
            ]
        return self._built[method]

    def whole(self, progress: Callable[[float], None] = lambda done: None) -> FloatArray:
        """Output of the whole take at once, (candidates, frames, channels, 1 + taps) volts."""
        heard = self._room(self.frames)
        for _ in self.spans(progress, heard):
            pass
        return heard

    def _room(self, frames: int) -> FloatArray:
        """Memory for some frames of output, in which a candidate's channel lies in one piece."""
        room = np.empty((self.channels, len(self.designs), 1 + len(self.taps), frames))
        return room.transpose(1, 3, 0, 2)

    def spans(
        self, progress: Callable[[float], None] = lambda done: None, into: FloatArray | None = None
    ) -> Iterator[FloatArray]:
        """Yield the output in order, (candidates, frames, channels, 1 + taps) volts a piece.

        Parameters
        ----------
        progress : called with the fraction done
        into : room for the whole output, which the pieces are to be parts of
        """
        if self._accuracy_db is None:
            yield from self._pieces(progress, into, survey=True)
        else:
            for _ in self._pieces(lambda done: progress(_SURVEY_SHARE * done), None, survey=True):
                pass
            assert self._judge is not None
            self.method, self._stated = self._judge.chosen(self._accuracy_db)
            self._spans.clear()
            rest = 1.0 - _SURVEY_SHARE
            yield from self._pieces(
                lambda done: progress(_SURVEY_SHARE + rest * done), into, survey=False
            )
        self._finished = True

    def _pieces(
        self, progress: Callable[[float], None], into: FloatArray | None, *, survey: bool
    ) -> Iterator[FloatArray]:
        """Yield the output of the method in order, surveyed if that is wanted."""
        lanes_each = self.channels * len(self.designs)
        most = max(SPAN_SAMPLES // lanes_each, 1 << 15)
        spans = max(math.ceil(self.frames / most), 1) if self._device == "cpu" else 1
        circuits = self.circuits(self.method)
        refuse_unsampled(circuits[0].sample_rate_hz, [c.ripple for c in circuits])
        each = [warm_up_of(c) for c in circuits]
        # What begins far from rest is not warmed up from there, and a card has lanes enough.
        whole = self._power or self._device == "gpu"
        warm_up = [math.inf] if whole else np.max(each, axis=0).tolist()
        length = math.ceil(self.frames / spans / self._grain) * self._grain
        plan = plan_segments(
            self.frames if spans == 1 else length, lanes_each, warm_up, self.sample_rate_hz,
            self._grain,
        )  # fmt: skip
        length, self._plan = plan.segments * plan.length, plan
        arrived: dict[int, list[FloatArray]] = {}
        spans = math.ceil(self.frames / max(length, 1))
        work = spans * plan.segments * plan.frames * lanes_each
        done = 0
        if survey:
            self._surveys = [Survey(self.sample_rate_hz) for _ in self.designs]

        def count(amount: int) -> None:
            nonlocal done
            done += amount
            progress(min(done / work, 1.0))

        self._compile(plan.segments * lanes_each, lambda: count(0))
        with stoppable_pool(self.threads, count) as pool:
            for start in range(0, self.frames, max(length, 1)):
                stop = min(start + length, self.frames)
                piece = self._room(stop - start) if into is None else into[:, start:stop]
                self._span(start, piece, pool, arrived, survey=survey)
                yield piece
        if survey:
            self._judge = Judge(
                self.circuits, self.method, self._surveys, self.window, self.sample_rate_hz,
                self.threads, self._power,
            )  # fmt: skip

    @property
    def _coarse(self) -> list[Method]:
        """Methods by which warm-ups begin."""
        if not self._plan.early:
            return []
        factors = [max(self.method.oversample // coarser, 1) for coarser in COARSER]
        return [Method(factor, self.method.sharper) for factor in factors]

    def _compile(self, lanes: int, waits: Callable[[], None]) -> None:
        """Compile what rendering and judging will want, side by side."""
        if self._device == "gpu":
            return
        widths = [1, LANES] if lanes == 1 else [LANES]
        circuits = self.circuits(self.method)
        groups = alike(self.circuits(self.method))
        real = np.float64 if in_double(circuits, self._power) else REAL
        programs = (
            program
            for group in groups
            for program in programs_of([circuits[k] for k in group], widths, real)
        )
        compile_ahead(programs, waits)

    def _span(
        self,
        start: int,
        piece: FloatArray,
        pool: StoppablePool,
        arrived: dict[int, list[FloatArray]],
        *,
        survey: bool,
    ) -> None:
        """Render a span by every run of the method, for every group of like candidates."""
        window = self._held(start)
        groups = alike(self.circuits(self.method))
        for number, group in enumerate(groups):
            circuits = [self.circuits(self.method)[k] for k in group]
            taps = [circuits[0].output, *(circuits[0].taps[t] for t in self.taps)]
            heard = piece if len(groups) == 1 else np.empty((len(group), *piece.shape[1:]))
            grain = self._grain if survey else 0
            try:
                span = self._carded(circuits, heard, taps, grain, pool) or Span(
                    circuits, window, start, heard, self.sample_rate_hz, taps, self._plan, grain,
                    [[self.circuits(f)[k] for k in group] for f in self._coarse],
                    self._power and [self._power[k] for k in group],
                ).render(pool, arrived.get(number))  # fmt: skip
            except StepError as error:
                raise named(error, group, len(self.designs)) from None
            arrived[number] = span.handed_on
            if survey:
                self._note(start, group, heard, span)
            self._spans.append((group, dataclasses.replace(span, watched=[])))
            if len(groups) > 1:
                piece[group] = heard

    def _carded(
        self,
        circuits: Sequence[Circuit],
        heard: FloatArray,
        taps: Sequence[Tap],
        grain: int,
        pool: StoppablePool,
    ) -> SpanResult | None:
        """Render the whole take on graphics cards, if that is wanted."""
        if self._device != "gpu":
            return None
        from vadist.rendering.on_cards import card_span

        return card_span(circuits, self.window, heard, self.sample_rate_hz, taps, grain, pool)

    def _note(self, start: int, group: list[int], heard: FloatArray, span: SpanResult) -> None:
        """Survey a span's output."""
        plan = self._plan
        firsts = np.add.outer(np.arange(plan.segments) * plan.length, plan.passages(self._grain))
        for k, candidate in enumerate(group):
            rest_v = self.circuits(self.method)[candidate].rest_v
            states = [s[..., k] for s in span.watched]
            self._surveys[candidate].add(start, heard[k, :, :, 0], rest_v, firsts.ravel(), states)

    def _held(self, start: int) -> Window:
        """Read what a span needs of the take, once; its segments are cut from memory."""
        first = start - self._plan.reach_back
        last = start + self._plan.segments * self._plan.length + REACH
        held = self.window(first, last)
        return lambda low, high: held[low - first : high - first]

    def reached(self, candidate: int) -> dict[str, StageRange]:
        """How far each stage's output moved in what was rendered of one candidate."""
        circuit, mine = self.circuits(self.method)[candidate], self._of(candidate)
        stages = {}
        for stage, tap in circuit.taps.items():
            rest = float(circuit.sections[tap.section].output_v[tap.row])
            low = min((span.peaks[stage][k, 0] for k, span in mine), default=0.0)
            high = max((span.peaks[stage][k, 1] for k, span in mine), default=0.0)
            stages[stage] = StageRange(rest, rest + float(low), rest + float(high))
        return stages

    def _of(self, candidate: int) -> list[tuple[int, SpanResult]]:
        """What was rendered of one candidate, and its place in it."""
        return [(group.index(candidate), span) for group, span in self._spans if candidate in group]

    def diagnostics(self, candidate: int) -> Diagnostics:
        """What the finished rendering says of one candidate.

        Raises
        ------
        UsageError
            Before all of :meth:`spans`, or :meth:`whole`, has been heard.
        """
        if not self._finished:
            raise UsageError(
                "diagnostics: the rendering is not finished; take all of spans() or whole() first"
            )
        circuit, mine = self.circuits(self.method)[candidate], self._of(candidate)
        effort: NDArray[np.int64] = np.sum([span.statistics for _, span in mine], axis=0)
        sections = tuple(
            SectionEffort(
                section.stages,
                float(effort[k, 0] / max(effort[k, 1], 1)) if mine else 0.0,
                int(effort[k, 2]) if mine else 0,
            )
            for k, section in enumerate(circuit.sections)
        )
        if not self._stated:
            assert self._judge is not None
            self._stated = self._judge.judged(self.method)
        return Diagnostics(
            self.method,
            self._stated[candidate],
            self.reached(candidate),
            sections,
            self._plan.segments,
            sum(span.seams for _, span in mine),
            sum(int(span.mended[k]) for k, span in mine),
            max((float(span.seam_v[k]) for k, span in mine), default=0.0),
        )
