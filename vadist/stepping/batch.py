"""One section over up to sixteen lanes: its workspace, and a kernel that steps them together."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.devices.evaluate import rest_constants
from vadist.errors import ConvergenceError
from vadist.kernel.compiled import kernel
from vadist.kernel.rescue import rescue
from vadist.kernel.structure import CONSTANTS, Structure
from vadist.stepping.discretize import DiscreteSection

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


class Batch:
    """Lanes of one section, at rest to begin with.

    Parameters
    ----------
    sections : sequence of DiscreteSection
        One a lane, 1 to :data:`LANES`, of one structure. A batch of several lanes has the
        kernel's full width; its spare lanes repeat the last one.
    written : int
        Outputs that leave the kernel.
    beat : tuple
        Steps of a beat, and samples of each signal that come in it.
    zeros : frozenset of int
        Positions of coefficients that are zero in every lane.
    real : type
    """

    def __init__(
        self,
        sections: Sequence[DiscreteSection],
        written: int,
        beat: tuple[int, tuple[int, ...]],
        zeros: frozenset[int],
        real: type = REAL,
    ) -> None:
        self.real, self.lanes = real, len(sections)
        self.width = 1 if self.lanes == 1 else LANES
        every = [sections[k] for k in self.spread]
        self.section = every[0]
        self._structure = structure_of(every[0], beat, written, self.width, real, zeros)
        self._workspace = self._room(len(self._structure.rows) * self.width)
        self._kernel = kernel(self._structure)
        self._u, self._y = self._room(0), self._room(0)
        self._steps = 0
        self.statistics: NDArray[np.int64] = np.zeros(3, dtype=np.int64)
        self.written = np.empty((written, 0, self.width), dtype=real)
        self._fill(every)

    @property
    def spread(self) -> list[int]:
        """Lane of each column of the kernel."""
        return [min(k, self.lanes - 1) for k in range(self.width)]

    def rows(self, word: str, count: int) -> FloatArray:
        """View of the workspace's rows ``word0``, ``word1``, ..., (count, width)."""
        first = self._structure.rows[f"{word}0"] if count else 0
        return self._workspace.reshape(-1, self.width)[first : first + count]

    @property
    def states(self) -> FloatArray:
        """View of all that a lane goes on from, (memory, width)."""
        return self._workspace.reshape(-1, self.width)[: len(self._structure.memory)]

    @property
    def extremes(self) -> FloatArray:
        """View of the outputs' least and most since they were reset, (outputs, 2, width) volts."""
        return self.rows("least", 2 * self._structure.outputs).reshape(-1, 2, self.width)

    def inputs(self, samples: int) -> FloatArray:
        """Room for the next block's input volts, (signals, samples, width), to be filled."""
        shape = (self._structure.signals, samples, self.width)
        if self._u.size < math.prod(shape):
            self._u = self._room(math.prod(shape))
        return self._u[: math.prod(shape)].reshape(shape)

    def advance(self, u: FloatArray, beats: int) -> None:
        """Run over a block; ``written``, (written, steps, width), holds the outputs after it.

        Parameters
        ----------
        u : (signals, samples, width), C-ordered
            Input volts.
        beats : int

        Raises
        ------
        StepError
        """
        steps = beats * self._structure.steps
        shape = (self._structure.written, steps, self.width)
        if self._y.size < math.prod(shape):
            self._y = self._room(math.prod(shape))
        self.written = self._y[: math.prod(shape)].reshape(shape)
        sample, resume = 0, False
        while True:
            sample = self._kernel.run(
                self._workspace, u, self.written, self.statistics,
                self.real(NEWTON_TOLERANCE_V), NEWTON_LIMIT, sample, resume,
            )  # fmt: skip
            if sample < 0:
                break
            self._rescue(sample)
            resume = True
        self._steps += steps

    def _room(self, count: int) -> FloatArray:
        """Zeros on a boundary of 64 bytes: a vector across two cache lines takes twice the time."""
        raw = np.zeros(count + 15, dtype=self.real)
        first = -raw.ctypes.data // raw.itemsize % (64 // raw.itemsize)
        return raw[first : first + count]

    def _rescue(self, sample: int) -> None:
        """Rescue the lanes a kernel could not solve at a sample."""
        live, change = (self._structure.rows[name] for name in ("live", "change"))
        table = self._workspace.reshape(-1, self.width)
        for lane in np.flatnonzero(table[live] > 0.0):
            self.statistics[2] += 1
            with np.errstate(all="ignore"):  # a wild step is halved, not warned of
                solved = rescue(
                    self._structure, self._kernel.newton, self._kernel.limit, self._workspace,
                    self.real(NEWTON_TOLERANCE_V), int(lane),
                )  # fmt: skip
            if not solved:
                seconds = (self._steps + sample) / self.section.step_rate_hz
                residual_v = float(table[change, lane])
                raise StepError(self.section.stages, seconds, residual_v, int(lane))

    def _fill(self, every: Sequence[DiscreteSection]) -> None:
        """Write coefficients and the operating point of all lanes."""
        n = self._structure
        table = self._workspace.reshape(-1, self.width)

        def fill(names: list[str], values: list[FloatArray]) -> None:
            table[n.row_range(names)] = np.array(values).reshape(self.width, -1).T

        fill(_names("rest_v", n.controls), [s.control_v for s in every])
        for column, name in enumerate(("low", "high", "step", "grow")):
            fill(_names(name, n.controls), [s.limits[:, column] for s in every])
        slopes = [f"slope{a}_{k}" for a in range(n.ports) for k in n.controls_of[a]]
        own = tuple(np.array([(a, k) for a in range(n.ports) for k in n.controls_of[a]]).T)
        fill(slopes, [s.port_slopes[own] if slopes else s.port_a for s in every])
        constants = [rest_constants(s.kinds, s.parameters, s.control_v) for s in every]
        for d, kind in enumerate(n.kinds):
            names = [f"par{d}_{k}" for k in range(CONSTANTS[kind])]
            fill(names, [np.array(found[d]) for found in constants])
        held = [k for k in range(len(n.grid)) if k not in n.zeros]
        fill(list(n.coefficients), [s.coefficients[held] for s in every])


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
    beat: tuple[int, tuple[int, ...]],
    written: int = 0,
    width: int = 1,
    real: type = REAL,
    zeros: frozenset[int] = frozenset(),
) -> Structure:
    """What the kernel sees of a section; see :class:`Batch`."""
    return Structure(
        section.kinds, section.states, section.outputs, written, *beat, section.curved,
        section.slow, width, real.__name__, zeros,
    )  # fmt: skip
