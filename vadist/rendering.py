"""One take through candidates, span by span, in memory that does not grow with the take."""

import math
import os
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vadist.analysis.operating_point import solve_all
from vadist.circuit import Circuit, build_circuit
from vadist.design import Design
from vadist.diagnostics import Diagnostics, SectionEffort, StageRange
from vadist.errors import UsageError
from vadist.method import Method, choose_method, estimate_error_db, judged_part, loudest_excerpts
from vadist.pool import StoppablePool, stoppable_pool
from vadist.resampling import REACH, default_oversample
from vadist.sections import Matrix
from vadist.segments import Plan, Span, SpanResult, plan_segments, warm_up_seconds

SPAN_SAMPLES = 9_000_000
"""Samples (frames times channels times candidates) held at once: what bounds the memory."""

_SPAN_UNIT = 128
# Spans are a multiple of this, so that every number of segments divides them.

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000

Window = Callable[[int, int], Matrix]
"""Frames first..last of a take in volts, (frames, channels), zero outside its ends."""


def array_window(volts: Matrix) -> Window:
    """Window onto an array, zero outside it."""

    def window(first: int, last: int) -> Matrix:
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
    ) -> None:
        if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ:
            raise UsageError(
                f"sample rate must be within {LOWEST_RATE_HZ}..{HIGHEST_RATE_HZ} Hz "
                f"(got {sample_rate_hz:g})"
            )
        if oversample is not None and not 1 <= oversample <= 256:
            raise UsageError(f"oversample must be within 1..256 (got {oversample})")
        if oversample is not None and accuracy_db is not None:
            raise UsageError("give either oversample or accuracy, not both")
        if threads is not None and threads < 1:
            raise UsageError(f"threads must be at least 1 (got {threads})")
        for design in designs:
            for tap in taps:
                if tap not in design.stages:
                    raise UsageError(f"{design.name} has no stage {tap!r} to listen to")
        self.designs, self.sample_rate_hz = list(designs), float(sample_rate_hz)
        self.frames, self.channels, self.window, self.taps = frames, channels, window, tuple(taps)
        self.threads = threads or os.cpu_count() or 1
        self._solved = [solve_all(design.network()) for design in self.designs]
        self._built: dict[int, list[Circuit]] = {}
        self._excerpts = loudest_excerpts(window, frames, self.sample_rate_hz)
        if accuracy_db is not None:
            self.method = choose_method(self._excerpt_volts, accuracy_db)
        else:
            self.method = Method(oversample or default_oversample(sample_rate_hz))
        self._spans: list[tuple[list[int], SpanResult]] = []
        self._plan = Plan(1, 0, 0)

    def circuits(self, factor: int) -> list[Circuit]:
        """Candidates discretised at an oversampling factor."""
        if factor not in self._built:
            rate = self.sample_rate_hz * factor
            self._built[factor] = [
                build_circuit(design, rate, self.taps, solved)
                for design, solved in zip(self.designs, self._solved, strict=True)
            ]
        return self._built[factor]

    def _alike(self, factor: int) -> list[list[int]]:
        """Candidates grouped by structure, so that each group runs as lanes of one batch."""
        groups: dict[object, list[int]] = {}
        for k, circuit in enumerate(self.circuits(factor)):
            groups.setdefault(circuit.structure, []).append(k)
        return list(groups.values())

    def _excerpt_volts(self, factor: int) -> Matrix:
        """Output of the excerpts at a factor, (candidates, samples)."""
        circuits, excerpts = self.circuits(factor), self._excerpts
        judged = judged_part(len(excerpts))
        heard = np.zeros((len(self.designs), excerpts[judged].size))
        with stoppable_pool(self.threads) as pool:
            for group in self._alike(factor):
                chosen = [circuits[k] for k in group]
                volts = np.empty((len(group), *excerpts.shape, 1))
                Span(
                    chosen, array_window(excerpts), 0, volts, self.sample_rate_hz,
                    [chosen[0].output], Plan(1, len(excerpts), 0),
                ).render(pool)  # fmt: skip
                kept = volts[:, judged, :, 0]
                heard[group] = kept.reshape(len(group), -1)
        return heard

    @cached_property
    def _errors_db(self) -> list[float | None]:
        return estimate_error_db(self._excerpt_volts, self.method)

    def whole(self, progress: Callable[[float], None] = lambda done: None) -> Matrix:
        """Output of the whole take at once, (candidates, frames, channels, 1 + taps) volts."""
        heard = self._room(self.frames)
        for _ in self.spans(progress, heard):
            pass
        return heard

    def _room(self, frames: int) -> Matrix:
        """Memory for some frames of output, in which a candidate's channel lies in one piece."""
        room = np.empty((self.channels, len(self.designs), 1 + len(self.taps), frames))
        return room.transpose(1, 3, 0, 2)

    def spans(
        self, progress: Callable[[float], None] = lambda done: None, into: Matrix | None = None
    ) -> Iterator[Matrix]:
        """Yield the output in order, (candidates, frames, channels, 1 + taps) volts a piece.

        Parameters
        ----------
        progress : called with the fraction done
        into : room for the whole output, which the pieces are to be parts of
        """
        lanes_each = self.channels * len(self.designs)
        most = max(SPAN_SAMPLES // lanes_each, 1 << 15)
        spans = max(math.ceil(self.frames / most), 1)
        length = math.ceil(self.frames / spans / _SPAN_UNIT) * _SPAN_UNIT
        warm_up = max(warm_up_seconds(c) for c in self.circuits(self.method.oversample))
        self._plan = plan_segments(length, lanes_each, warm_up, self.sample_rate_hz)
        arrived: dict[tuple[int, int], list[Matrix]] = {}
        plan = self._plan
        work = spans * plan.segments * plan.frames * lanes_each * len(self.method.terms)
        done = 0

        def count(amount: int) -> None:
            nonlocal done
            done += amount
            progress(min(done / work, 1.0))

        with stoppable_pool(self.threads, count) as pool:
            for start in range(0, self.frames, max(length, 1)):
                stop = min(start + length, self.frames)
                piece = self._room(stop - start) if into is None else into[:, start:stop]
                self._span(start, piece, pool, arrived)
                yield piece

    def _span(
        self,
        start: int,
        piece: Matrix,
        pool: StoppablePool,
        arrived: dict[tuple[int, int], list[Matrix]],
    ) -> None:
        """Render a span by every run of the method, for every group of like candidates."""
        window = self._held(start)
        if summed := len(self._alike(self.method.oversample)) > 1 or len(self.method.terms) > 1:
            piece[:] = 0.0
        for factor, weight in self.method.terms:
            for number, group in enumerate(self._alike(factor)):
                circuits = [self.circuits(factor)[k] for k in group]
                taps = [circuits[0].output, *(circuits[0].taps[t] for t in self.taps)]
                heard = np.empty((len(group), *piece.shape[1:])) if summed else piece
                span = Span(
                    circuits, window, start, heard, self.sample_rate_hz, taps, self._plan
                ).render(pool, arrived.get((factor, number)))
                arrived[factor, number] = span.handed_on
                if factor == self.method.oversample:
                    self._spans.append((group, span))
                if summed:
                    piece[group] += weight * heard

    def _held(self, start: int) -> Window:
        """Read what a span needs of the take, once; its segments are cut from memory."""
        first = start - self._plan.lead
        last = start + self._plan.segments * self._plan.length + REACH
        held = self.window(first, last)
        return lambda low, high: held[low - first : high - first]

    def diagnostics(self, candidate: int) -> Diagnostics:
        """What the finished rendering says of one candidate."""
        circuit = self.circuits(self.method.oversample)[candidate]
        mine = [(group.index(candidate), span) for group, span in self._spans if candidate in group]
        stages = {}
        for stage, tap in circuit.taps.items():
            rest = float(circuit.sections[tap.section].output_v[tap.row])
            low = min((span.peaks[stage][k, 0] for k, span in mine), default=0.0)
            high = max((span.peaks[stage][k, 1] for k, span in mine), default=0.0)
            stages[stage] = StageRange(rest, rest + float(low), rest + float(high))
        effort: NDArray[np.int64] = np.sum([span.statistics for _, span in mine], axis=0)
        sections = tuple(
            SectionEffort(
                section.stages,
                float(effort[k, 0] / max(effort[k, 1], 1)) if mine else 0.0,
                int(effort[k, 2]) if mine else 0,
            )
            for k, section in enumerate(circuit.sections)
        )
        return Diagnostics(
            self.method,
            self._errors_db[candidate],
            stages,
            sections,
            self._plan.segments,
            sum(span.seams for _, span in mine),
            sum(int(span.mended[k]) for k, span in mine),
            max((float(span.seam_v[k]) for k, span in mine), default=0.0),
        )
