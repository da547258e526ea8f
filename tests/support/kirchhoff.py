"""Whether node volts are an operating point, by Kirchhoff's laws written a second time.

Independent of the package: it takes the element lists as the stages wired them, before any wire is
joined, sums currents over each set of nodes that wires and inductors tie, with the oracle's own
device laws, and does one Newton step of its own, undivided over the whole circuit.
"""

from dataclasses import dataclass
from unittest.mock import patch

import numpy as np
from circuit_oracle import CircuitOracle, device_models

from vadist.circuits.network import Network
from vadist.designs.design import Design

ROUNDING = 64.0 * np.finfo(float).eps


@dataclass(frozen=True)
class Verdict:
    """What Kirchhoff says of an operating point.

    Attributes
    ----------
    imbalance : float
        Largest net current over the sum of the currents that meet there, less what 64 roundings of
        the largest voltage drive through the conductances there.
    correction_v : float
        Largest voltage change of a Newton step.
    spread_v : float
        Largest voltage along a wire or an inductor.
    """

    imbalance: float
    correction_v: float
    spread_v: float


def drawn_network(design: Design) -> Network:
    """The network as the stages drew it, wires and all."""
    with patch("vadist.designs.design.join_wires", lambda network, names: network):
        return design.network()


def judge(design: Design, node_v: dict[str, float]) -> Verdict:
    """Judge the volts of all nodes."""
    network = drawn_network(design)
    oracle = CircuitOracle(network, device_models(design))
    fixed = {*network.rails, "input"}
    ties = [(e.a, e.b) for e in (*network.wires, *network.inductors)]
    sets = _tied(oracle.free, fixed, ties)
    spread = max((abs(node_v[a] - node_v[b]) for a, b in ties), default=0.0)

    count = len(oracle.free)
    full = np.zeros(oracle.size + len(oracle.known))
    full[:count] = [node_v[node] for node in oracle.free]
    for node in fixed:
        full[oracle.known_column[node]] = node_v[node]
    net = oracle.drawn[:count].copy()
    flows = net.copy()
    for k, devices in enumerate([[], *([d] for d in oracle.devices)]):
        oracle_devices, oracle.devices = oracle.devices, devices
        current = oracle.device_currents(full)[0][:count] if k else np.zeros(count)
        oracle.devices = oracle_devices
        net += current
        flows += np.abs(current)
    digits = np.zeros(count)
    for r in network.resistors:
        volts = full[oracle.column(r.a)] - full[oracle.column(r.b)]
        for node, sign in ((r.a, 1.0), (r.b, -1.0)):
            if node in oracle.index and node not in oracle.outputs:
                net[oracle.index[node]] += sign * volts / r.value
                flows[oracle.index[node]] += abs(volts) / r.value
                digits[oracle.index[node]] += 1.0 / r.value
    for device, model in oracle.devices:
        if device.kind.startswith("opamp"):
            row = oracle.index[device.owned_node]
            leak = 2 * np.pi * model.gain_bandwidth_hz / model.open_loop_gain
            leak *= node_v[device.owned_node] - network.rails[network.reference]
            net[row] += leak
            flows[row] += abs(leak)
    slopes = oracle.device_currents(full)[1][:count, :count]
    digits = (digits + np.abs(slopes).sum(axis=1)) * max(abs(v) for v in node_v.values())

    rows, columns = [], []
    for members in sets:
        driven = [n for n in members if n in oracle.outputs]
        here = np.zeros(count)
        here[[oracle.index[n] for n in driven or members & set(oracle.free)]] = 1.0
        rows.append(here)
        there = np.zeros(count)
        there[[oracle.index[n] for n in members & set(oracle.free)]] = 1.0
        columns.append(there)
    if not rows:
        return Verdict(0.0, 0.0, spread)
    R, T = np.array(rows), np.array(columns).T
    net, flows, digits = R @ net, R @ flows, R @ digits
    jacobian = R @ (oracle.G[:count, :count] + slopes) @ T
    try:
        correction = np.linalg.solve(jacobian, -net)
    except np.linalg.LinAlgError:
        # What a blocked white LED alone holds, 1e-24 S, is lost beside any resistor: its volts are
        # then judged by the imbalance alone, those of all others by the step still.
        correction = np.linalg.lstsq(jacobian, -net, rcond=None)[0]
    excess = np.maximum(np.abs(net) - ROUNDING * digits, 0.0)
    imbalance = np.divide(excess, flows, out=np.zeros_like(excess), where=excess > 0.0)
    return Verdict(float(imbalance.max()), float(np.abs(correction).max()), spread)


def _tied(free, fixed, ties):
    """Sets of free nodes that are one, those that are one with a fixed node left out."""
    sets = {node: {node} for node in (*free, *fixed, *(n for tie in ties for n in tie))}
    for a, b in ties:
        together = sets[a] | sets[b]
        for node in together:
            sets[node] = together
    found = []
    for node in free:
        if not sets[node] & fixed and sets[node] not in found:
            found.append(sets[node])
    return found
