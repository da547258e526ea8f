"""From a section to the difference equations the kernel steps through.

Reactive elements become companion models: the trapezoidal rule for most, and the second-order
backward difference for *stiff* ones, whose own time constant is far below any audio sample: there
the trapezoidal rule would ring at half the sample rate. Both are A-stable and of second order, and
both keep a passive element passive, so mixing them keeps a passive network passive.

Companion of a capacitor, with g its conductance and s a history in volts: ``i = g (v - s)``

==================  =============  ==========================================
rule                g              next history
==================  =============  ==========================================
trapezoidal         2 C/h          s' = 2 v - s
backward, 2nd ord.  3 C/(2 h)      s' = 4/3 v - 1/3 v_before
==================  =============  ==========================================

An inductor is ``i = g (v + s)``, g = h/(2 L), s' = 2 v + s.

A history is what its element held a little before the sample that is due, within O(h^2): by h/2 a
trapezoidal capacitor's volts and, as ``g s``, an inductor's current; by 2/3 h a backward one's,
whose previous voltage lies h back. So states can be carried over to another rate.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import OperatingPoint
from vadist.circuits.sections import Section

STIFF_SECONDS = 1.3e-6
"""Half a sample at 8 x 48 kHz: a capacitor faster than this against the resistance it sees is
stepped by the backward difference, at every rate, so that an answer never changes its rule."""

_FOREVER_S = 1e6


@dataclass(frozen=True)
class DiscreteSection:
    """Coefficients of one section at one sample rate, in deviations from the operating point.

    With z = [x; u; i]: control voltages ``v0 + P z[:x+u] + K i``, next state and outputs ``W z``.

    Attributes
    ----------
    P : (controls, states + inputs)
    W : (states + outputs, states + inputs + ports)
    K : (controls, ports)
    control_v, port_a : (controls,), (ports,)
        Operating point.
    port_slopes : (ports, controls)
        Derivatives of the port currents at the operating point, siemens.
    limits : (controls, 4)
    kinds : tuple of str
        Devices.
    parameters : tuple of tuple of float
        Of each device, as its law lists them.
    states, inputs, ports, outputs : int
    output_nodes : tuple of str
    output_v : (outputs,)
        DC volts of the outputs.
    signals : tuple of str
    stages : tuple of str
    sample_rate_hz : float
    state_lags : (states,)
        How long before the sample that is due each state was true, in samples.
    state_units : (states,)
        What a state is multiplied by to mean the same at every rate.
    """

    P: FloatArray
    W: FloatArray
    K: FloatArray
    control_v: FloatArray
    port_a: FloatArray
    port_slopes: FloatArray
    limits: FloatArray
    kinds: tuple[str, ...]
    parameters: tuple[tuple[float, ...], ...]
    states: int
    inputs: int
    ports: int
    outputs: int
    output_nodes: tuple[str, ...]
    output_v: FloatArray
    signals: tuple[str, ...]
    stages: tuple[str, ...]
    sample_rate_hz: float
    state_lags: FloatArray
    state_units: FloatArray

    @cached_property
    def coefficients(self) -> FloatArray:
        """P, W and K in a row."""
        return np.concatenate([self.P.ravel(), self.W.ravel(), self.K.ravel()])

    @cached_property
    def key(self) -> tuple[object, ...]:
        """What two sections share that step alike: every number the kernel is given."""
        arrays = (self.coefficients, self.control_v, self.port_a, self.limits)
        return (self.kinds, self.parameters, *(a.tobytes() for a in arrays))

    def carried_over(self, states: FloatArray, coarser: "DiscreteSection") -> FloatArray:
        """States in which this section goes on where one at another rate, no finer, stands.

        Parameters
        ----------
        states : (2, states, ...)
            The other's before the sample that is due, and before the next.
        coarser : DiscreteSection
            The other, of the same circuit.
        """
        here, after = states
        part = self.state_lags * (1.0 - coarser.sample_rate_hz / self.sample_rate_hz)
        shape = (-1, *[1] * (here.ndim - 1))
        moved = here + part.reshape(shape) * (after - here)
        return np.asarray(moved * (coarser.state_units / self.state_units).reshape(shape))


def difference_equations(
    section: Section,
    point: OperatingPoint,
    sample_rate_hz: float,
    output_nodes: tuple[str, ...],
) -> DiscreteSection:
    """Difference equations of a section at a sample rate.

    Parameters
    ----------
    section, point : the section and where it rests
    sample_rate_hz : the oversampled rate
    output_nodes : unknown nodes whose voltages leave the section

    Returns
    -------
    DiscreteSection
    """
    h = 1.0 / sample_rate_hz
    signals = len(section.signals)
    caps, coils = section.capacitors, section.inductors
    stiff = caps.compensation | _is_stiff(section, point)
    g_cap = np.where(stiff, 1.5, 2.0) * caps.values / h
    g_coil = 0.5 * h / coils.values
    into = np.hstack([caps.into * g_cap, coils.into * g_coil])
    across = np.vstack([caps.across, coils.across])
    across_u = np.vstack([caps.across_known, coils.across_known])[:, :signals]
    # Sources of the history: +g s for a capacitor, -g s for an inductor.
    signs = np.concatenate([np.ones(len(g_cap)), -np.ones(len(g_coil))])
    system = section.conductance + into @ across
    inverse = np.linalg.inv(system)
    node_from_s = inverse @ (into * signs)
    node_from_u = -inverse @ (section.conductance_known[:, :signals] + into @ across_u)
    node_from_i = inverse @ section.port_into
    rows = [section.selector(node)[0] for node in output_nodes]
    row = np.array(rows).reshape(len(rows), len(section.unknowns))

    # States: one history each, then the previous voltage of every stiff capacitor.
    branches, ports = len(signs), len(point.port_a)
    extra = np.flatnonzero(stiff)
    states = branches + len(extra)
    v_from = np.hstack(
        [across @ node_from_s, np.zeros((branches, len(extra))), across @ node_from_u + across_u,
         across @ node_from_i]
    )  # fmt: skip
    step = np.zeros((states, states + signals + ports))
    own = np.eye(branches, states + signals + ports)
    trapezoidal = np.concatenate([~stiff, np.ones(len(g_coil), dtype=bool)])
    step[:branches] = np.where(
        trapezoidal[:, None], 2.0 * v_from - signs[:, None] * own, 4.0 / 3.0 * v_from
    )
    for k, branch in enumerate(extra):
        step[branch, branches + k] -= 1.0 / 3.0
        step[branches + k] = v_from[branch]

    def widen(from_s: FloatArray, from_u: FloatArray, from_i: FloatArray) -> FloatArray:
        return np.hstack([from_s, np.zeros((len(from_s), len(extra))), from_u, from_i])

    out = widen(row @ node_from_s, row @ node_from_u, row @ node_from_i)
    control = widen(
        section.control @ node_from_s,
        section.control @ node_from_u + section.control_known[:, :signals],
        section.control @ node_from_i,
    )
    inner = states + signals
    return DiscreteSection(
        P=control[:, :inner],
        W=np.vstack([step, out]),
        K=control[:, inner:],
        control_v=point.control_v,
        port_a=point.port_a,
        port_slopes=point.slopes,
        limits=np.array([x for d in section.devices for x in d.limits]).reshape(-1, 4),
        kinds=tuple(d.kind for d in section.devices),
        parameters=tuple(d.parameters for d in section.devices),
        states=states,
        inputs=signals,
        ports=ports,
        outputs=len(output_nodes),
        output_nodes=output_nodes,
        output_v=row @ point.node_v,
        signals=section.signals,
        stages=section.stages,
        sample_rate_hz=sample_rate_hz,
        state_lags=np.concatenate([np.where(trapezoidal, 1 / 2, 2 / 3), np.ones(len(extra))]),
        state_units=np.concatenate([np.ones(len(g_cap)), g_coil, np.ones(len(extra))]),
    )


def through(
    nodes: tuple[str, ...], rest_v: Mapping[str, float], stages: tuple[str, ...], rate_hz: float
) -> DiscreteSection:
    """A section of wires: the input at nodes that are one with it, nothing at rails.

    Parameters
    ----------
    nodes : the input or rails, as outputs
    rest_v : mapping of node -> volts
    stages : whose outputs they are
    rate_hz : float
    """
    none = np.zeros(0)
    return DiscreteSection(
        P=np.zeros((0, 1)),
        W=np.array([[float(node == INPUT)] for node in nodes]),
        K=np.zeros((0, 0)),
        control_v=none,
        port_a=none,
        port_slopes=np.zeros((0, 0)),
        limits=np.zeros((0, 4)),
        kinds=(),
        parameters=(),
        states=0,
        inputs=1,
        ports=0,
        outputs=len(nodes),
        output_nodes=nodes,
        output_v=np.array([rest_v[node] for node in nodes]),
        signals=(INPUT,),
        stages=stages,
        sample_rate_hz=rate_hz,
        state_lags=none,
        state_units=none,
    )


def _is_stiff(section: Section, point: OperatingPoint) -> np.ndarray:
    """Which capacitors are fast against the resistance they see with the others shorted."""
    caps = section.capacitors
    linear = section.conductance - section.port_into @ point.slopes @ section.control
    short = 1e6
    found = np.zeros(len(caps.parts), dtype=bool)
    for k in range(len(caps.parts)):
        weights = np.full(len(caps.parts), short)
        weights[k] = caps.values[k] / _FOREVER_S  # a node it alone holds sees no resistance
        weights[caps.compensation] = 0.0
        system = linear + (caps.into * weights) @ caps.across
        ohm = caps.across[k] @ np.linalg.solve(system, caps.into[:, k])
        found[k] = 0.0 <= ohm * caps.values[k] < STIFF_SECONDS
    return found
