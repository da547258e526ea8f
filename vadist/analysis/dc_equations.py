"""Kirchhoff's current law of a section at DC, with what it takes to judge a solution.

The unknowns w are the node voltages and, behind them, the inductors' currents: an inductor is a
wire at DC, and its current is unknown rather than a huge conductance times a rounded difference.
Every linear term is a branch, ``into * siemens * (across w + across_known u)``, so that currents
come from voltage differences and can be added up by magnitude as well.

A group of nodes that capacitors alone tie to the rest keeps the charge it had when the circuit was
put together, none: its voltage is what the capacitors divide. That balance of charges takes the
place of one of its equations, which would add up to 0 = 0.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from vadist.kernel.devices import currents_and_slopes
from vadist.network import BIAS
from vadist.sections import Matrix, Section

_ROUNDINGS = 16.0
# Last digits that voltages and what is computed from them may be off by.


@dataclass(frozen=True)
class Linearised:
    """Device currents and their derivatives at control voltages v.

    Attributes
    ----------
    control_v : (controls,)
    port_a : (ports,)
    slopes : (ports, controls)
    """

    control_v: Matrix
    port_a: Matrix
    slopes: Matrix


class DcEquations:
    """``into siemens (across w + across_known u) = port_into i(control w + control_known u)``.

    Parameters
    ----------
    section : Section
    known_v : (k,)
        Volts of the known nodes, signals first.

    Attributes
    ----------
    system : (m, m)
        Of the linear branches, m = nodes + inductors.
    right : (m,)
        What the known nodes drive.
    """

    def __init__(self, section: Section, known_v: Matrix) -> None:
        n, coils = len(section.unknowns), len(section.inductors.parts)
        self.size, self.nodes, self.known_v = n + coils, n, known_v
        into, across, across_known, siemens = _linear_branches(section)
        self._into, self._across = into * siemens, across
        self._offset = across_known @ known_v
        self._offset_size = np.abs(across_known) @ np.abs(known_v)
        self.system = self._into @ across
        self.right = -self._into @ self._offset
        self.port_into = _taller(section.port_into, self.size)
        self._own_equation(section)
        self.control = np.hstack([section.control, np.zeros((len(section.control), coils))])
        self.control_offset = section.control_known @ known_v
        self._control_offset_size = np.abs(section.control_known) @ np.abs(known_v)
        self.limits = np.array([x for d in section.devices for x in d.limits]).reshape(-1, 4)
        self._kinds = [d.kind for d in section.devices]
        self._parameters = [d.parameters for d in section.devices]

    def _own_equation(self, section: Section) -> None:
        """Put the balance of charges in the place of each floating group's first equation."""
        caps = section.capacitors
        for island in section.floating:
            first = island[0]
            charge = caps.into[list(island)].sum(axis=0) * caps.values
            charge = charge / np.abs(charge).sum()
            self._into[first] = 0.0
            columns = np.zeros((self.size, len(charge)))
            columns[first] = charge
            self._into = np.hstack([self._into, columns])
            self._across = np.vstack([self._across, _wider(caps.across, self.size)])
            offset = caps.across_known @ self.known_v
            self._offset = np.concatenate([self._offset, offset])
            size = np.abs(caps.across_known) @ np.abs(self.known_v)
            self._offset_size = np.concatenate([self._offset_size, size])
        if section.floating:
            self.system = self._into @ self._across
            self.right = -self._into @ self._offset

    def devices_at(self, control_v: Matrix) -> Linearised:
        """Evaluate the device laws."""
        return Linearised(
            control_v, *currents_and_slopes(self._kinds, self._parameters, control_v)
        )

    def control_v(self, w: Matrix) -> Matrix:
        """Control voltages of a solution."""
        return np.asarray(self.control @ w + self.control_offset)

    def within_limits(self, control_v: Matrix, wanted: Matrix) -> Matrix:
        """Where Newton may go from control voltages, towards wanted ones."""
        far = control_v * self.limits[:, 3]
        low = np.minimum(far, self.limits[:, 0]) - self.limits[:, 2]
        high = np.maximum(far, self.limits[:, 1]) + self.limits[:, 2]
        return np.clip(wanted, low, high)

    def newton_target(self, at: Linearised, held: Matrix, held_at: Matrix) -> Matrix:
        """Solution of the linearised equations.

        Parameters
        ----------
        at : Linearised
        held : (m,)
            Conductances that tie each unknown to where it was; zero for the circuit itself.
        held_at : (m,)

        Raises
        ------
        LinAlgError
        """
        inner = self.port_into @ at.slopes
        left = self.system - inner @ self.control + np.diag(held)
        offset = at.port_a + at.slopes @ (self.control_offset - at.control_v)
        return np.linalg.solve(left, self.right + self.port_into @ offset + held * held_at)

    def imbalance(self, w: Matrix, at: Linearised) -> tuple[Matrix, Matrix, Matrix]:
        """Judge a solution by what flows.

        Parameters
        ----------
        w : (m,)
        at : Linearised
            Devices at its control voltages.

        Returns
        -------
        net : (m,)
            Net current into each node (net volts around each inductor).
        flows : (m,)
            Sum of the magnitudes that meet there.
        rounding : (m,)
            What the last digits of the voltages are worth in it.
        """
        voltage = self._across @ w + self._offset
        net = self._into @ voltage - self.port_into @ at.port_a
        sizes, into = np.abs(self._into), np.abs(self.port_into)
        flows = sizes @ np.abs(voltage) + into @ np.abs(at.port_a)
        digits = sizes @ (np.abs(self._across) @ np.abs(w) + self._offset_size)
        controls = np.abs(self.control) @ np.abs(w) + self._control_offset_size
        digits += into @ (np.abs(at.slopes) @ controls)
        return net, flows, _ROUNDINGS * np.finfo(float).eps * digits

    @cached_property
    def start_v(self) -> Matrix:
        """Control voltages to start from: junctions off, op-amp outputs within their swing."""
        return np.clip(0.0, self.limits[:, 0], self.limits[:, 1])

    @cached_property
    def own_siemens(self) -> Matrix:
        """Conductance that each unknown sees, devices counted where they start; (m,)."""
        slopes = np.abs(self.devices_at(self.start_v).slopes)
        seen = np.abs(np.diag(self.system)) + (np.abs(self.port_into) @ slopes).sum(axis=1)
        seen[self.nodes :] = 0.0
        return seen


def _linear_branches(section: Section) -> tuple[Matrix, Matrix, Matrix, Matrix]:
    """``into``, ``across``, ``across_known`` and siemens of all that is linear at DC."""
    n, coils = len(section.unknowns), section.inductors
    size, count, known = n + len(coils.parts), len(coils.parts), len(section.signals)
    known += len(section.rails)
    opamps = [d for d in section.devices if d.owned_node]
    outputs = [section.unknowns.index(d.owned_node) for d in opamps]
    bias = (*section.signals, *section.rails).index(BIAS)
    leak_known = np.zeros((len(opamps), known))
    leak_known[:, bias] = -1.0
    current, equation = np.eye(size)[n:], np.eye(size)[:, n:]
    resistors = section.resistors
    into = [
        _taller(resistors.into, size), np.eye(size)[:, outputs],
        _taller(coils.into, size), equation,
    ]  # fmt: skip
    across = [
        _wider(resistors.across, size), np.eye(size)[outputs],
        current, _wider(coils.across, size),
    ]  # fmt: skip
    across_known = [
        resistors.across_known, leak_known, np.zeros((count, known)), coils.across_known
    ]  # fmt: skip
    siemens = [
        1.0 / resistors.values, np.array([d.owned_siemens for d in opamps]), np.ones(2 * count)
    ]  # fmt: skip
    return np.hstack(into), np.vstack(across), np.vstack(across_known), np.concatenate(siemens)


def _taller(into: Matrix, size: int) -> Matrix:
    return np.vstack([into, np.zeros((size - len(into), into.shape[1]))])


def _wider(across: Matrix, size: int) -> Matrix:
    return np.hstack([across, np.zeros((len(across), size - across.shape[1]))])
