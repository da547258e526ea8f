"""Sections over up to sixteen lanes: their workspace, and a kernel that steps them together."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.devices.evaluate import rest_constants
from vadist.errors import ConvergenceError
from vadist.kernel.compiled import kernel
from vadist.kernel.rescue import rescue
from vadist.kernel.structure import CONSTANTS, Program, Structure
from vadist.stepping.discretize import MIDWAY, DiscreteSection
from vadist.stepping.rails import Rails
from vadist.stepping.turns import Turned, Turner

NEWTON_TOLERANCE_V = 5e-5
"""The last step's linearised current is taken when no control voltage moved by more: Newton's
error is then below (5e-5 V)^2 / (2 Vt), some 5e-8 V at a junction while the signal moves, and far
less as it settles."""

NEWTON_LIMIT = 60
"""Steps before a lane is handed to the rescue: a limited step may have a long way to go."""

REAL = np.float32
"""What lanes are stepped in: volts from rest in single precision, sixteen to a vector."""

LANES = 16
"""Lanes a kernel steps together: four vectors of four, or two of eight; one lane runs alone."""


@dataclass(frozen=True)
class Bundle:
    """Sections that step together, for one lane.

    Attributes
    ----------
    sections : tuple of DiscreteSection
    rails : Rails or None
        That they share.
    """

    sections: tuple[DiscreteSection, ...]
    rails: Rails | None = None

    @property
    def turns(self) -> bool:
        """Whether coefficients change along the take."""
        return any(section.turns is not None for section in self.sections)

    @property
    def key(self) -> tuple[object, ...]:
        """What two bundles share that step alike."""
        own = () if self.rails is None else self.rails.key
        return (*(section.key for section in self.sections), own)


class Batch:
    """Lanes of one program, at rest to begin with.

    Parameters
    ----------
    bundles : sequence of Bundle
        One a lane, 1 to :data:`LANES`, of one structure. A batch of several lanes has the
        kernel's full width; its spare lanes repeat the last one.
    program : Program
        With the lanes and the precision that are wanted.
    begins : sequence of int
        Sample of the take that each lane begins with.
    tick : (int, int)
        Samples that come in within a tick of the circuit, and ticks of the program in it.
    """

    def __init__(
        self,
        bundles: Sequence[Bundle],
        program: Program,
        begins: Sequence[int] = (),
        tick: tuple[int, int] = (1, 1),
    ) -> None:
        self.lanes, self.width = len(bundles), program.lanes
        self.real = getattr(np, program.real)
        every = [bundles[k] for k in self.spread]
        self.bundle, self._program = every[0], program
        self._workspace = self._room(len(program.rows) * self.width)
        self._kernel = kernel(program)
        self._u, self._y = self._room(0), self._room(0)
        self._ticks = 0
        self._effort: NDArray[np.int64] = np.zeros(2 * len(program.parts), dtype=np.int64)
        self._rescued = np.zeros(len(program.parts), dtype=np.int64)
        self._rows = sum(part.written for part in program.parts)
        self._most = max(part.steps for part in program.parts)
        self.written = np.empty((self._rows, 0, self.width), dtype=self.real)
        self._workspace.reshape(-1, self.width)[:] = filled(program, every)
        self._turner = Turner(list(self._turned(every, begins)), *tick)

    @property
    def spread(self) -> list[int]:
        """Lane of each column of the kernel."""
        return [min(k, self.lanes - 1) for k in range(self.width)]

    @property
    def statistics(self) -> NDArray[np.int64]:
        """Newton steps, steps, rescued lane-steps of each part, (parts, 3)."""
        return np.column_stack([self._effort.reshape(-1, 2), self._rescued])

    @property
    def memory(self) -> FloatArray:
        """View of all that a lane goes on from, (memory, width)."""
        return self._workspace.reshape(-1, self.width)[: len(self._program.memory)]

    def extremes(self, part: int) -> FloatArray:
        """View of a part's outputs' least and most since they were reset, (outputs, 2, width)."""
        count = self._program.parts[part].outputs
        first = self._program.rows[part, "least0"] if count else 0
        table = self._workspace.reshape(-1, self.width)
        return table[first : first + 2 * count].reshape(-1, 2, self.width)

    def inputs(self, samples: int) -> FloatArray:
        """Room for the next block's input volts, (signals, samples, width), to be filled."""
        shape = (len(self._program.takes), samples, self.width)
        if self._u.size < math.prod(shape):
            self._u = self._room(math.prod(shape))
        return self._u[: math.prod(shape)].reshape(shape)

    def advance(self, u: FloatArray, ticks: int) -> None:
        """Run over a block; ``written``, (written, steps, width), holds the outputs after it.

        Parameters
        ----------
        u : (signals, samples, width), C-ordered
            Input volts.
        ticks : int

        Raises
        ------
        StepError
        """
        shape = (self._rows, ticks * self._most, self.width)
        if self._y.size < math.prod(shape):
            self._y = self._room(math.prod(shape))
        self.written = self._y[: math.prod(shape)].reshape(shape)
        table = self._workspace.reshape(-1, self.width)
        now, steps = self._ticks, len(self._program.parts) * self._most
        for first, last in self._turner.stretches(now, now + ticks, table):
            at, resume = (first - now) * steps, False
            while True:
                at = self._kernel.run(
                    self._workspace, u, self.written, last - now, self._effort,
                    self.real(NEWTON_TOLERANCE_V), NEWTON_LIMIT, at, resume,
                )  # fmt: skip
                if at < 0:
                    break
                self._rescue(at)
                resume = True
        self._ticks += ticks

    def _room(self, count: int) -> FloatArray:
        """Zeros on a boundary of 64 bytes: a vector across two cache lines takes twice the time."""
        raw = np.zeros(count + 15, dtype=self.real)
        first = -raw.ctypes.data // raw.itemsize % (64 // raw.itemsize)
        return raw[first : first + count]

    def _rescue(self, at: int) -> None:
        """Rescue the lanes a kernel could not solve at a step."""
        group, step = divmod(at, self._most)
        tick, part = divmod(group, len(self._program.parts))
        live, change = (self._program.rows[part, name] for name in ("live", "change"))
        table = self._workspace.reshape(-1, self.width)
        newton, limit = (getattr(self._kernel, f"{name}{part}") for name in ("newton", "limit"))
        for lane in np.flatnonzero(table[live] > 0.0):
            self._rescued[part] += 1
            with np.errstate(all="ignore"):  # a wild step is halved, not warned of
                solved = rescue(
                    self._program, part, newton, limit, self._workspace,
                    self.real(NEWTON_TOLERANCE_V), int(lane),
                )  # fmt: skip
            if not solved:
                section = self.bundle.sections[part]
                steps = (self._ticks + tick) * self._program.parts[part].steps + step
                residual_v = float(table[change, lane])
                raise StepError(section.stages, steps / section.step_rate_hz, residual_v, int(lane))

    def _turned(self, every: Sequence[Bundle], begins: Sequence[int]) -> Iterator[Turned]:
        """What changes in each column while knobs are turned."""
        for part, n in enumerate(self._program.parts):
            if not n.turned:
                continue
            places = np.array(sorted(n.turning - n.zeros))
            rows = self._program.row_range(part, n.turned)
            rates = self._program.row_range(part, [f"turn_{name}" for name in n.turned])
            midway = np.array([name.split("_")[0] in MIDWAY for name in n.turned])
            for column, (lane, bundle) in enumerate(zip(self.spread, every, strict=True)):
                turns = bundle.sections[part].turns
                if turns is not None:
                    begin = begins[lane]
                    yield Turned(turns, column, begin, places, rows, rates, midway, n.steps)


def filled(program: Program, bundles: Sequence[Bundle]) -> FloatArray:
    """Workspace of lanes at rest: coefficients and the operating point.

    Parameters
    ----------
    program : Program
        Its lanes do not matter.
    bundles : sequence of Bundle, one a lane

    Returns
    -------
    (rows, lanes)
    """
    table = np.zeros((len(program.rows), len(bundles)))
    for part, n in enumerate(program.parts):
        sections = [bundle.sections[part] for bundle in bundles]

        def fill(names: list[str], values: list[FloatArray], part: int = part) -> None:
            rows = program.row_range(part, names)
            table[rows] = np.array(values).reshape(len(bundles), -1).T

        fill(_names("rest_v", n.controls), [s.control_v for s in sections])
        for column, name in enumerate(("low", "high", "step", "grow")):
            fill(_names(name, n.controls), [s.limits[:, column] for s in sections])
        slopes = [f"slope{a}_{k}" for a in range(n.ports) for k in n.controls_of[a]]
        if slopes:
            own = tuple(np.array([(a, k) for a in range(n.ports) for k in n.controls_of[a]]).T)
            fill(slopes, [s.port_slopes[own] for s in sections])
        constants = [rest_constants(s.kinds, s.parameters, s.control_v) for s in sections]
        for d, kind in enumerate(n.kinds):
            names = [f"par{d}_{k}" for k in range(CONSTANTS[kind])]
            fill(names, [np.array(found[d]) for found in constants])
        held = [k for k in range(len(n.grid)) if k not in n.zeros]
        fill(list(n.coefficients), [s.coefficients[held] for s in sections])
    _fill_rails(table, program, [b.rails for b in bundles if b.rails is not None])
    return table


def _fill_rails(table: FloatArray, program: Program, every: list[Rails]) -> None:
    count, part = program.rails, len(program.parts)
    for name in ("G", "R"):
        names = [f"{name}_{a}_{b}" for a in range(count) for b in range(count)]
        if names:
            values = np.array([getattr(rails, name).ravel() for rails in every])
            table[program.row_range(part, names)] = values.T
    for k in range(count):
        table[program.rows[part, f"tick{k}"]] = [0.5 * r.tick_s for r in every]


class StepError(ConvergenceError):
    """A sample without a solution, with where it happened.

    Parameters
    ----------
    stages : tuple of str
    seconds : float
        Since the first sample that was stepped; once it is known which passage of a take a lane
        hears, since the take began.
    residual_v : float
    lane : int
    where : str
        What else there is to tell about the lane, as `` of channel 2``.
    """

    def __init__(
        self,
        stages: tuple[str, ...],
        seconds: float,
        residual_v: float,
        lane: int,
        where: str = "",
    ) -> None:
        self.stages, self.seconds, self.residual_v = stages, seconds, residual_v
        self.lane, self.where = lane, where
        super().__init__(
            f"{', '.join(stages)}: no solution at {seconds:.6f} s{where} "
            f"(last change {residual_v:.3g} V)"
        )

    def seen_from(self, lane: int, begins_s: float = 0.0, where: str = "") -> "StepError":
        """The same for those who know the lane by another number, or where in a take it begins."""
        seconds = begins_s + self.seconds
        return StepError(self.stages, seconds, self.residual_v, lane, self.where + where)


def _names(word: str, count: int) -> list[str]:
    return [f"{word}{k}" for k in range(count)]


def structure_of(
    section: DiscreteSection,
    written: int,
    beat: tuple[int, tuple[int, ...]],
    zeros: frozenset[int] = frozenset(),
    turning: frozenset[int] = frozenset(),
) -> Structure:
    """What the kernel sees of a section.

    Parameters
    ----------
    section : DiscreteSection
    written : int
        Outputs that leave the kernel.
    beat : tuple
        Steps of a tick, and samples of each signal that come in it.
    zeros : frozenset of int
        Positions of coefficients that are zero in every lane.
    turning : frozenset of int
        Positions of those that change along the take.
    """
    return Structure(
        section.kinds, section.states, section.outputs, written, *beat, section.curved,
        section.slow, zeros, turning,
    )  # fmt: skip
