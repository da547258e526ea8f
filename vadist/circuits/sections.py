"""From a network to the sections that are solved jointly, as matrices.

A section is a connected part of the network, where connection does not pass through a stiff node
nor through an op-amp's inputs: nothing after an op-amp output can move it, and its inputs take no
current, so the network falls apart there exactly, without any approximation. Parts that read each
other, as an op-amp and its feedback, stay together. What lies in one section is solved as one.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray
from vadist.circuits.network import Device, Network, TwoTerminal
from vadist.circuits.nodes import floating_nodes, refuse_ideal_loops, stiff_nodes


@dataclass(frozen=True)
class Section:
    """One jointly solved part of a network.

    Kirchhoff's current law at the unknown nodes w, with known nodes u (signals first, then rails)::

        conductance w + conductance_known u + branch_into i_branch = port_into i_port - drawn

    Attributes
    ----------
    unknowns, signals, rails : tuple of str
        Node names: solved for, read from an earlier section or the input, fixed.
    conductance : (n, n), conductance_known : (n, k)
        Resistor stamps; rows of an op-amp output hold its compensation node instead.
    capacitors, inductors, resistors : Branches
        The elements with their incidence.
    devices : tuple of Device
    control, control_known : (controls, n), (controls, k)
        Control voltages of the devices from node voltages.
    port_into : (n, ports)
        Current of each port into each unknown node.
    owned_nodes : tuple of str
        Op-amp outputs among the unknowns.
    floating : tuple of tuple of int
        Groups of unknowns that capacitors alone tie to the rest.
    drawn : (n,)
        Constant current out of each unknown node.
    reference : str
        Known node that the op-amps' own poles refer to.
    """

    unknowns: tuple[str, ...]
    signals: tuple[str, ...]
    rails: tuple[str, ...]
    rail_volts: FloatArray
    conductance: FloatArray
    conductance_known: FloatArray
    resistors: "Branches"
    capacitors: "Branches"
    inductors: "Branches"
    devices: tuple[Device, ...]
    control: FloatArray
    control_known: FloatArray
    port_into: FloatArray
    owned_nodes: tuple[str, ...]
    floating: tuple[tuple[int, ...], ...]
    drawn: FloatArray
    reference: str

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of all parts in the section."""
        return (
            *self.resistors.parts,
            *self.capacitors.parts,
            *self.inductors.parts,
            *(d.part for d in self.devices),
        )

    @property
    def stages(self) -> tuple[str, ...]:
        """Names of the stages with a part in the section, in order of appearance."""
        return tuple(dict.fromkeys(part.split(".")[0] for part in self.parts))

    def selector(self, node: str) -> tuple[FloatArray, FloatArray]:
        """Rows that pick a node's voltage out of the unknown and the known voltages."""
        row = _incidence_row(node, self.unknowns)
        known = _incidence_row(node, (*self.signals, *self.rails))
        if not row.any() and not known.any():
            raise KeyError(node)
        return row, known


@dataclass(frozen=True)
class Branches:
    """Two-terminal elements of one kind.

    Attributes
    ----------
    parts : tuple of str
    values : (b,)
        Ohm, farad or henry.
    across, across_known : (b, n), (b, k)
        Branch voltage from node voltages.
    into : (n, b)
        Current leaving each unknown node through the branch (no row at a stiff node).
    compensation : (b,) bool
        Whether the element belongs to an op-amp's compensation.
    """

    parts: tuple[str, ...]
    values: FloatArray
    across: FloatArray
    across_known: FloatArray
    into: FloatArray
    compensation: NDArray[np.bool_]

    def only(self, chosen: Sequence[int]) -> "Branches":
        """Some of them."""
        return Branches(
            tuple(self.parts[k] for k in chosen), self.values[chosen], self.across[chosen],
            self.across_known[chosen], self.into[:, chosen], self.compensation[chosen],
        )  # fmt: skip


def conductances(
    resistors: Branches,
    devices: Iterable[Device],
    unknowns: Sequence[str],
    known: Sequence[str],
    reference: str,
) -> tuple[FloatArray, FloatArray]:
    """Stamps of resistors and of op-amps' own poles, over the unknown and the known nodes."""
    siemens = 1.0 / resistors.values
    conductance = (resistors.into * siemens) @ resistors.across
    conductance_known = (resistors.into * siemens) @ resistors.across_known
    for device in devices:
        if device.owned_node:
            row = unknowns.index(device.owned_node)
            conductance[row, row] += device.owned_siemens
            conductance_known[row, known.index(reference)] -= device.owned_siemens
    return conductance, conductance_known


def split_into_sections(network: Network, torn: Collection[str] = ()) -> list[Section]:
    """Cut a network at its stiff nodes and order the parts along the signal.

    Parameters
    ----------
    network : Network
    torn : collection of str
        Nodes whose volts count as known besides: the network is cut there too, and they are among
        the signals of the sections that touch them. What lies between a torn node and held ones,
        such as the resistors and the capacitor of a bias divider, is in no section.

    Returns
    -------
    list of Section
        In an order in which every section's signals are already known.

    Raises
    ------
    DesignError
        If ideal sources or coils close a loop, or no direct current reaches a device.
    """
    refuse_ideal_loops(network)
    outputs = [d.owned_node for d in network.devices if d.owned_node]
    groups = _groups(network, outputs, stiff_nodes(network) | set(torn))
    floating = floating_nodes(network)
    rails = tuple(rail for rail in network.rails if rail not in torn)
    return [_section(network, group, floating, rails) for group in _in_signal_order(groups)]


@dataclass
class _Group:
    nodes: set[str]
    owned: list[str]
    twoterminals: dict[str, list[TwoTerminal]]
    devices: list[Device]
    reads: set[str]


@dataclass(frozen=True)
class _Element:
    """A part as the cut sees it.

    Attributes
    ----------
    kind : str
        Which of a network's lists it stands in.
    held : TwoTerminal or Device
    touched : set of str
        Nodes whose voltage it needs.
    ties : list of str
        Labels it makes one component of: nodes that currents can move, or an owned output. None
        for what lies between two stiff nodes: it carries current but moves nothing.
    """

    kind: str
    held: TwoTerminal | Device
    touched: set[str]
    ties: list[str]


_TWO_TERMINALS = ("resistors", "capacitors", "inductors")


def _groups(network: Network, outputs: Sequence[str], stiff: set[str]) -> list[_Group]:
    """Elements by the section they belong to, in no order."""
    elements = _elements(network, stiff)
    home = _homes(elements, stiff, outputs)
    groups = [
        _Group(set(), [], {kind: [] for kind in _TWO_TERMINALS}, [], set())
        for _ in range(max(home.values(), default=-1) + 1)
    ]
    for node in {n for element in elements for n in element.touched} - stiff:
        groups[home[node]].nodes.add(node)
    for element in elements:
        if element.ties:
            _join(groups[home[element.ties[0]]], element)
    return groups


def _elements(network: Network, stiff: set[str]) -> list[_Element]:
    elements = [
        _Element(kind, held, {held.a, held.b}, sorted({held.a, held.b} - stiff))
        for kind in _TWO_TERMINALS
        for held in getattr(network, kind)
    ]
    for device in network.devices:
        touched = {n for pair in device.controls for n in pair}
        if device.owned_node:
            # It takes no current from its inputs: it reads them and ties nothing but its output.
            ties = [_owner(device.owned_node)]
        else:
            touched |= {n for injection in device.injections for n in injection}
            ties = sorted(touched - stiff)
        elements.append(_Element("devices", device, touched, ties))
    return elements


def _owner(node: str) -> str:
    """Label of what drives a stiff node; no node is named so."""
    return f"owner of {node}"


def _homes(elements: Sequence[_Element], stiff: set[str], outputs: Sequence[str]) -> dict[str, int]:
    """Section of every label: what currents tie, then what reads each other, is one."""
    tied = {tie for element in elements for tie in element.ties}
    labels = sorted(tied | {n for element in elements for n in element.touched - stiff})
    index = {label: k for k, label in enumerate(labels)}
    edges = [(index[e.ties[0]], index[tie]) for e in elements for tie in e.ties]
    count, component = _components(len(labels), edges, strong=False)
    home = {label: component[index[label]] for label in labels}
    home |= {node: home[_owner(node)] for node in outputs}
    # Parts that read each other's nodes (a feedback path through an op-amp) are one section.
    reads = [
        (home[e.ties[0]], home[node]) for e in elements if e.ties for node in e.touched & set(home)
    ]
    _, merged = _components(count, reads, strong=True)
    return {label: int(merged[part]) for label, part in home.items()}


def _join(group: _Group, element: _Element) -> None:
    group.reads |= element.touched - group.nodes
    if isinstance(element.held, Device):
        group.devices.append(element.held)
        if element.held.owned_node:
            group.owned.append(element.held.owned_node)
    else:
        group.twoterminals[element.kind].append(element.held)


def _components(
    count: int, edges: Iterable[tuple[int, int]], *, strong: bool
) -> tuple[int, IndexArray]:
    """Number of connected components and the component of each label.

    Reachability by squaring the adjacency matrix: networks have some dozens of nodes, and a graph
    library would cost every start of the program more than this ever does.
    """
    reach = np.eye(count, dtype=bool)
    for a, b in edges:
        reach[a, b] = True
        reach[b, a] |= not strong
    for _ in range(count.bit_length()):
        reach = reach @ reach
    if not count:
        return 0, np.zeros(0, dtype=int)
    first_mutual = np.argmax(reach & reach.T, axis=1)
    members, labels = np.unique(first_mutual, return_inverse=True)
    return len(members), labels


def _in_signal_order(groups: list[_Group]) -> list[_Group]:
    waiting = list(groups)
    of_groups = {node for group in groups for node in (*group.nodes, *group.owned)}
    known: set[str] = set()
    ordered = []
    while waiting:
        ready = next(g for g in waiting if (g.reads & of_groups) - set(g.owned) <= known)
        waiting.remove(ready)
        known |= {*ready.nodes, *ready.owned}
        ordered.append(ready)
    return ordered


def _incidence_row(node: str, names: Sequence[str]) -> FloatArray:
    return np.array([1.0 if name == node else 0.0 for name in names])


def _section(
    network: Network, group: _Group, floating: Sequence[set[str]], rails: tuple[str, ...]
) -> Section:
    unknowns = (*sorted(group.nodes), *group.owned)
    signals = tuple(sorted(group.reads - set(rails) - set(group.owned)))
    known = (*signals, *rails)
    owned = set(group.owned)

    def difference(a: str, b: str, names: Sequence[str]) -> FloatArray:
        return _incidence_row(a, names) - _incidence_row(b, names)

    def branches(elements: Sequence[TwoTerminal], extra: Sequence[Device] = ()) -> Branches:
        held = [TwoTerminal(d.part, d.owned_node, network.reference, d.owned_farad) for d in extra]
        every = [*elements, *held]
        across = [difference(e.a, e.b, unknowns) for e in every]
        into = [
            [0.0 if (n in owned and e not in held) else row[k] for k, n in enumerate(unknowns)]
            for e, row in zip(every, across, strict=True)
        ]
        return Branches(
            tuple(e.part for e in every),
            np.array([e.value for e in every]),
            np.array(across).reshape(len(every), len(unknowns)),
            np.array([difference(e.a, e.b, known) for e in every]).reshape(len(every), len(known)),
            np.array(into).reshape(len(every), len(unknowns)).T.copy(),
            np.array([e in held for e in every], dtype=bool),
        )

    resistors = branches(group.twoterminals["resistors"])
    opamps = [d for d in group.devices if d.owned_node]
    conductance, conductance_known = conductances(
        resistors, opamps, unknowns, known, network.reference
    )
    pairs = [pair for d in group.devices for pair in d.controls]
    injections = [injection for d in group.devices for injection in d.injections]
    into = np.zeros((len(unknowns), len(injections)))
    for column, injection in enumerate(injections):
        for node, coefficient in injection.items():
            owner = any(d.owned_node == node and injection in d.injections for d in opamps)
            if node in unknowns and (node not in owned or owner):
                into[unknowns.index(node), column] += coefficient
    return Section(
        unknowns,
        signals,
        rails,
        np.array([network.rails[r] for r in rails]),
        conductance,
        conductance_known,
        resistors,
        branches(group.twoterminals["capacitors"], opamps),
        branches(group.twoterminals["inductors"]),
        tuple(group.devices),
        np.array([difference(a, b, unknowns) for a, b in pairs]).reshape(len(pairs), len(unknowns)),
        np.array([difference(a, b, known) for a, b in pairs]).reshape(len(pairs), len(known)),
        into,
        tuple(group.owned),
        tuple(
            tuple(unknowns.index(node) for node in sorted(island))
            for island in floating
            if island <= group.nodes
        ),
        np.array([sum(d.ampere for d in network.draws if d.node == n) for n in unknowns]),
        network.reference,
    )
