"""The DC operating point of a section: the node voltages it rests at with no signal.

Newton's method with limited steps finds nearly all. Where it does not, the circuit is switched on:
every node is tied to where it was by a conductance, as a capacitor does over a step of implicit
Euler, and the steps grow as they succeed (pseudo-transient continuation; C. T. Kelley and D. E.
Keyes, SIAM Journal on Numerical Analysis 35(2), 1998, from memory, not located). A circuit that
settles when it is switched on in this way is thus solved from wherever it starts.

What is guaranteed of an accepted point: at every node the net current is below
:data:`LARGEST_IMBALANCE` of the sum of the currents that meet there, or below what sixteen
roundings of the largest voltage drive through the resistors and devices at it; along every
resistor and inductor the same holds of volts; and one more Newton step would move no node by more
than :data:`LARGEST_CORRECTION` of the largest voltage in the section. That step is then taken.
"""

import dataclasses
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.dc_equations import DcEquations, Linearised
from vadist.circuits.network import INPUT, Device, Network, TwoTerminal
from vadist.circuits.nodes import with_leakage
from vadist.circuits.sections import Section, split_into_sections
from vadist.devices import Resting
from vadist.devices.evaluate import currents_and_slopes
from vadist.errors import ConvergenceError, DesignError

LARGEST_IMBALANCE = 1e-9
"""Of the currents that meet at a node: what may be left over."""

LARGEST_CORRECTION = 1e-9
"""Of the largest voltage: what the last Newton step may still move a node by."""

IMPOSSIBLE_A = 1e4
"""What a junction straight between rails would carry is beyond; ohms of any part stay far below."""

DIRECT_STEPS = 80
"""Newton steps before a circuit is switched on instead."""

_FOLLOWED_STEPS = 80
_EULER_STEPS = 400
_EULER_NEWTON_STEPS = 40
_EULER_IMBALANCE = 1e-3
# A step of time need not be exact: the next one starts from wherever it ended.
_FIRST_HOLD, _LEAST_HOLD, _MOST_HOLD = 10.0, 1e-12, 1e12
# Conductance that holds a node where it was, over the one it sees.
_HOLD_GROWS, _HOLD_SHRINKS = 8.0, 4.0


@dataclass(frozen=True)
class OperatingPoint:
    """Where a section rests.

    Attributes
    ----------
    node_v, known_v : (n,), (k,)
        Volts of the unknown and the known nodes.
    control_v : (controls,)
        Control voltages of the devices.
    port_a : (ports,)
        Port currents.
    slopes : (ports, controls)
        Derivatives of the port currents there, siemens.
    """

    node_v: FloatArray
    known_v: FloatArray
    control_v: FloatArray
    port_a: FloatArray
    slopes: FloatArray


def solve_operating_point(
    section: Section, signal_v: FloatArray, near_v: FloatArray | None = None
) -> OperatingPoint:
    """Solve a section at DC.

    Parameters
    ----------
    section : Section
    signal_v : (signals,)
        DC volts of the nodes that feed the section.
    near_v : (controls,), optional
        Control voltages to start from: those of a circuit that is nearly the same.

    Raises
    ------
    DesignError
        If that is because nothing limits a device's current.
    ConvergenceError
        If neither Newton's method nor switching the circuit on finds a solution.
    """
    known_v = np.concatenate([signal_v, section.rail_volts])
    equations = DcEquations(section, known_v)
    with np.errstate(all="ignore"):  # a wild step is told by its result, not warned of
        found = None if near_v is None else _newton(equations, near_v, DIRECT_STEPS)
        found = found or _newton(equations, equations.start_v, DIRECT_STEPS)
        found = found or _switched_on(equations)
        if found is None:
            _follow(section, equations)
            stages = ", ".join(section.stages)
            raise ConvergenceError(
                f"no DC operating point found for {stages}; look for a value that is decades off"
            )
    w, at = found
    _refuse_unlimited(section, at)
    return OperatingPoint(w[: len(section.unknowns)], known_v, at.control_v, at.port_a, at.slopes)


Solution = tuple[FloatArray, Linearised]


def _newton(equations: DcEquations, control_v: FloatArray, steps: int) -> Solution | None:
    """Newton with limited steps; None if it does not settle."""
    free = np.zeros(equations.size)
    w, v = None, control_v
    for _ in range(steps):
        at = equations.devices_at(v)
        moved_to = _target(equations, at, free, free)
        if moved_to is None:
            return None
        wanted = equations.control_v(moved_to)
        if w is not None and _is_settled(equations, w, at, moved_to):
            return moved_to, equations.devices_at(wanted)
        v = equations.within_limits(v, wanted)
        # Only voltages that no limit has cut are those of the nodes.
        w = moved_to if (v == wanted).all() else None
    return None


def _target(
    equations: DcEquations, at: Linearised, held: FloatArray, held_at: FloatArray
) -> FloatArray | None:
    try:
        target = equations.newton_target(at, held, held_at)
    except np.linalg.LinAlgError:
        return None
    return target if np.isfinite(target).all() else None


def _is_settled(equations: DcEquations, w: FloatArray, at: Linearised, target: FloatArray) -> bool:
    net, flows, rounding = equations.imbalance(w, at)
    if not (np.abs(net) <= LARGEST_IMBALANCE * flows + rounding).all():
        return False
    n, largest = equations.nodes, equations.largest_v(target)
    return bool((np.abs(target - w)[:n] <= LARGEST_CORRECTION * largest).all())


def _refuse_unlimited(section: Section, at: Linearised) -> None:
    """Name the device whose current has left all bounds."""
    if np.abs(at.port_a).max(initial=0.0) <= IMPOSSIBLE_A:
        return
    owners = [d.part for d in section.devices for _ in range(d.record.ports)]
    raise DesignError(
        f"{owners[int(np.abs(at.port_a).argmax())]} lies in a path of junctions between rails, "
        "and nothing limits its current; give a resistor that leads to it some ohms"
    )


def _follow(section: Section, equations: DcEquations) -> None:
    """Follow Newton to see whether a current leaves all bounds."""
    free, v = np.zeros(equations.size), equations.start_v
    for _ in range(_FOLLOWED_STEPS):
        at = equations.devices_at(v)
        _refuse_unlimited(section, at)
        target = _target(equations, at, free, free)
        if target is None:
            return
        v = equations.within_limits(v, equations.control_v(target))


def _switched_on(equations: DcEquations) -> Solution | None:
    """Let the circuit settle in steps of time that grow; None if it does not."""
    w, hold = np.zeros(equations.size), _FIRST_HOLD
    v = equations.start_v
    for _ in range(_EULER_STEPS):
        reached = _euler_step(equations, w, v, hold * equations.own_siemens)
        if reached is None:
            hold *= _HOLD_GROWS
            if hold > _MOST_HOLD:
                return None
            continue
        w, v = reached
        hold = max(hold / _HOLD_SHRINKS, _LEAST_HOLD)
        if hold < 1.0:
            found = _newton(equations, v, _EULER_NEWTON_STEPS)
            if found is not None:
                return found
    return None


def _euler_step(
    equations: DcEquations, before: FloatArray, v: FloatArray, held: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    """Node and control voltages after a step of implicit Euler; None if Newton fails in it."""
    w = None
    for _ in range(_EULER_NEWTON_STEPS):
        at = equations.devices_at(v)
        if w is not None:
            net, flows, rounding = equations.imbalance(w, at)
            pull = held * (w - before)
            allowed = _EULER_IMBALANCE * (flows + np.abs(pull)) + rounding
            if (np.abs(net + pull) <= allowed).all():
                return w, v
        moved_to = _target(equations, at, held, before)
        if moved_to is None:
            return None
        wanted = equations.control_v(moved_to)
        v = equations.within_limits(v, wanted)
        w = moved_to if (v == wanted).all() else None
    return None


@dataclass(frozen=True)
class SolvedNetwork:
    """A network with the operating point of each of its sections.

    Attributes
    ----------
    network : Network
    sections : tuple of (Section, OperatingPoint)
        In signal order, with the junction capacitances of their devices.
    """

    network: Network
    sections: tuple[tuple[Section, OperatingPoint], ...]

    @property
    def node_v(self) -> dict[str, float]:
        """DC volts of every node, rails and input included, under each of its names."""
        volts = {**self.network.rails, INPUT: self.network.input_v}
        for section, point in self.sections:
            volts |= dict(zip(section.unknowns, point.node_v.tolist(), strict=True))
        return self.network.under_all_names(volts)

    def torn(self, nodes: Collection[str]) -> tuple[tuple[Section, OperatingPoint], ...]:
        """Sections where the network is cut at nodes, too, each resting where it rests now.

        Parameters
        ----------
        nodes : collection of str
            Read by the sections as signals; see :func:`split_into_sections`.
        """
        volts = self.node_v
        found = []
        for section in split_into_sections(_loaded(self), nodes):
            node_v = np.array([volts[n] for n in section.unknowns])
            known_v = np.array([volts[n] for n in (*section.signals, *section.rails)])
            control_v = section.control @ node_v + section.control_known @ known_v
            devices = section.devices
            port_a, slopes = currents_and_slopes(
                [d.kind for d in devices], [d.parameters for d in devices], control_v
            )
            found.append((section, OperatingPoint(node_v, known_v, control_v, port_a, slopes)))
        return tuple(found)

    @property
    def stage_nodes(self) -> dict[str, str]:
        """Stage -> node of its output, in signal order; wires may have joined it to any other."""
        return self.network.outputs

    @property
    def output(self) -> str:
        """Node the take is heard at."""
        return tuple(self.network.outputs.values())[-1]

    def resting_devices(self) -> list["PlacedDevice"]:
        """Every device at its operating point, section by section."""
        volts, found = self.node_v, []
        for number, (section, point) in enumerate(self.sections):
            control = port = 0
            for device in section.devices:
                controls = slice(control, control := control + len(device.record.controls))
                ports = slice(port, port := port + device.record.ports)
                at = Resting(
                    device.model,
                    device.named,
                    {terminal: volts[node] for terminal, node in device.nodes.items()},
                    point.port_a[ports],
                    point.slopes[ports, controls],
                    device.polarity,
                )
                found.append(PlacedDevice(device, at, number, controls, ports))
        return found


@dataclass(frozen=True)
class PlacedDevice:
    """A device at its operating point, and where it is found.

    Attributes
    ----------
    device : Device
    resting : Resting
    section : int
    controls, ports : slice
        Among those of its section.
    """

    device: Device
    resting: Resting
    section: int
    controls: slice
    ports: slice


def solve_network(network: Network) -> SolvedNetwork:
    """Solve a network at DC, then give its junctions the capacitance they have there."""
    network = with_leakage(network)
    volts = {INPUT: network.input_v}
    found = []
    for section in split_into_sections(network):
        point = solve_operating_point(section, np.array([volts[s] for s in section.signals]))
        volts |= dict(zip(section.unknowns, point.node_v.tolist(), strict=True))
        found.append((section, point))
    refuse_starved(network, volts)
    solved = SolvedNetwork(network, tuple(found))
    loaded = _loaded(solved)
    if loaded is network:
        return solved
    # Between nodes that a device ties already, they change neither the cut nor where it rests.
    points = [point for _, point in found]
    return SolvedNetwork(network, tuple(zip(split_into_sections(loaded), points, strict=True)))


def _loaded(solved: SolvedNetwork) -> Network:
    """The network with the capacitances that its junctions have where they rest."""
    network, capacitors = solved.network, junction_capacitors(solved)
    if not capacitors:
        return network
    return dataclasses.replace(network, capacitors=[*network.capacitors, *capacitors])


def solve_all(network: Network) -> list[tuple[Section, OperatingPoint]]:
    """Sections of a network with their operating points, in signal order."""
    return list(solve_network(network).sections)


def refuse_starved(network: Network, volts: dict[str, float]) -> None:
    """Refuse a supply rail that sinks, at rest, to where an op-amp has nothing left to swing."""
    for device in network.devices:
        if "supply" not in device.nodes:
            continue
        rail = volts.get(device.nodes["supply"], network.supply_v)
        least = device.model.headroom_high_v + device.model.headroom_low_v
        if not rail > least:
            raise DesignError(
                f"{device.part}: {device.model.name} needs more than {least:g} V of supply "
                f"(the rail rests at {rail:.3g} V; less resistance in it, or more volts, would do)"
            )


def junction_capacitors(solved: SolvedNetwork) -> list[TwoTerminal]:
    """Capacitances of all junctions at their resting volts, as capacitors between nodes."""
    found = []
    for placed in solved.resting_devices():
        device = placed.device
        for a, b, farad in device.record.capacitances(placed.resting):
            ends = device.nodes[a], device.nodes[b]
            if farad > 0.0 and ends[0] != ends[1]:
                found.append(TwoTerminal(f"{device.part}.{a}_{b}", *ends, farad))
    return found
