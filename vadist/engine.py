"""A design made ready to step at one rate, and the stepper that pushes lanes through it."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vadist.analysis.operating_point import OperatingPoint, solve_all
from vadist.design import Design, output_node
from vadist.discretize import DiscreteSection, discretize
from vadist.errors import ConvergenceError
from vadist.kernel.lanes import run_section
from vadist.network import INPUT
from vadist.sections import Matrix, Section

NEWTON_TOLERANCE_V = 3e-6
"""The last step's linearised current is taken when no control voltage moved by more: Newton's
error is then below (3e-6 V)^2 / (2 n Vt), some 2e-10 V for a silicon junction."""

NEWTON_LIMIT = 12
"""Steps before a lane is handed to continuation."""

_FLUSH_V = 1e-30
# States decay geometrically in silence; below this they are zero, before they turn denormal.


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
            tuple(
                (s.states, s.inputs, s.ports, s.outputs, *(t.tobytes() for t in s.table))
                for s in self.sections
            ),
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


def _padded(matrix: Matrix) -> Matrix:
    """Zero columns up to a multiple of four, as the kernel reads them."""
    short = -matrix.shape[1] % 4
    return np.pad(matrix, [(0, 0), (0, short), *[(0, 0)] * (matrix.ndim - 2)])


@dataclass
class _Running:
    """One section's coefficients and state over the lanes."""

    P: Matrix
    W: Matrix
    K: Matrix
    table: tuple[NDArray[np.int64], ...]
    parameters: Matrix
    control_v: Matrix
    port_a: Matrix
    limits: Matrix
    sizes: tuple[int, int, int, int, int]
    z: Matrix
    v: Matrix
    v_old: Matrix
    peaks: Matrix
    statistics: NDArray[np.int64] = field(default_factory=lambda: np.zeros(3, dtype=np.int64))


class Stepper:
    """Pushes blocks of samples through a circuit, all lanes at once, from the operating point.

    Parameters
    ----------
    circuits : sequence of Circuit
        One for all lanes, or one for each lane; all of one structure.
    lanes : int
    """

    def __init__(self, circuits: Sequence[Circuit], lanes: int) -> None:
        self.circuits = tuple(circuits)
        self.lanes = lanes
        self.samples = 0
        self._running = [
            self._prepare(index, count) for index, count in enumerate(self.circuits[0].written)
        ]

    def _prepare(self, index: int, written: int) -> _Running:
        every = [circuit.sections[index] for circuit in self.circuits]
        first = every[0]

        def per_lane(arrays: list[Matrix]) -> Matrix:
            stacked = np.stack(arrays, axis=-1)
            return np.ascontiguousarray(np.broadcast_to(stacked, (*stacked.shape[:-1], self.lanes)))

        def shared(arrays: list[Matrix]) -> Matrix:
            return np.ascontiguousarray(arrays[0] if len(arrays) == 1 else per_lane(arrays))

        control_v = per_lane([s.control_v for s in every])
        rows = first.states + first.inputs + first.ports
        return _Running(
            P=_padded(shared([s.P for s in every])),
            W=_padded(shared([s.W for s in every])),
            K=shared([s.K for s in every]),
            table=first.table,
            parameters=per_lane([s.parameters for s in every]),
            control_v=control_v,
            port_a=per_lane([s.port_a for s in every]),
            limits=per_lane([s.limits for s in every]),
            sizes=(first.states, first.inputs, first.ports, first.outputs, written),
            z=np.zeros((rows + (-rows % 4) + 4, self.lanes)),
            v=control_v.copy(),
            v_old=control_v.copy(),
            peaks=np.zeros((first.outputs, 2, self.lanes)),
        )

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
        ConvergenceError
            Naming the stages, the time and the residual of the first sample without a solution.
        """
        circuit = self.circuits[0]
        results: list[Matrix] = []
        for index, running in enumerate(self._running):
            feeds = circuit.inputs[index]
            u = np.empty((len(volts), len(feeds), self.lanes))
            for k, feed in enumerate(feeds):
                u[:, k] = volts if feed is None else results[feed.section][:, feed.row]
            y = np.empty((len(volts), running.sizes[4], self.lanes))
            states = running.z[: running.sizes[0]]
            states[np.abs(states) < _FLUSH_V] = 0.0
            sample, lane, residual = run_section(
                running.P, running.W, running.K, running.table, running.parameters,
                running.control_v, running.port_a, running.limits, running.sizes, running.z,
                running.v, running.v_old, u, y, running.peaks, running.statistics,
                NEWTON_TOLERANCE_V, NEWTON_LIMIT,
            )  # fmt: skip
            if sample >= 0:
                raise StepError(
                    circuit.sections[index].stages,
                    (self.samples + sample) / circuit.sample_rate_hz,
                    lane,
                    residual,
                )
            results.append(y)
        self.samples += len(volts)
        return results

    def states(self) -> list[Matrix]:
        """Copies of the states, (states, lanes) in volts, one array a section."""
        return [r.z[: r.sizes[0]].copy() for r in self._running]

    def set_states(self, states: Sequence[Matrix]) -> None:
        """Put every section into given states."""
        for running, state in zip(self._running, states, strict=True):
            running.z[: running.sizes[0]] = state

    def reset_peaks(self) -> None:
        """Forget the smallest and largest volts seen so far."""
        for running in self._running:
            running.peaks[:] = 0.0

    def peaks(self) -> dict[str, Matrix]:
        """Smallest and largest deviation at each stage's output since the last reset, (2, lanes)."""
        return {
            stage: self._running[tap.section].peaks[tap.row]
            for stage, tap in self.circuits[0].taps.items()
        }

    def statistics(self) -> NDArray[np.int64]:
        """(sections, 3): Newton iterations, samples, rescued lane-samples."""
        return np.array([r.statistics for r in self._running])


class StepError(ConvergenceError):
    """A sample without a solution, with where it happened."""

    def __init__(
        self, stages: tuple[str, ...], seconds: float, lane: int, residual_v: float
    ) -> None:
        self.stages, self.seconds, self.lane, self.residual_v = stages, seconds, lane, residual_v
        super().__init__(
            f"{', '.join(stages)}: no solution at {seconds:.6f} s (last change {residual_v:.3g} V)"
        )
