"""The equations of a section at DC, with what it takes to judge a solution.

The unknowns are node voltages and, behind them, the currents of resistors and inductors (the
sparse tableau; G. D. Hachtel, R. K. Brayton, F. G. Gustavson, IEEE Transactions on Circuit Theory
18(1), 1971, from memory, not located)::

    at each node          sum of currents = 0
    along each resistor   v_a - v_b - R i = 0
    along each inductor   v_a - v_b = 0

With voltages alone a small resistor's current is the difference of two rounded voltages times a
large conductance: a last digit at 42 milliohm is 20 microvolts at a blocked LED. With
the current an unknown, sums of currents are sums of currents.

A group of nodes that capacitors alone tie to the rest keeps the charge it had when the circuit was
put together, none: its voltage is what the capacitors divide. That balance of charges takes the
place of one of its equations, which would add up to 0 = 0.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.sections import Section
from vadist.devices.evaluate import currents_and_slopes

ROUNDING = 16.0 * float(np.finfo(float).eps)
"""Last digits that voltages and what is computed from them may be off by."""


@dataclass(frozen=True)
class Linearised:
    """Device currents and their derivatives at control voltages.

    Attributes
    ----------
    control_v : (controls,)
    port_a : (ports,)
    slopes : (ports, controls)
    """

    control_v: FloatArray
    port_a: FloatArray
    slopes: FloatArray


class DcEquations:
    """``system w = right + port_into i(control w + control_offset)``.

    Parameters
    ----------
    section : Section
    known_v : (k,)
        Volts of the known nodes, signals first.

    Attributes
    ----------
    size, nodes : int
        Unknowns, and node voltages among them, which come first.
    system, right : (m, m), (m,)
    from_known : (m, k)
        What the known volts add on the left.
    port_into : (m, ports)
    control, control_offset : (controls, m), (controls,)
    limits : (controls, 4)
        Of Newton's steps, as :class:`vadist.circuits.network.Device` has them.
    """

    def __init__(self, section: Section, known_v: FloatArray) -> None:
        resistors, coils = section.resistors, section.inductors
        n, branches = len(section.unknowns), len(resistors.parts) + len(coils.parts)
        self.nodes, self.size, self.known_v = n, n + branches, known_v
        self.system = np.zeros((self.size, self.size))
        self.system[:n, n:] = np.hstack([resistors.into, coils.into])
        self.system[n:, :n] = np.vstack([resistors.across, coils.across])
        ohms = np.concatenate([resistors.values, np.zeros(len(coils.parts))])
        self.system[n:, n:] = -np.diag(ohms)
        from_known = np.zeros((self.size, len(known_v)))
        from_known[n:] = np.vstack([resistors.across_known, coils.across_known])
        reference = (*section.signals, *section.rails).index(section.reference)
        for device in section.devices:
            if device.owned_node:
                row = section.unknowns.index(device.owned_node)
                self.system[row, row] += device.owned_siemens
                from_known[row, reference] -= device.owned_siemens
        for island in section.floating:
            self._balance_charges(section, list(island), from_known)
        self.from_known = from_known
        self.right = -from_known @ known_v
        self.right[:n] -= section.drawn
        self._from_known_size = np.abs(from_known) @ np.abs(known_v)
        self._from_known_size[:n] += section.drawn
        self.port_into = np.vstack(
            [section.port_into, np.zeros((branches, len(section.port_into.T)))]
        )
        self.control = np.hstack([section.control, np.zeros((len(section.control), branches))])
        self.control_offset = section.control_known @ known_v
        self.limits = np.array([x for d in section.devices for x in d.limits]).reshape(-1, 4)
        self._kinds = [d.kind for d in section.devices]
        self._parameters = [d.parameters for d in section.devices]
        self._resistors_into, self._siemens = np.abs(resistors.into), 1.0 / resistors.values

    def _balance_charges(self, section: Section, island: list[int], from_known: FloatArray) -> None:
        caps = section.capacitors
        charge = caps.into[island].sum(axis=0) * caps.values
        charge = charge / np.abs(charge).sum()
        self.system[island[0]] = 0.0
        self.system[island[0], : self.nodes] = charge @ caps.across
        from_known[island[0]] = charge @ caps.across_known

    def devices_at(self, control_v: FloatArray) -> Linearised:
        """Evaluate the device laws."""
        return Linearised(control_v, *currents_and_slopes(self._kinds, self._parameters, control_v))

    def control_v(self, w: FloatArray) -> FloatArray:
        """Control voltages of a solution."""
        return np.asarray(self.control @ w + self.control_offset)

    def within_limits(self, control_v: FloatArray, wanted: FloatArray) -> FloatArray:
        """Where Newton may go from control voltages, towards wanted ones."""
        far = control_v * self.limits[:, 3]
        low = np.minimum(far, self.limits[:, 0]) - self.limits[:, 2]
        high = np.maximum(far, self.limits[:, 1]) + self.limits[:, 2]
        return np.clip(wanted, low, high)

    def newton_target(self, at: Linearised, held: FloatArray, held_at: FloatArray) -> FloatArray:
        """Solution of the linearised equations.

        Parameters
        ----------
        at : Linearised
        held : (m,)
            Conductances that tie each node to where it was; zero for the circuit itself.
        held_at : (m,)

        Raises
        ------
        LinAlgError

        References
        ----------
        R. D. Skeel, Mathematics of Computation 35, 1980 (from memory, not located): one step of
        iterative refinement.
        """
        left = self.system - self.port_into @ at.slopes @ self.control + np.diag(held)
        offset = at.port_a + at.slopes @ (self.control_offset - at.control_v)
        right = self.right + self.port_into @ offset + held * held_at
        w = np.linalg.solve(left, right)
        # One refinement makes the error small in every row by itself: a current that should be
        # zero must not carry the rounding of milliamperes elsewhere.
        return np.asarray(w + np.linalg.solve(left, right - left @ w))

    def imbalance(self, w: FloatArray, at: Linearised) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Judge a solution by what flows.

        Parameters
        ----------
        w : (m,)
        at : Linearised
            Devices at its control voltages.

        Returns
        -------
        net : (m,)
            Net current into each node, net volts along each branch.
        sizes : (m,)
            Sum of the magnitudes that make it up.
        rounding : (m,)
            What the last digits of the largest voltage are worth in it.
        """
        net = self.system @ w - self.right - self.port_into @ at.port_a
        into = np.abs(self.port_into)
        sizes = np.abs(self.system) @ np.abs(w) + self._from_known_size + into @ np.abs(at.port_a)
        worth = into @ np.abs(at.slopes) @ np.abs(self.control).sum(axis=1)
        worth[: self.nodes] += self._resistors_into @ self._siemens
        worth[self.nodes :] = 1.0
        return net, sizes, ROUNDING * (sizes + worth * self.largest_v(w))

    def largest_v(self, w: FloatArray) -> float:
        """Largest voltage in the section, known nodes included."""
        return float(np.abs(np.concatenate([self.known_v, w[: self.nodes]])).max())

    @cached_property
    def start_v(self) -> FloatArray:
        """Control voltages to start from: junctions off, op-amp outputs within their swing."""
        return np.asarray(np.clip(0.0, self.limits[:, 0], self.limits[:, 1]))

    @cached_property
    def own_siemens(self) -> FloatArray:
        """Conductance that each node sees, devices as they start; nothing for currents; (m,)."""
        slopes = np.abs(self.devices_at(self.start_v).slopes)
        seen: FloatArray = (np.abs(self.port_into) @ slopes).sum(axis=1)
        seen[: self.nodes] += self._resistors_into @ self._siemens
        return seen
