"""A section whose resistors are moved along a take: a knob is turned, a contact opens.

Everything stays counted from where the circuit rests at the start of the take. There a resistor of
conductance g holds v_rest; with g + dg Kirchhoff's law in deviations is the same, but for the
conductance and for a constant current dg v_rest beside it, which is a signal of the section that is
one at all times. So the point of rest moves, and thumps, as the circuit makes it.

States are charges and fluxes, which no resistance makes jump. They are kept as shares of the modes
of the start, whatever the modes become, so that coefficients change along smooth curves, which
:mod:`vadist.stepping.curves` follows.
"""

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray
from vadist.circuits.operating_point import OperatingPoint, SolvedNetwork
from vadist.circuits.sections import Branches, Section, conductances
from vadist.errors import DesignError
from vadist.stepping.curves import followed
from vadist.stepping.discretize import (
    MATRICES,
    MIDWAY,
    OUTWARD,
    DiscreteSection,
    difference_equations,
    without_rounding,
)
from vadist.stepping.rails import Flows, Torn, take_out
from vadist.stepping.turns import Turns

_HELD = "held at one"
# Name of the signal.

_ROUNDING, _ROUNDING_V = 1e-12, 1e-13
# Of the largest number in a row; and volts in a step.


@dataclass(frozen=True)
class Course:
    """Resistors that are moved along a take.

    Attributes
    ----------
    parts : tuple of str
    breaks : tuple of int
        Ascending frames of the take between which they move evenly; before and behind them all
        stands still.
    bends : tuple of float
        Where, between breaks, they turn a corner.
    ohm_at : callable (frame, after) -> (parts,)
        Their ohms; at a frame at which a contact changes, before it or after it.
    sample_rate_hz : float
        Of the take.
    """

    parts: tuple[str, ...]
    breaks: tuple[int, ...]
    bends: tuple[float, ...]
    ohm_at: Callable[[float, bool], FloatArray]
    sample_rate_hz: float

    def touches(self, section: Section) -> bool:
        """Whether any of them is one of a section's."""
        return not set(self.parts).isdisjoint(section.resistors.parts)


@dataclass(frozen=True)
class Discretising:
    """A section on its way to difference equations.

    Attributes
    ----------
    section, point, step_rate_hz, output_nodes, samples, flows
        See :func:`vadist.stepping.discretize.difference_equations`.
    rails : tuple of str
        That are torn.
    """

    section: Section
    point: OperatingPoint
    step_rate_hz: float
    output_nodes: tuple[str, ...]
    samples: tuple[int, ...]
    flows: Flows | None
    rails: tuple[str, ...]

    def still(self) -> DiscreteSection:
        """With its resistors as they are."""
        return difference_equations(
            self.section, self.point, self.step_rate_hz, self.output_nodes, self.samples, self.flows
        )

    def moved(self, course: Course, tick_hz: float, samples: int) -> DiscreteSection:
        """With its resistors on their course.

        Parameters
        ----------
        course : Course
        tick_hz : float
            Ticks of the circuit in a second.
        samples : int
            Samples of the take in one, at the rate at which it comes in.
        """
        own = [k for k, part in enumerate(course.parts) if part in self.section.resistors.parts]
        columns = [self.section.resistors.parts.index(course.parts[k]) for k in own]
        ticks = round(tick_hz / course.sample_rate_hz)
        known: dict[bytes, DiscreteSection] = {}

        def at(tick: float, after: bool) -> DiscreteSection:
            ohm = course.ohm_at(tick / ticks, after)[own]
            if ohm.tobytes() not in known:
                known[ohm.tobytes()] = self._with(columns, ohm, still=tick in breaks)
            return known[ohm.tobytes()]

        breaks = [frame * ticks for frame in course.breaks]
        first = _in_volts(at(breaks[0], False))
        places, values = followed(
            lambda tick, after: _in_basis(at(tick, after), first.basis),
            breaks, [bend * ticks for bend in course.bends], _rows(first), tick_hz,
            self._jumping(first, tick_hz),
        )  # fmt: skip
        values[:, _is_rounding(values, _rows(first))] = 0.0
        return dataclasses.replace(
            first,
            **_matrices(first, values[0]),
            rest_modes=np.unique(np.concatenate([found.rest_modes for found in known.values()])),
            turns=Turns(places * samples, values),
        )

    def _jumping(self, first: DiscreteSection, tick_hz: float) -> FloatArray:
        """What of a jump of each coefficient the step that ends with it makes.

        A sample on a jump is its middle, so that all rates agree when it is; a tick of several
        steps comes to that by a line of the same sum.
        """
        share = 1.0 / (round(self.step_rate_hz / tick_hz) + 1.0)
        sizes = [getattr(first, name).size for name in MATRICES]
        return np.repeat([share if name in OUTWARD else 0.0 for name in MATRICES], sizes)

    def _with(self, columns: list[int], ohm: FloatArray, *, still: bool) -> DiscreteSection:
        """With some of its resistors of other ohms; its modes at rest where they may stay so."""
        section, point = self.section, self.point
        resistors = section.resistors
        rest_v = resistors.across[columns] @ point.node_v
        rest_v = rest_v + resistors.across_known[columns] @ point.known_v
        values = resistors.values.copy()
        values[columns] = ohm
        grown = 1.0 / ohm - 1.0 / resistors.values[columns]
        other = dataclasses.replace(resistors, values=values)
        known = (*section.signals, *section.rails)
        conductance, conductance_known = conductances(
            other, section.devices, section.unknowns, known, section.reference
        )
        place = len(section.signals)
        pushed = resistors.into[:, columns] @ (grown * rest_v)
        moved = dataclasses.replace(
            section,
            signals=(*section.signals, _HELD),
            conductance=conductance,
            conductance_known=np.insert(conductance_known, place, pushed, axis=1),
            resistors=_beside(other, place),
            capacitors=_beside(section.capacitors, place),
            inductors=_beside(section.inductors, place),
            control_known=np.insert(section.control_known, place, 0.0, axis=1),
        )
        return difference_equations(
            moved, point, self.step_rate_hz, self.output_nodes, (*self.samples, 0),
            self._flows(columns, grown, rest_v), None if still else np.zeros(0, dtype=complex),
        )  # fmt: skip

    def _flows(self, columns: list[int], grown: FloatArray, rest_v: FloatArray) -> Flows | None:
        """What the section takes from torn rails, with some conductances grown."""
        if self.flows is None:
            return None
        section, count = self.section, len(self.section.signals)
        moved = section.resistors.only(columns)
        given = self.flows
        flows = Flows(*(a.copy() for a in (given.nodes, given.coils, given.signals, given.ports)))
        steady = np.zeros(len(flows.signals))
        known = (*section.signals, *section.rails)
        for k, rail in enumerate(self.rails):
            if rail in section.signals:
                column = known.index(rail)
                take_out(flows, k, moved, column, grown, count)
                steady[k] = moved.across_known[:, column] @ (grown * rest_v)
        return dataclasses.replace(flows, signals=np.column_stack([flows.signals, steady]))


def refuse_between_rails(torn: Torn, solved: SolvedNetwork, course: Course) -> None:
    """Refuse a moved resistor that lies between a torn rail and a node that is held.

    Raises
    ------
    DesignError
    """
    inside = {part for section, _ in torn.sections for part in section.resistors.parts}
    for resistor in solved.network.resistors:
        if resistor.part in course.parts and resistor.part not in inside:
            rails = sorted({resistor.a, resistor.b} & set(torn.rails))
            if rails:
                raise DesignError(
                    f"{resistor.part} lies between the {rails[0]} rail, which moves, and a node "
                    "that nothing moves: it cannot be turned during a take"
                )


def _rows(found: DiscreteSection) -> IndexArray:
    """Number of the row, over all matrices, that each coefficient stands in."""
    rows, count = [], 0
    for name in MATRICES:
        height, width = getattr(found, name).shape
        rows.append(np.repeat(np.arange(count, count + height), width))
        count += height
    return np.concatenate(rows)


def _is_rounding(values: FloatArray, rows: IndexArray) -> NDArray[np.bool_]:
    """Coefficients that are nothing but rounding at all times: what the kernel is spared."""
    largest = np.abs(values).max(axis=0)
    sizes = np.zeros(int(rows.max(initial=0)) + 1)
    np.maximum.at(sizes, rows, largest)
    return np.asarray(largest <= np.maximum(_ROUNDING * sizes[rows], _ROUNDING_V))


def _in_volts(found: DiscreteSection) -> DiscreteSection:
    """With a basis in which each state is of the volts that it makes across capacitors.

    What it makes at the outputs, which it is counted by else, may be nothing yet.
    """
    made = np.abs(found.seen).max(axis=0, initial=1e-300)
    return dataclasses.replace(found, basis=found.basis / made, seen=found.seen / made)


def _in_basis(found: DiscreteSection, basis: FloatArray) -> FloatArray:
    """Coefficients over the states of another basis, all in a row."""
    into, back = np.linalg.solve(basis, found.basis), np.linalg.solve(found.basis, basis)
    parts = []
    for name in MATRICES:
        matrix = getattr(found, name)
        if name in MIDWAY:
            matrix = into @ matrix
        if name in ("A", "D", "L"):
            matrix = matrix @ back
        parts.append(without_rounding(matrix).ravel())
    return np.concatenate(parts)


def _matrices(found: DiscreteSection, values: FloatArray) -> dict[str, Any]:
    """Coefficients in a row as matrices."""
    shapes = [getattr(found, name).shape for name in MATRICES]
    cuts = np.cumsum([height * width for height, width in shapes])[:-1]
    pieces = zip(MATRICES, np.split(values, cuts), shapes, strict=True)
    return {name: piece.reshape(shape) for name, piece, shape in pieces}


def _beside(branches: Branches, place: int) -> Branches:
    """Branches beside one known node more, which none of them is joined to."""
    wider = np.insert(branches.across_known, place, 0.0, axis=1)
    return dataclasses.replace(branches, across_known=wider)
