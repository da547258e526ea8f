"""Networks of one structure as arrays of values: what differs between boards, and what does not.

Boards of one design share nodes, elements and the cut into sections; only values differ. One
network whose values are numbers of places is cut by the ordinary code, and the places say which
value of which list belongs where in each section.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.elements import Device, TwoTerminal
from vadist.circuits.network import Network
from vadist.circuits.nodes import with_leakage
from vadist.circuits.sections import Branches, Section, split_into_sections
from vadist.designs.design import Design
from vadist.errors import DesignError


def alike(
    designs: Sequence[Design],
) -> tuple[list[list[tuple[int, Network]]], dict[int, str]]:
    """Number and network of every design, by groups that can be solved side by side.

    Returns
    -------
    groups : list of lists of (number, network)
    faults : mapping of number -> what is wrong
        Of designs that make no network.
    """
    groups: dict[object, list[tuple[int, Network]]] = {}
    faults: dict[int, str] = {}
    for number, design in enumerate(designs):
        try:
            network = design.network()
        except DesignError as error:
            faults[number] = str(error)
        else:
            groups.setdefault(likeness(network), []).append((number, network))
    return list(groups.values()), faults


def likeness(network: Network) -> tuple[Any, ...]:
    """What networks must share to be solved side by side: everything but values."""
    return (
        *(
            tuple((e.part, e.a, e.b) for e in getattr(network, kind))
            for kind in ("resistors", "capacitors", "inductors")
        ),
        tuple(
            (d.part, d.kind, tuple(d.nodes.items()), d.polarity, d.owned_node)
            for d in network.devices
        ),
        tuple((d.part, d.node) for d in network.draws),
        tuple(network.outputs.items()),
        tuple(network.aliases.items()),
        tuple(network.rails),
        frozenset(network.fed),
        bool(network.ripple_v),
    )


@dataclass(frozen=True)
class SectionStack:
    """One section of many boards.

    Attributes
    ----------
    section : Section
        Of structure alone: its values are places.
    ohm, farad, henry : (boards, elements)
        As the section's branches list them, compensation capacitors included.
    devices : tuple of tuple of Device
        Of each device in the section, one a board.
    siemens : (boards, devices)
        Open-loop conductance of each device that owns a node; 0 of others.
    drawn : (boards, n)
    rail_v : (boards, rails)
    """

    section: Section
    ohm: FloatArray
    farad: FloatArray
    henry: FloatArray
    devices: tuple[tuple[Device, ...], ...]
    siemens: FloatArray
    drawn: FloatArray
    rail_v: FloatArray

    def conductances(self) -> tuple[FloatArray, FloatArray]:
        """Resistor stamps of all boards, (boards, n, n) and (boards, n, k)."""
        resistors = self.section.resistors
        flows = resistors.into * (1.0 / self.ohm)[:, None, :]
        to_unknown, to_known = flows @ resistors.across, flows @ resistors.across_known
        known = (*self.section.signals, *self.section.rails)
        reference = known.index(self.section.reference)
        for k, device in enumerate(self.section.devices):
            if device.owned_node:
                row = self.section.unknowns.index(device.owned_node)
                to_unknown[:, row, row] += self.siemens[:, k]
                to_known[:, row, reference] -= self.siemens[:, k]
        return to_unknown, to_known

    def of_board(self, board: int) -> Section:
        """The section of one board, as :func:`split_into_sections` makes it."""
        to_unknown, to_known = self.of_boards([board]).conductances()
        held = self.section

        def filled(branches: Branches, values: FloatArray) -> Branches:
            return dataclasses.replace(branches, values=values[board].copy())

        return dataclasses.replace(
            held,
            rail_volts=self.rail_v[board],
            conductance=to_unknown[0],
            conductance_known=to_known[0],
            resistors=filled(held.resistors, self.ohm),
            capacitors=filled(held.capacitors, self.farad),
            inductors=filled(held.inductors, self.henry),
            devices=tuple(device[board] for device in self.devices),
            drawn=self.drawn[board],
        )

    def devices_of(self, board: int) -> Section:
        """The section's structure with the devices of one board: what their resting needs."""
        return dataclasses.replace(
            self.section, devices=tuple(device[board] for device in self.devices)
        )

    def of_boards(self, boards: Sequence[int]) -> "SectionStack":
        """Some of the boards."""
        picked = np.asarray(boards, dtype=int)
        arrays = {
            name: getattr(self, name)[picked]
            for name in ("ohm", "farad", "henry", "siemens", "drawn", "rail_v")
        }
        devices = tuple(tuple(device[b] for b in picked) for device in self.devices)
        return dataclasses.replace(self, devices=devices, **arrays)


def stacked_sections(
    networks: Sequence[Network], junctions: Sequence[tuple[str, str, str, FloatArray]] = ()
) -> list[SectionStack]:
    """Sections of networks that are alike.

    Parameters
    ----------
    networks : sequence of Network
        Of one :func:`likeness`.
    junctions : sequence of (part, node, node, (boards,) farad)
        Capacitances that come on top.
    """
    first = networks[0]
    leaks = with_leakage(first).resistors[len(first.resistors) :]
    boards = len(networks)
    ohm = _values(networks, "resistors", [np.full(boards, leak.value) for leak in leaks])
    farad = _values(networks, "capacitors", [values for *_, values in junctions])
    henry = _values(networks, "inductors", [])
    resistors = [*first.resistors, *leaks]
    capacitors = [*first.capacitors, *(TwoTerminal(p, a, b, 0.0) for p, a, b, _ in junctions)]
    count = len(capacitors)
    devices = [
        dataclasses.replace(d, owned_farad=float(count + k)) for k, d in enumerate(first.devices)
    ]
    places = dataclasses.replace(
        first,
        resistors=_numbered(resistors, 1),
        capacitors=_numbered(capacitors, 0),
        inductors=_numbered(first.inductors, 0),
        devices=devices,
    )
    owned = np.array([[d.owned_farad for d in n.devices] for n in networks])
    siemens = np.array([[d.owned_siemens for d in n.devices] for n in networks])
    all_farad = np.hstack([farad, owned.reshape(boards, len(devices))])
    rails = np.array([list(n.rails.values()) for n in networks])
    draws = np.array([[d.ampere for d in n.draws] for n in networks]).reshape(boards, -1)
    found = []
    for section in split_into_sections(places):
        here = [round(d.owned_farad) - count for d in section.devices]
        feeds = [
            [1.0 if draw.node == node else 0.0 for draw in first.draws] for node in section.unknowns
        ]
        found.append(
            SectionStack(
                section,
                ohm[:, _places(section.resistors, 1)],
                all_farad[:, _places(section.capacitors, 0)],
                henry[:, _places(section.inductors, 0)],
                tuple(tuple(n.devices[k] for n in networks) for k in here),
                siemens.reshape(boards, len(devices))[:, here],
                draws @ np.array(feeds).reshape(len(feeds), len(first.draws)).T,
                rails,
            )
        )
    return found


def _numbered(elements: Sequence[TwoTerminal], first: int) -> list[TwoTerminal]:
    return [dataclasses.replace(e, value=float(first + k)) for k, e in enumerate(elements)]


def _places(branches: Branches, first: int) -> list[int]:
    return [round(value) - first for value in branches.values]


def _values(networks: Sequence[Network], kind: str, more: Sequence[FloatArray]) -> FloatArray:
    held = np.array([[e.value for e in getattr(n, kind)] for n in networks])
    held = held.reshape(len(networks), len(getattr(networks[0], kind)))
    return np.hstack([held, *(column[:, None] for column in more)])
