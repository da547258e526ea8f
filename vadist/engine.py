"""A design made ready to step at one rate, and the stepper that pushes lanes through it."""

from collections.abc import Sequence
from dataclasses import dataclass
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from vadist.analysis.operating_point import OperatingPoint, solve_all
from vadist.design import Design, output_node
from vadist.discretize import DiscreteSection, discretize
from vadist.errors import ConvergenceError
from vadist.kernel.compiled import kernel
from vadist.kernel.rescue import rescue
from vadist.kernel.structure import PARAMETERS, Structure
from vadist.network import INPUT
from vadist.sections import Matrix, Section

NEWTON_TOLERANCE_V = 2e-5
"""The last step's linearised current is taken when no control voltage moved by more: Newton's
error is then below (2e-5 V)^2 / (2 Vt), some 8e-9 V at a junction while the signal moves, and far
less as it settles."""

NEWTON_LIMIT = 60
"""Steps before a lane is handed to continuation: a limited step may have a long way to go."""


@dataclass(frozen=True)
class Tap:
    """Where a stage's output is found: section index, row among its outputs."""

    section: int
    row: int


@dataclass(frozen=True)
class Circuit:
    """A design at one rate: its sections as difference equations and how they are chained.

    Attributes
    ----------
    sections : tuple of DiscreteSection
        In signal order.
    written : tuple of int
        How many outputs of each section go on as a signal; they come first.
    inputs : tuple of tuple of Tap or None
        What feeds each signal of each section; None is the take.
    taps : mapping of stage name -> Tap
    output : Tap
    sample_rate_hz : float
    """

    sections: tuple[DiscreteSection, ...]
    written: tuple[int, ...]
    inputs: tuple[tuple[Tap | None, ...], ...]
    taps: dict[str, Tap]
    output: Tap
    sample_rate_hz: float

    @property
    def structure(self) -> tuple[object, ...]:
        """What two circuits must share to run as lanes of one batch."""
        return (
            self.written,
            self.inputs,
            self.output,
            tuple((s.states, s.inputs, s.outputs, s.kinds) for s in self.sections),
        )

    @property
    def rest_v(self) -> float:
        """DC volts of the output."""
        return float(self.sections[self.output.section].output_v[self.output.row])


def build_circuit(
    design: Design,
    sample_rate_hz: float,
    listen: Sequence[str] = (),
    solved: list[tuple[Section, OperatingPoint]] | None = None,
) -> Circuit:
    """Solve a design's operating point and discretise it.

    Parameters
    ----------
    design : Design
    sample_rate_hz : float
        The oversampled rate.
    listen : sequence of stage names
        Stages whose output volts are to leave the kernel besides the final output.
    solved : list, optional
        Sections with operating points, when they are at hand already.
    """
    solved = solve_all(design.network()) if solved is None else solved
    stage_nodes = {output_node(stage): stage for stage in design.stages}
    read = {signal for section, _ in solved for signal in section.signals}
    wanted = read | {design.output} | {output_node(stage) for stage in listen}
    sections, written, place = [], [], {}
    for index, (section, point) in enumerate(solved):
        here = [n for n in stage_nodes if n in section.unknowns]
        here += [n for n in section.unknowns if n in read and n not in stage_nodes]
        nodes = sorted(here, key=lambda n: n not in wanted)
        for row, node in enumerate(nodes):
            place[node] = Tap(index, row)
        written.append(sum(n in wanted for n in nodes))
        sections.append(discretize(section, point, sample_rate_hz, tuple(nodes)))
    inputs = tuple(
        tuple(None if s == INPUT else place[s] for s in section.signals) for section in sections
    )
    taps = {stage: place[node] for node, stage in stage_nodes.items()}
    return Circuit(
        tuple(sections), tuple(written), inputs, taps, place[design.output], sample_rate_hz
    )


LANES = 16
"""Lanes a kernel steps together: four vectors of four, or two of eight; one lane runs alone."""


@dataclass
class _Running:
    """One section's workspace over the lanes."""

    structure: Structure
    kernel: ModuleType
    workspace: Matrix
    statistics: NDArray[np.int64]

    def rows(self, *names: str) -> Matrix:
        """View of named rows, (names, lanes); consecutive rows only."""
        n = self.structure
        first = n.rows[names[0]] if names else 0
        return self.workspace.reshape(-1, n.lanes)[first : first + len(names)]


class Stepper:
    """Pushes blocks of samples through a circuit, all lanes at once, from the operating point.

    Parameters
    ----------
    circuits : sequence of Circuit
        One for all lanes, or one for each lane; all of one structure.
    lanes : int
        Up to :data:`LANES`; unused lanes of the kernel run silent.
    """

    def __init__(self, circuits: Sequence[Circuit], lanes: int) -> None:
        self.circuits = tuple(circuits)
        self.lanes = lanes
        self.samples = 0
        self._width = 1 if lanes == 1 else LANES
        if lanes > LANES:
            raise ValueError(f"lanes must be <= {LANES} (got {lanes})")
        # Spare lanes of the kernel repeat the last circuit.
        every = [*self.circuits, *[self.circuits[-1]] * (self._width - len(self.circuits))]
        self._running = [
            _start([c.sections[k] for c in every], written)
            for k, written in enumerate(self.circuits[0].written)
        ]

    def process(self, volts: Matrix) -> list[Matrix]:
        """Advance by a block.

        Parameters
        ----------
        volts : (samples, lanes)
            Input volts.

        Returns
        -------
        list of (samples, written outputs, lanes)
            Deviations from rest, one array a section.

        Raises
        ------
        StepError
            Naming the stages, the time and the residual of the first sample without a solution.
        """
        circuit = self.circuits[0]
        take = volts[:, None]
        if self.lanes < self._width:
            spare = np.zeros((len(volts), 1, self._width - self.lanes))
            take = np.concatenate([take, spare], axis=2)
        results: list[Matrix] = []
        for index, running in enumerate(self._running):
            feeds = [
                take if feed is None else results[feed.section][:, feed.row : feed.row + 1]
                for feed in circuit.inputs[index]
            ]
            # One feed, the usual case, goes on as it lies.
            u = np.ascontiguousarray(feeds[0] if len(feeds) == 1 else np.hstack(feeds))
            y = np.empty((len(volts), running.structure.written, self._width))
            self._advance(index, running, u, y)
            results.append(y)
        self.samples += len(volts)
        return [y[:, :, : self.lanes] for y in results]

    def _advance(self, index: int, running: _Running, u: Matrix, y: Matrix) -> None:
        """Run a section over a block; samples it cannot solve go through continuation."""
        circuit, solver = self.circuits[0], running.kernel
        sample, resume = 0, False
        while True:
            sample = solver.run(
                running.workspace, u, y, running.statistics,
                NEWTON_TOLERANCE_V, NEWTON_LIMIT, sample, resume,
            )  # fmt: skip
            if sample < 0:
                return
            for lane in np.flatnonzero(running.rows("live")[0] > 0.0):
                running.statistics[2] += 1
                with np.errstate(all="ignore"):  # a wild step is halved, not warned of
                    solved = rescue(
                        running.structure, solver.newton, running.workspace,
                        NEWTON_TOLERANCE_V, int(lane),
                    )  # fmt: skip
                if not solved:
                    raise StepError(
                        circuit.sections[index].stages,
                        (self.samples + sample) / circuit.sample_rate_hz,
                        int(lane),
                        float(running.rows("change")[0, lane]),
                    )
            resume = True

    def states(self) -> list[Matrix]:
        """Copies of the states, (states, lanes) in volts, one array a section."""
        return [
            r.rows(*_names("x", r.structure.states))[:, : self.lanes].copy() for r in self._running
        ]

    def set_states(self, states: Sequence[Matrix]) -> None:
        """Put sections into given states; NaN leaves a state as it is."""
        for running, state in zip(self._running, states, strict=True):
            held = running.rows(*_names("x", running.structure.states))[:, : self.lanes]
            np.copyto(held, state, where=~np.isnan(state))

    def _extremes(self, index: int) -> Matrix:
        """Smallest and largest deviations of a section's outputs, (outputs, 2, width)."""
        running = self._running[index]
        rows = running.rows(*["least0", "most0"] * running.structure.outputs)
        return rows.reshape(-1, 2, self._width)

    def reset_peaks(self) -> None:
        """Forget the smallest and largest volts seen so far."""
        for index, running in enumerate(self._running):
            if running.structure.outputs:
                self._extremes(index)[:] = 0.0

    def peaks(self) -> dict[str, Matrix]:
        """Smallest and largest deviation of each stage since the last reset, (2, lanes)."""
        return {
            stage: self._extremes(tap.section)[tap.row][:, : self.lanes]
            for stage, tap in self.circuits[0].taps.items()
        }

    def statistics(self) -> NDArray[np.int64]:
        """(sections, 3): Newton iterations, samples, continued lane-samples."""
        return np.array([r.statistics for r in self._running])


def _names(word: str, count: int) -> list[str]:
    return [f"{word}{k}" for k in range(count)]


def _start(every: list[DiscreteSection], written: int) -> _Running:
    """Lay out a section's workspace with all lanes at rest."""
    first = every[0]
    structure = Structure(
        first.kinds, first.states, first.inputs, first.outputs, written, len(every)
    )
    workspace = np.zeros((len(structure.rows), len(every)))

    def fill(names: list[str], values: list[Matrix]) -> None:
        workspace[structure.row_range(names)] = np.array(values).reshape(len(every), -1).T

    for name in ("v", "v_old", "v_older", "p", "p_old", "rest_v"):
        fill(_names(name, structure.controls), [s.control_v for s in every])
    for column, name in enumerate(("low", "high", "step", "grow")):
        fill(_names(name, structure.controls), [s.limits[:, column] for s in every])
    fill(_names("rest_i", structure.ports), [s.port_a for s in every])
    for d, kind in enumerate(structure.kinds):
        names = [f"par{d}_{k}" for k in range(PARAMETERS[kind])]
        fill(names, [np.array(s.parameters[d]) for s in every])
    fill(
        list(structure.coefficients),
        [np.concatenate([s.P.ravel(), s.W.ravel(), s.K.ravel()]) for s in every],
    )
    return _Running(structure, kernel(structure), workspace.ravel(), np.zeros(3, dtype=np.int64))


class StepError(ConvergenceError):
    """A sample without a solution, with where it happened."""

    def __init__(
        self, stages: tuple[str, ...], seconds: float, lane: int, residual_v: float
    ) -> None:
        self.stages, self.seconds, self.lane, self.residual_v = stages, seconds, lane, residual_v
        super().__init__(
            f"{', '.join(stages)}: no solution at {seconds:.6f} s (last change {residual_v:.3g} V)"
        )
