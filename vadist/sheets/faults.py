"""Single faults of a board, and where each rests: a part open, shorted or missing.

A fault changes the network as a board's would: a part that is open or missing is taken out; a leg
of a device or a pot that is lifted leads to :data:`~vadist.circuits.nodes.LEAKAGE_OHM` alone, as
boards leak; what is shorted is one node. What is left with no way for direct current leaks to
ground too: on a bench such an input drifts, and where to no model tells. An op-amp whose output is
shorted to what is held gives way to it, for it can drive a few milliamperes.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from vadist.circuits.elements import Device, TwoTerminal
from vadist.circuits.network import GROUND, Network
from vadist.circuits.nodes import LEAKAGE_OHM, floating_nodes, join_wires, stiff_nodes
from vadist.designs.design import Design
from vadist.errors import ConvergenceError, DesignError
from vadist.sheets.board import BoardPart
from vadist.sheets.rest import METER_OHM, Rest, rest
from vadist.stages.stage import output_node
from vadist.stages.wired import COMMON, NOWHERE

OPEN, SHORT, MISSING = "open", "short", "missing"
_LISTS = ("resistors", "capacitors", "inductors", "wires")


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong.

    Attributes
    ----------
    part : BoardPart
    kind : str
        ``open``, ``short`` or ``missing``.
    terminals : tuple of str
        The one that is open, the two that are shorted; none of a part of two ends.
    """

    part: BoardPart
    kind: str
    terminals: tuple[str, ...] = ()

    @property
    def nodes(self) -> tuple[str, ...]:
        """Nodes of what is wrong."""
        if not self.terminals:
            return self.part.nodes
        return tuple(n for t in self.terminals for name, n in self.part.terminals if name == t)


def single_faults(parts: list[BoardPart]) -> Iterator[Fault]:
    """Every part open, shorted and missing; each leg of what has more than two."""
    for part in parts:
        names = tuple(dict.fromkeys(t for t, n in part.terminals if n != NOWHERE))
        if part.kind == "switch":
            yield Fault(part, OPEN, (COMMON,))
        elif len(names) == 2:
            yield Fault(part, MISSING)
            if len(part.nodes) > 1:
                yield Fault(part, SHORT)
        else:
            yield Fault(part, MISSING)
            yield from (Fault(part, OPEN, (name,)) for name in names)
            for pair in combinations(names, 2):
                nodes = {dict(part.terminals)[name] for name in pair}
                if len(nodes) == 2:
                    yield Fault(part, SHORT, pair)


class FaultyBoards:
    """A design with one fault at a time.

    Parameters
    ----------
    design : Design
    resting : Rest
        The design without any.
    """

    def __init__(self, design: Design, resting: Rest) -> None:
        self._wired, self._resting = design.wired(), resting
        self._names = [output_node(name) for name in design.stages]

    def rest(self, fault: Fault, meter: str = "") -> Rest:
        """Where the board rests with a fault.

        Parameters
        ----------
        fault : Fault
        meter : str
            Node a meter is on; empty for none.

        Raises
        ------
        DesignError, ConvergenceError
            If no current is limited, a rail is shorted, or no point of rest is found.
        """
        try:
            return rest(self.network(fault, meter), self._resting)
        except ConvergenceError:
            return rest(self.network(fault, meter, leaks=True), self._resting)

    def network(self, fault: Fault, meter: str = "", *, leaks: bool = False) -> Network:
        """The board with a fault, its wires joined; see :meth:`rest`.

        Nodes of the part leak to ground where asked for, or where nothing else leads there.
        """
        network = self._changed(fault)
        if meter:
            network = _with(network, resistors=[TwoTerminal("meter", meter, GROUND, METER_OHM)])
        try:
            joined = self._joined(network)
            floating_nodes(joined)
        except DesignError:
            if fault.kind == SHORT:
                raise
            leaks = True
        if leaks:
            more = [_leak(fault.part.path, node) for node in fault.part.nodes]
            joined = self._joined(_with(network, resistors=more))
        return joined

    def _joined(self, network: Network) -> Network:
        return join_wires(network, self._names)

    def _changed(self, fault: Fault) -> Network:
        path, network = fault.part.path, self._wired
        if fault.kind == SHORT:
            return self._shorted(path, *dict.fromkeys(fault.nodes))
        if fault.kind == MISSING:
            return _without(network, path)
        if fault.part.kind == "switch":
            return _without(network, path)
        return _lifted(network, path, fault.nodes[0])

    def _shorted(self, path: str, one: str, other: str) -> Network:
        network, good = self._wired, self._resting.network
        ends = [good.held(one), good.held(other)]
        if set(ends) <= stiff_nodes(good):
            driving = [d for d in good.devices if d.owned_node in ends]
            if not driving:
                raise DesignError(f"{path} shorts {ends[0]} to {ends[1]}")
            owner = driving[0]
            network = _lifted(network, owner.part, owner.owned_node)
        wire = TwoTerminal(f"{path}.short", one, other, 0.0)
        return _with(network, wires=[wire])


def _owns(path: str, name: str) -> bool:
    return name == path or name.startswith(f"{path}.")


def _without(network: Network, path: str) -> Network:
    """Take a part out, with what it draws."""
    lists: dict[str, Any] = {
        kind: [e for e in getattr(network, kind) if not _owns(path, e.part)]
        for kind in (*_LISTS, "devices", "draws")
    }
    return replace(network, **lists)


def _lifted(network: Network, path: str, node: str) -> Network:
    """Lift a part's leg off a node."""
    loose = f"{path}.lifted"

    def end(name: str) -> str:
        return loose if name == node else name

    def element(each: TwoTerminal) -> TwoTerminal:
        return replace(each, a=end(each.a), b=end(each.b)) if _owns(path, each.part) else each

    def device(each: Device) -> Device:
        if not _owns(path, each.part):
            return each
        return replace(each, nodes={t: end(n) for t, n in each.nodes.items()})

    lists: dict[str, Any] = {kind: [element(e) for e in getattr(network, kind)] for kind in _LISTS}
    lifted = replace(network, devices=[device(d) for d in network.devices], **lists)
    return _with(lifted, resistors=[_leak(path, loose)])


def _leak(path: str, node: str) -> TwoTerminal:
    return TwoTerminal(f"{path}.leak.{node}", node, GROUND, LEAKAGE_OHM)


def _with(network: Network, **more: list[TwoTerminal]) -> Network:
    grown: dict[str, Any] = {kind: [*getattr(network, kind), *e] for kind, e in more.items()}
    return replace(network, **grown)
