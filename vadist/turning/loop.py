"""The loop of a take through one design after another, each from where the last one differs."""

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Design
from vadist.errors import ConvergenceError, VadistError
from vadist.kernel.ahead import compile_ahead
from vadist.pool import StoppablePool, stoppable_pool
from vadist.stepping.batch import LANES
from vadist.stepping.circuit import Circuit, Tap, build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.resampling import default_oversample
from vadist.stepping.ripple import refuse_unsampled
from vadist.stepping.stepper import programs_of
from vadist.turning.carrying import carried_on
from vadist.turning.segments import DRAFT_SEAM_V, SEAM_V, Cut, Memories, Ran, Segments
from vadist.turning.shapes import Shapes, SturdyCircuit, designs_by_chance
from vadist.turning.strips import (
    Strip,
    as_take,
    behind,
    cuts,
    first_unlike,
    strip_of_take,
)

MOST_KEPT_BYTES = 256_000_000
"""Signals between blocks that are kept of a loop, in single precision."""


@dataclass(frozen=True)
class Heard:
    """A loop through a design.

    Attributes
    ----------
    volts : (frames, channels)
        Less what the output rests at, which is no sound.
    blocks : tuple of str
        Blocks that were stepped for it, in signal order; the others were kept.
    passes : int
        How often lanes were run.
    seam_v : float
        Largest difference of a state at a seam.
    """

    volts: FloatArray
    blocks: tuple[str, ...]
    passes: int
    seam_v: float

    @property
    def settled(self) -> bool:
        """Whether every seam fits; a draft is what it is not."""
        return self.seam_v <= SEAM_V


@dataclass(frozen=True)
class _Kept:
    """What the last design left.

    Attributes
    ----------
    circuit : Circuit
    segments : Segments
        Of the circuit from program ``first`` on.
    strips : mapping of int -> Strip
        Settled signals, by the program that they feed.
    began : Memories
        Of every program; where settled, of the last run.
    """

    circuit: SturdyCircuit
    segments: Segments
    first: int
    ran: Ran
    places: dict[Tap, int]
    strips: dict[int, Strip]
    early: Memories
    blocks: tuple[str, ...]

    @property
    def began(self) -> Memories:
        return self.early + self.ran.began


class Loop:
    """A take that is rendered over and over through designs that differ little.

    Parameters
    ----------
    volts : (frames, channels)
        At the input.
    sample_rate_hz : float
    oversample : int, optional
    threads : int, optional
    """

    def __init__(
        self,
        volts: FloatArray,
        sample_rate_hz: float,
        *,
        oversample: int | None = None,
        threads: int | None = None,
    ) -> None:
        self.frames, self.channels = volts.shape
        self.sample_rate_hz = float(sample_rate_hz)
        self.factor = oversample or default_oversample(sample_rate_hz)
        self.threads = threads or os.cpu_count() or 1
        self._take = strip_of_take(volts, sample_rate_hz, self.factor)
        self._cut = Cut.of(self.frames, self.channels, self.sample_rate_hz)
        self._shapes = Shapes()
        self._kept: _Kept | None = None

    def circuit(self, design: Design) -> SturdyCircuit:
        """A design discretised for the loop."""
        solved = solve_network(design.network())
        circuit = build_circuit(solved, self.sample_rate_hz * self.factor, (), usual_pace)
        refuse_unsampled(circuit.sample_rate_hz, [circuit.ripple])
        return self._shapes.sturdy(circuit)

    def learn(self, design: Design) -> None:
        """Meet designs of the same drawing, so that kernels do for other values, too."""
        for other in designs_by_chance(design):
            with suppress(VadistError):  # not every chance has an operating point
                self.circuit(other)

    def render(
        self,
        design: Design,
        wanted: Callable[[], None] = lambda: None,
        *,
        draft: bool = False,
    ) -> Heard:
        """Render the loop through a design.

        Parameters
        ----------
        design : Design
        wanted : callable
            Called all the time; what it raises calls the work off, and nothing is heard of it.
        draft : bool
            Whether a loop that has not settled yet will do.

        Raises
        ------
        ConvergenceError
            If the circuit equations could not be solved.
        """
        circuit, fit_v = self.circuit(design), DRAFT_SEAM_V if draft else SEAM_V
        unlike = 0 if self._kept is None else first_unlike(self._kept.circuit, circuit)
        with stoppable_pool(self.threads, lambda amount: wanted()) as pool:
            if self._kept is None or unlike < len(circuit.programs):
                self._kept = self._begun(circuit, unlike, pool, wanted)
            kept = self._kept
            if kept.ran.seam_v > fit_v:
                kept.segments.settle(pool, kept.ran, fit_v)
        if kept.ran.seam_v <= SEAM_V:
            kept.strips.update({n: kept.segments.strips[tap] for tap, n in kept.places.items()})
        output = kept.segments.strips[kept.segments.circuit.output]
        pace = circuit.paces[circuit.output.section] // circuit.entry_pace
        volts = as_take(output, self.sample_rate_hz, pace, self.frames)
        if not np.isfinite(volts).all():
            raise ConvergenceError(f"{design.name}: the loop has no finite volts with these values")
        return Heard(volts, kept.blocks, kept.ran.passes, kept.ran.seam_v)

    def _begun(
        self, circuit: SturdyCircuit, unlike: int, pool: StoppablePool, wanted: Callable[[], None]
    ) -> _Kept:
        """Step a circuit once from where it differs from the last one."""
        last = self._kept
        strips = {} if last is None else {k: s for k, s in last.strips.items() if k <= unlike}
        first = max((k for k in strips if k in cuts(circuit)), default=0)
        late = behind(circuit, first)
        compile_ahead(programs_of([late], [1, LANES]), wanted)
        places = self._places(late, first)
        strip = strips[first] if first else self._take
        segments = Segments(late, strip, self._cut, self.sample_rate_hz, {*places, late.output})
        held, shares = None, None
        if last is not None:
            held, shares = carried_on(last.began, last.circuit, circuit), last.ran.shares
        early = held[:first] if held else []
        ran = segments.begin(pool, held and held[first:], shares)
        blocks = tuple(dict.fromkeys(s for section in late.sections for s in section.stages))
        return _Kept(circuit, segments, first, ran, places, strips, early, blocks)

    def _places(self, late: Circuit, first: int) -> dict[Tap, int]:
        """Signals of the late part worth keeping, with the program of the whole that hears each."""
        each = 4 * self._cut.frames * self.channels * self.factor
        room, places = MOST_KEPT_BYTES, {}
        for number, tap in cuts(late).items():
            room -= each * late.paces[tap.section] // late.entry_pace
            if room > 0:
                places[tap] = first + number
        return places
