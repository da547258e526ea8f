"""What lanes remember of one design as another design would remember it."""

from collections.abc import Mapping

import numpy as np

from vadist.arrays import FloatArray
from vadist.stepping.circuit import Circuit

Words = Mapping[tuple[tuple[str, ...], str], FloatArray]
"""Rows of memories by the stages of their section, none for rails, and their name."""


def carried_on(began: list[FloatArray], before: Circuit, after: Circuit) -> list[FloatArray]:
    """Memories of one circuit for another, which may have other values, parts and programs.

    It is where a loop is begun from, no more: what does not fit shows at the seams. Volts across
    capacitors stay, so do those of rails and of the past of signals; what has no counterpart is at
    rest.

    Parameters
    ----------
    began : list of (memory, lanes), one array a program
        Of the circuit before.
    before, after : Circuit

    Returns
    -------
    list of (memory, lanes)
    """
    held: dict[tuple[tuple[str, ...], str], FloatArray] = {}
    for number, states in enumerate(began):
        for row, name in zip(states, _names(before, number), strict=True):
            held[name] = row
    found = []
    for number in range(len(after.programs)):
        names = _names(after, number)
        states = np.zeros((len(names), began[0].shape[1]))
        for row, name in zip(states, names, strict=True):
            row[:] = held.get(name, 0.0)
        _keep_volts(states, held, before, after, number)
        _keep_rails(states, before, after, number)
        found.append(states)
    return found


def _names(circuit: Circuit, number: int) -> list[tuple[tuple[str, ...], str]]:
    """Stages of the section, or none for the rails, and name of each word of a memory."""
    own = circuit.programs[number]
    stages = [*(circuit.sections[k].stages for k in own), ()]
    return [(stages[part], name) for part, name in circuit.program(number).memory]


def _keep_volts(
    states: FloatArray, held: Words, before: Circuit, after: Circuit, number: int
) -> None:
    """Have a section whose modes are others keep the volts across its capacitors."""
    names = _names(after, number)
    for k in after.programs[number]:
        section = after.sections[k]
        earlier = next((s for s in before.sections if s.stages == section.stages), None)
        if earlier is None or earlier.key == section.key:
            continue
        rows = [names.index((section.stages, f"x{n}")) for n in range(section.states)]
        if not rows:
            continue
        if len(earlier.seen) != len(section.seen):
            states[rows] = 0.0
            continue
        were = np.array([held[section.stages, f"x{n}"] for n in range(earlier.states)])
        volts: FloatArray = np.asarray(earlier.seen @ were)
        states[rows] = np.linalg.pinv(section.seen) @ volts


def _keep_rails(states: FloatArray, before: Circuit, after: Circuit, number: int) -> None:
    """Have rails hold the charge that makes the volts they had."""
    here, there = after.rails, before.rails
    if here is None or there is None or not after.feeds_rails(number):
        return
    if here.names != there.names:
        return
    names = _names(after, number)
    rows = [names.index(((), f"q{k}")) for k in range(len(here.names))]
    states[rows] = np.linalg.solve(here.R, there.R @ states[rows])
