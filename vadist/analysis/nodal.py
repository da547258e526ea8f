"""Small-signal equations of the undivided circuit around its operating point, or of some parts.

Sections know a stiff node's volts alone. Here every node keeps the sum of the currents that leave
it, so what flows out of a node that is held can be told; parts can be left out where they rest; and
a device's controlled source can be told from what is passive in it.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.analysis.chain_response import SolvedDesign
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import PlacedDevice, junction_capacitors


def _every(_: str) -> bool:
    return True


@dataclass(frozen=True)
class Nodal:
    """Equations (G + s C) w = currents into the nodes, w the volts and the currents of the coils.

    Attributes
    ----------
    index : mapping of node -> row
        Rails that are held are not among them.
    G, C : (n, n)
        Currents that leave each node; volts along each coil.
    driven : mapping of node -> (row of G, row of C)
        What stands in place of the current's sum where a device holds the node: an op-amp's pole.
    devices : mapping of part -> PlacedDevice
    """

    index: Mapping[str, int]
    G: FloatArray
    C: FloatArray
    driven: Mapping[str, tuple[FloatArray, FloatArray]]
    devices: Mapping[str, PlacedDevice]

    def solve(
        self,
        frequencies_hz: ArrayLike,
        held: Mapping[str, complex],
        into: FloatArray | None = None,
        less: FloatArray | float = 0.0,
    ) -> ComplexArray:
        """Volts of every node, (f, n), or (f, n, columns).

        Parameters
        ----------
        frequencies_hz : (f,)
        held : mapping of node -> volts
            Of those that are pinned.
        into : (n,) or (n, columns), optional
            Currents into the nodes, or into a device's own equation.
        less : (n, n), optional
            Taken off the equations first: a controlled source.
        """
        s = 2j * math.pi * np.asarray(frequencies_hz, dtype=float)[:, None, None]
        into = np.zeros(len(self.G)) if into is None else into
        columns = into.reshape(len(self.G), -1)
        G, C = self.G.copy(), self.C.copy()
        for node, (row_g, row_c) in self.driven.items():
            G[self.index[node]], C[self.index[node]] = row_g, row_c
        G -= less
        right = columns.astype(complex)
        rows = [self.index[node] for node in held if node in self.index]
        # What nothing leads to rests.
        loose = np.flatnonzero(~(np.any(G, axis=1) | np.any(C, axis=1)))
        for row in (*rows, *loose):
            G[row], C[row], right[row] = np.eye(len(G))[row], 0.0, 0.0
        for node, volts in held.items():
            if node in self.index:
                right[self.index[node]] = volts
        found = np.linalg.solve(G + s * C, np.broadcast_to(right, (len(s), *right.shape)))
        return np.asarray(found.reshape(len(s), *into.shape))

    def leaving(self, node: str, volts: ComplexArray, frequencies_hz: ArrayLike) -> ComplexArray:
        """Current that leaves a node for the parts at it, (f,), at volts that were solved for."""
        s = 2j * math.pi * np.asarray(frequencies_hz, dtype=float)[:, None]
        row = self.index[node]
        return np.asarray(np.sum((self.G[row] + s * self.C[row]) * volts, axis=1))

    def port(self, placed: PlacedDevice, number: int) -> FloatArray:
        """What a port current of an ampere brings to every equation, (n,).

        One into a node that another device holds moves nothing.
        """
        found = np.zeros(len(self.G))
        device = placed.device
        for node, share in device.injections[number].items():
            if node in self.index and (node not in self.driven or node == device.owned_node):
                found[self.index[node]] += share
        return found

    def across(self, a: str, b: str) -> FloatArray:
        """Row that takes the volts from node b to node a, (n,)."""
        row = np.zeros(len(self.G))
        for node, sign in ((a, 1.0), (b, -1.0)):
            if node in self.index:
                row[self.index[node]] += sign
        return row


def nodal_equations(solved: SolvedDesign, keep: Callable[[str], bool] = _every) -> Nodal:
    """Equations of the parts whose names are kept, each about where it rests in the whole.

    Parameters
    ----------
    solved : SolvedDesign
    keep : function (part name) -> bool
    """
    network = solved.network
    capacitors = [*network.capacitors, *junction_capacitors(solved)]
    nodes = dict.fromkeys([INPUT, *network.moving_rails])
    for element in (*network.resistors, *capacitors, *network.inductors):
        nodes |= {element.a: None, element.b: None}
    placed = solved.resting_devices()
    for p in placed:
        nodes |= dict.fromkeys(p.device.nodes.values())
    index = {n: k for k, n in enumerate(n for n in nodes if n not in network.rails)}
    coils = [e for e in network.inductors if keep(e.part)]
    size = len(index) + len(coils)
    G, C = np.zeros((size, size)), np.zeros((size, size))
    found = Nodal(index, G, C, {}, {p.device.part: p for p in placed if keep(p.device.part)})
    for matrix, elements, siemens in ((G, network.resistors, True), (C, capacitors, False)):
        for e in elements:
            if keep(e.part):
                row = found.across(e.a, e.b)
                matrix += np.outer(row, row) * (1.0 / e.value if siemens else e.value)
    for k, coil in enumerate(coils, start=len(index)):
        row = found.across(coil.a, coil.b)
        G[:, k] += row
        G[k] += row
        C[k, k] -= coil.value
    driven: dict[str, tuple[FloatArray, FloatArray]] = {}
    for p in found.devices.values():
        straight = np.zeros((size, size))
        rows = np.array([found.across(a, b) for a, b in p.device.controls])
        for number, slopes in enumerate(p.resting.slopes):
            straight += np.outer(found.port(p, number), slopes @ rows)
        if owned := p.device.owned_node:
            own = found.across(owned, "")
            k = index[owned]
            driven[owned] = (
                own * p.device.owned_siemens - straight[k],
                own * p.device.owned_farad,
            )
        G -= straight
    return Nodal(index, G, C, driven, found.devices)
