"""Which nodes of a network are one, and which no direct current reaches.

A wire (a resistor of zero ohms, a pot at its end) makes one node of two: equations for both would
hold a conductance without bound. What the two were called stays known, see
:attr:`vadist.circuits.network.Network.aliases`. A part whose ends have become one node is shorted,
carries nothing and is left out.
"""

import dataclasses
from collections import Counter
from collections.abc import Iterable

from vadist.circuits.network import GROUND, INPUT, Device, Network, TwoTerminal
from vadist.errors import DesignError

LEAKAGE_OHM = 1e9
"""From a node that devices alone tie to ground: boards and sockets leak more (common practice, no
published source), and at 9 V it is 9 nA."""


class _Joined:
    """Sets of names that grow together; each is called by its earliest name."""

    def __init__(self, names: Iterable[str]) -> None:
        self._order = {name: k for k, name in enumerate(dict.fromkeys(names))}
        self._parent: dict[str, str] = {}

    def find(self, name: str) -> str:
        while name in self._parent:
            name = self._parent[name]
        return name

    def join(self, a: str, b: str) -> None:
        first, second = sorted((self.find(a), self.find(b)), key=self._order.__getitem__)
        if first != second:
            self._parent[second] = first


def stiff_nodes(network: Network) -> set[str]:
    """Nodes that no current can move: rails that are held, the input, op-amp outputs."""
    return {*network.rails, INPUT, *(d.owned_node for d in network.devices if d.owned_node)}


def join_wires(network: Network, names_first: Iterable[str] = ()) -> Network:
    """Make one node of all that wires tie together.

    Parameters
    ----------
    network : Network
    names_first : iterable of str
        Names that a joined node keeps rather than others; a stiff node and a rail keep their own.

    Returns
    -------
    Network
        Without wires; its ``aliases`` tell under which name a vanished node is found.

    Raises
    ------
    DesignError
        If wires short stiff nodes, or nothing limits the current of a device: a line for each.
    """
    stiff = stiff_nodes(network)
    joined = _Joined([*sorted(stiff), *sorted(network.fed), *names_first, *_nodes(network)])
    faults = []
    for wire in network.wires:
        ends = sorted({joined.find(wire.a), joined.find(wire.b)} & stiff)
        if len(ends) == 2:
            faults.append(
                f"{wire.part} has no resistance and shorts {ends[0]} to {ends[1]}; "
                "give it some ohms"
            )
            continue
        joined.join(wire.a, wire.b)
    devices = [_renamed(device, joined) for device in network.devices]
    for device in devices:
        terminals = _terminals(device)
        if not device.owned_node and len(terminals) > 1 and terminals <= stiff:
            faults.append(
                f"{device.part} lies between {' and '.join(sorted(terminals))}, and nothing "
                "limits its current; give a resistor that leads to it some ohms"
            )
    _raise_all(faults)
    tied = dataclasses.replace(
        network,
        resistors=_between(network.resistors, joined),
        capacitors=_between(network.capacitors, joined),
        inductors=_between(network.inductors, joined),
        devices=[d for d in devices if d.owned_node or len(_terminals(d)) > 1],
        wires=[],
        draws=[dataclasses.replace(d, node=joined.find(d.node)) for d in network.draws],
        aliases={n: joined.find(n) for n in _nodes(network) if joined.find(n) != n},
        outputs={stage: joined.find(node) for stage, node in network.outputs.items()},
    )
    rails = {joined.find(rail) for rail in network.fed}
    return _without_dead_ends(tied, stiff | rails | set(tied.outputs.values()))


def _without_dead_ends(network: Network, kept: set[str]) -> Network:
    """Leave out what hangs with one end in the air, behind an open switch: it carries nothing."""
    while True:
        elements = (*network.resistors, *network.capacitors, *network.inductors)
        ends = [node for element in elements for node in (element.a, element.b)]
        ends += [node for device in network.devices for node in device.nodes.values()]
        count = Counter(ends)
        dead = {node for node, times in count.items() if times == 1} - kept
        if not dead:
            return network
        lists = {
            kind: [e for e in getattr(network, kind) if not {e.a, e.b} & dead]
            for kind in ("resistors", "capacitors", "inductors")
        }
        devices = [
            d for d in network.devices if len(d.nodes) > 2 or not set(d.nodes.values()) & dead
        ]
        left = dataclasses.replace(network, devices=devices, **lists)  # type: ignore[arg-type]
        if left == network:
            return network
        network = left


def _reach(network: Network) -> tuple[_Joined, _Joined]:
    """Which nodes direct current joins, devices passing it too, and which linear parts join."""
    stiff, nodes = stiff_nodes(network), _nodes(network)
    direct, alternating = _Joined([*sorted(stiff), *nodes]), _Joined([*sorted(stiff), *nodes])
    for sets in (direct, alternating):
        for node in stiff:
            sets.join(INPUT, node)
        for element in (*network.resistors, *network.inductors):
            sets.join(element.a, element.b)
    for capacitor in network.capacitors:
        alternating.join(capacitor.a, capacitor.b)
    for device in network.devices:
        for a, b in device.record.conducts:
            direct.join(device.nodes[a], device.nodes[b])
    return direct, alternating


def _nodes(network: Network) -> list[str]:
    """Every node, as it first appears along the signal."""
    ends = [
        node
        for element in (
            *network.wires, *network.capacitors, *network.resistors, *network.inductors
        )
        for node in (element.a, element.b)
    ]  # fmt: skip
    return list(dict.fromkeys([*ends, *(n for d in network.devices for n in _terminals(d))]))


def _terminals(device: Device) -> set[str]:
    return set(device.nodes.values())


def _between(elements: Iterable[TwoTerminal], joined: _Joined) -> list[TwoTerminal]:
    renamed = [
        dataclasses.replace(e, a=joined.find(e.a), b=joined.find(e.b)) for e in elements
    ]  # fmt: skip
    return [e for e in renamed if e.a != e.b]


def _renamed(device: Device, joined: _Joined) -> Device:
    nodes = {terminal: joined.find(node) for terminal, node in device.nodes.items()}
    return dataclasses.replace(device, nodes=nodes)


def with_leakage(network: Network) -> Network:
    """Lead a leakage to ground from every group of nodes that devices alone tie to the rest.

    Between two Zener diodes, two MOSFETs or the transistors of a cascode nothing else need lie, and
    what is linear in the equations must still have a solution by itself.
    """
    tied = _Joined([*sorted(stiff := stiff_nodes(network)), *_nodes(network)])
    for node in stiff:
        tied.join(INPUT, node)
    for element in (*network.resistors, *network.inductors, *network.capacitors):
        tied.join(element.a, element.b)
    leaks: list[TwoTerminal] = []
    for device in network.devices:
        for node in (device.nodes[t] for pair in device.record.conducts for t in pair):
            if tied.find(node) != tied.find(INPUT):
                tied.join(node, INPUT)
                leaks.append(TwoTerminal(f"{device.part}.ohmic", node, GROUND, LEAKAGE_OHM))
    return dataclasses.replace(network, resistors=[*network.resistors, *leaks])


def floating_nodes(network: Network) -> list[set[str]]:
    """Groups of nodes that capacitors alone tie to the rest, so that no direct current flows.

    Resistors, inductors, diodes and a transistor from end to end pass direct current. A base, a
    gate or an op-amp's input that only a capacitor leads to has no operating point worth the name:
    leakage that no model holds would set it.

    Raises
    ------
    DesignError
        If devices hang on such nodes, or not even a capacitor ties a node to anything: a line for
        each.
    """
    direct, alternating = _reach(network)
    held, reached = direct.find(INPUT), alternating.find(INPUT)
    faults = [
        f"{device.part}: no direct current reaches its {terminal}; lead a resistor there"
        for device in network.devices
        for terminal, node in device.nodes.items()
        if direct.find(node) != held
    ]
    groups: dict[str, set[str]] = {}
    for node in _nodes(network):
        if alternating.find(node) != reached:
            faults.append(f"nothing but devices ties {node}; lead a resistor there")
        elif direct.find(node) != held:
            groups.setdefault(direct.find(node), set()).add(node)
    _raise_all(faults)
    return list(groups.values())


def refuse_ideal_loops(network: Network) -> None:
    """Refuse what would drive a current without bound.

    Raises
    ------
    DesignError
        If op-amps drive one node or one that is held already, or coils alone close a loop, a line
        for each: their direct current has no limit, or may be shared in any way.
    """
    faults, outputs = [], dict[str, str]()
    held = {*network.rails, INPUT}
    joined = _Joined([*sorted(stiff_nodes(network)), *_nodes(network)])
    for device in network.devices:
        node = device.owned_node
        if node in held:
            faults.append(f"{device.part} drives {node}, which is held already")
        elif node in outputs:
            faults.append(f"{device.part} and {outputs[node]} both drive {node}")
        if node:
            outputs[node] = device.part
    for node in stiff_nodes(network):
        joined.join(INPUT, node)
    for coil in network.inductors:
        if joined.find(coil.a) == joined.find(coil.b):
            faults.append(
                f"{coil.part} closes a loop in which nothing limits direct current; put its "
                "winding's resistance in series"
            )
        joined.join(coil.a, coil.b)
    _raise_all(faults)


def _raise_all(faults: list[str]) -> None:
    if faults:
        raise DesignError("\n".join(faults))
