"""Many boards at rest: operating points section by section, and each board as if solved alone."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.arrays import FloatArray
from vadist.circuits.network import INPUT, Network
from vadist.circuits.nodes import with_leakage
from vadist.circuits.operating_point import (
    OperatingPoint,
    SolvedNetwork,
    junction_capacitors,
    refuse_starved,
    solve_operating_point,
)
from vadist.circuits.sections import Section
from vadist.designs.design import Design
from vadist.errors import ConvergenceError, DesignError
from vadist.population.dc_stack import PointStack, solve_points
from vadist.population.stacks import SectionStack, stacked_sections


@dataclass(frozen=True)
class SolvedStack:
    """Boards of one structure at rest.

    Attributes
    ----------
    designs : sequence of Design
    networks : sequence of Network
    sections : tuple of (SectionStack, PointStack)
        In signal order, with the junction capacitances of each board.
    faults : mapping of board -> text
        Boards without a solution; their rows hold another board's and mean nothing.
    """

    designs: Sequence[Design]
    networks: Sequence[Network]
    sections: tuple[tuple[SectionStack, PointStack], ...]
    faults: dict[int, str]

    def __len__(self) -> int:
        return len(self.networks)

    @cached_property
    def node_v(self) -> dict[str, FloatArray]:
        """DC volts of every node under each of its names, (boards,)."""
        volts = _known_volts(self.networks)
        for stack, points in self.sections:
            volts |= dict(zip(stack.section.unknowns, points.node_v.T, strict=True))
        return self.networks[0].under_all_names(volts)

    def board(self, number: int) -> SolvedDesign:
        """One board, as :func:`vadist.analysis.chain_response.solve_design` gives it."""
        return SolvedDesign(
            with_leakage(self.networks[number]),
            _sections_of(self.sections, number),
            self.designs[number],
        )


def _sections_of(
    sections: Sequence[tuple[SectionStack, PointStack]], board: int
) -> tuple[tuple[Section, OperatingPoint], ...]:
    return tuple((stack.of_board(board), point_of(points, board)) for stack, points in sections)


def point_of(points: PointStack, board: int) -> OperatingPoint:
    """Operating point of one board."""
    return OperatingPoint(
        points.node_v[board],
        points.known_v[board],
        points.control_v[board],
        points.port_a[board],
        points.slopes[board],
    )


def solve_stack(designs: Sequence[Design], networks: Sequence[Network]) -> SolvedStack:
    """Solve boards of one structure at DC, side by side.

    Parameters
    ----------
    designs : sequence of Design
    networks : sequence of Network
        Theirs, of one :func:`vadist.population.stacks.likeness`.
    """
    volts = _known_volts(networks)
    faults: dict[int, str] = {}
    sections: list[tuple[SectionStack, PointStack]] = []
    for stack in stacked_sections(networks):
        signals = [volts[signal] for signal in stack.section.signals]
        known_v = np.hstack([*(v[:, None] for v in signals), stack.rail_v])
        points = solve_points(stack, known_v)
        _solve_alone(stack, points, faults)
        volts |= dict(zip(stack.section.unknowns, points.node_v.T, strict=True))
        sections.append((stack, points))
    for board, network in enumerate(networks):
        if board not in faults and any("supply" in d.nodes for d in network.devices):
            try:
                refuse_starved(network, {n: float(v[board]) for n, v in volts.items()})
            except DesignError as error:
                faults[board] = str(error)
    if len(faults) == len(networks):
        return SolvedStack(designs, networks, tuple(sections), faults)
    junctions = _junctions(networks, sections, faults)
    if junctions:
        points_found = [points for _, points in sections]
        sections = list(zip(stacked_sections(networks, junctions), points_found, strict=True))
    return SolvedStack(designs, networks, tuple(sections), faults)


def _known_volts(networks: Sequence[Network]) -> dict[str, FloatArray]:
    """Volts of what is held, (boards,) each."""
    held = {INPUT: np.array([n.input_v for n in networks])}
    return held | {rail: np.array([n.rails[rail] for n in networks]) for rail in networks[0].rails}


def _solve_alone(stack: SectionStack, points: PointStack, faults: dict[int, str]) -> None:
    """Solve boards that did not settle by all that a board alone is given; note who has none."""
    signals = len(stack.section.signals)
    for board in np.flatnonzero(~points.settled).tolist():
        if board in faults:
            continue
        try:
            point = solve_operating_point(stack.of_board(board), points.known_v[board, :signals])
        except (DesignError, ConvergenceError) as error:
            faults[board] = str(error)
            continue
        points.node_v[board], points.control_v[board] = point.node_v, point.control_v
        points.port_a[board], points.slopes[board] = point.port_a, point.slopes
        points.settled[board] = True
    sound = [b for b in range(len(points.settled)) if b not in faults]
    for board in faults:  # what follows must meet numbers, whatever they are
        if sound:
            for array in (points.node_v, points.control_v, points.port_a, points.slopes):
                array[board] = array[sound[0]]


def _junctions(
    networks: Sequence[Network],
    sections: Sequence[tuple[SectionStack, PointStack]],
    faults: dict[int, str],
) -> list[tuple[str, str, str, FloatArray]]:
    """Capacitances of junctions at rest: part, its nodes, farads of each board."""
    found: dict[tuple[str, str, str], FloatArray] = {}
    for board, network in enumerate(networks):
        if board in faults:
            continue
        placed = tuple(
            (stack.devices_of(board), point_of(points, board)) for stack, points in sections
        )
        solved = SolvedNetwork(network, placed)
        for c in junction_capacitors(solved):
            column = found.setdefault((c.part, c.a, c.b), np.zeros(len(networks)))
            column[board] = c.value
    return [(*key, farad) for key, farad in found.items()]
