"""If it does not work: which reading points at which fault, found by solving the board with each.

Of each fault the reading is told that lies furthest from that of a good board, a meter's load
counted in both, among those that leave the band a good board's tolerances give. A fault that moves
no reading out of its band is told by the block at whose output a small sine first changes.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign, decibels, node_responses
from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.errors import ConvergenceError, DesignError
from vadist.sheets.bench import Reading
from vadist.sheets.board import BoardPart
from vadist.sheets.faults import SHORT, Fault, FaultyBoards, single_faults
from vadist.sheets.rest import Rest

METER_DIGIT_V, METER_RATIO = 0.01, 0.005
"""What a meter may be off by: a last digit of its 20 V range and half a per cent (common practice,
no published source). A reading counts if it lies further than that beyond its band."""

SINES_HZ = (100.0, 1000.0, 5000.0)
LEAST_CHANGE_DB = 1.0
_TRIED = 2
# Readings of a fault that are solved again with the meter on: those that move most.
_SAME_V, _SAME_RATIO = 0.1, 0.03
# Readings this near are one on a meter whose board has tolerances.


@dataclass(frozen=True)
class Symptom:
    """What a fault does to a reading.

    Attributes
    ----------
    fault : Fault
    reading : Reading
        Of a good board.
    reads_v : float
        With the fault.
    """

    fault: Fault
    reading: Reading
    reads_v: float


@dataclass(frozen=True)
class Pointer:
    """Readings that are nearly one, and every fault that makes one of them.

    Attributes
    ----------
    reading : Reading
    low_v, high_v : float
    faults : tuple of Fault
    """

    reading: Reading
    low_v: float
    high_v: float
    faults: tuple[Fault, ...]


@dataclass(frozen=True)
class Unseen:
    """A fault that no resting volts show.

    Attributes
    ----------
    fault : Fault
    stage : str
        At whose output a sine first changes by :data:`LEAST_CHANGE_DB`; empty if at none.
    changes_db : tuple of float
        There, at each of :data:`SINES_HZ`.
    """

    fault: Fault
    stage: str
    changes_db: tuple[float, ...]


@dataclass(frozen=True)
class Diagnosis:
    """What single faults do.

    Attributes
    ----------
    symptoms : tuple of Symptom
    unseen : tuple of Unseen
    refused : mapping of Fault -> str
        Those without a point of rest, and why.
    """

    symptoms: tuple[Symptom, ...]
    unseen: tuple[Unseen, ...]
    refused: Mapping[Fault, str]

    @property
    def pointers(self) -> tuple[Pointer, ...]:
        """Faults by the reading that shows them, reading by reading from low to high."""
        by_node: dict[str, list[Symptom]] = {}
        for symptom in self.symptoms:
            by_node.setdefault(symptom.reading.node, []).append(symptom)
        found: list[Pointer] = []
        for symptoms in by_node.values():
            group: list[Symptom] = []
            for symptom in sorted(symptoms, key=lambda s: s.reads_v):
                if group and symptom.reads_v - group[0].reads_v > max(
                    _SAME_V, _SAME_RATIO * abs(symptom.reads_v)
                ):
                    found.append(_pointer(group))
                    group = []
                group.append(symptom)
            found.append(_pointer(group))
        return tuple(found)


def _pointer(group: list[Symptom]) -> Pointer:
    return Pointer(
        group[0].reading, group[0].reads_v, group[-1].reads_v, tuple(s.fault for s in group)
    )


def diagnose(
    design: Design, parts: list[BoardPart], resting: Rest, table: list[Reading]
) -> Diagnosis:
    """Solve the board with every single fault.

    Parameters
    ----------
    design : Design
    parts : list of BoardPart
    resting : Rest
    table : list of Reading
        The bench table of the good board.
    """
    boards = FaultyBoards(design, resting)
    good = _sines(design, resting)
    symptoms: list[Symptom] = []
    unseen: list[Unseen] = []
    refused: dict[Fault, str] = {}
    for fault in single_faults(parts):
        if fault.kind == SHORT and len({resting.network.held(n) for n in fault.nodes}) == 1:
            continue  # by the design itself
        try:
            wrong = boards.rest(fault)
        except (DesignError, ConvergenceError) as error:
            refused[fault] = str(error).splitlines()[0]
            continue
        found = _symptom(boards, fault, wrong, table, resting)
        if found is None:
            unseen.append(_unseen(fault, _sines(design, wrong), good))
        else:
            symptoms.append(found)
    order = {reading.node: k for k, reading in enumerate(table)}
    symptoms.sort(key=lambda s: order[s.reading.node])
    return Diagnosis(tuple(symptoms), tuple(unseen), refused)


def _symptom(
    boards: FaultyBoards, fault: Fault, wrong: Rest, table: list[Reading], resting: Rest
) -> Symptom | None:
    volts = wrong.node_v
    moved = [r for r in table if r.node in volts and _moves(volts[r.node], r)]
    moved.sort(key=lambda r: -abs(volts[r.node] - r.rest_v))
    found = _out_of_band(boards, fault, moved[:_TRIED])
    if not found:
        own = {resting.network.held(node) for node in fault.part.nodes}
        rest_of_them = [r for r in table if r.node in own or r.node not in volts]
        found = _out_of_band(boards, fault, [r for r in rest_of_them if r not in moved[:_TRIED]])
    return max(found, key=lambda s: abs(s.reads_v - s.reading.meter_v), default=None)


def _out_of_band(boards: FaultyBoards, fault: Fault, table: list[Reading]) -> list[Symptom]:
    """Readings, the meter on, that no good board gives."""
    found = []
    for reading in table:
        try:
            volts = boards.rest(fault, reading.node).node_v
        except (DesignError, ConvergenceError):
            continue
        reads_v = volts.get(reading.node, 0.0)  # a meter alone at a node reads nothing
        beyond = max(reading.low_v - reads_v, reads_v - reading.high_v)
        if beyond > METER_DIGIT_V + METER_RATIO * abs(reads_v):
            found.append(Symptom(fault, reading, reads_v))
    return found


def _moves(volts: float, reading: Reading) -> bool:
    return abs(volts - reading.rest_v) > METER_DIGIT_V


def _sines(design: Design, board: Rest) -> dict[str, FloatArray]:
    """Decibels at every block's output, without a meter."""
    found = node_responses(SolvedDesign(board.network, board.sections, design), SINES_HZ)
    outputs = board.network.outputs.items()
    return {stage: decibels(found[node]) for stage, node in outputs if node in found}


def _unseen(
    fault: Fault, found: Mapping[str, FloatArray], good: Mapping[str, FloatArray]
) -> Unseen:
    for stage, before in good.items():
        if stage in found:
            change = found[stage] - before
            if np.abs(change).max() >= LEAST_CHANGE_DB:
                return Unseen(fault, stage, tuple(change.tolist()))
    return Unseen(fault, "", ())
