"""From a section's differential equations to the difference equations the kernel steps through.

Over a step of h the linear part is solved exactly (exponential time differencing: Cox and
Matthews, Journal of Computational Physics 176, 2002; Hochbruck and Ostermann, Acta Numerica 19,
2010)::

    x(h) = e^(A h) x(0) + integral from 0 to h of e^(A (h - s)) (B u(s) + C r(s)) ds

The input u is the cubic through four samples, the last of them at the end of its interval, so that
nothing looks ahead. The remainder r of the port currents is a line from its value before to the
one that is solved for; and, where the laws are not steep against the step, the parabola through the
one before that as well, by a share theta that the kernel works out (:mod:`vadist.kernel.generate`).

Integrals of ``e^(A (h - s)) (s/h)^k`` are ``h k! phi_(k+1)(A h)``, mode by mode.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.circuits.operating_point import OperatingPoint
from vadist.circuits.sections import Section
from vadist.kernel.structure import TAPS
from vadist.stepping.rails import Flows
from vadist.stepping.state_space import StateSpace, state_space
from vadist.stepping.turns import Turns

SLOW_PER_S = 25e3
"""Modes no faster than this are slow, at every rate, so that all rates share one kernel: at 6 MHz a
step moves the others by 1/256 of themselves, and single precision loses 3e-8 sqrt(128), -130 dB."""

_DEGREES = 4
_SERIES_BELOW = 1.0
_SERIES_TERMS = 22
# phi of small arguments by their series: 1/22! is 1e-21.


@dataclass(frozen=True)
class DiscreteSection:
    """Coefficients of one section at one step, in deviations from the operating point.

    A step takes the states x, the samples of each signal (those since the last step and three
    before, oldest first, in ``B``'s columns) and the remainders r0 before to the new ones r::

        s = x + A x + B u + C0 r0 + CQ theta (r00 - 2 r0)
        v = D s + E u + (K + KQ theta) r         Newton's method finds r with the laws
        x = s + (C1 + CQ theta) r,   y = L x + M u + N r

    Attributes
    ----------
    A, B, C0, C1, CQ, D, E, K, KQ, L, M, N : arrays
    control_v, port_a : (controls,), (ports,)
        Operating point.
    port_slopes : (ports, controls)
        Slopes of the port currents there that are part of A, siemens: none of an op-amp's, whose
        current is bounded, and so stays bounded from the first step on.
    limits : (controls, 4)
    kinds : tuple of str
        Devices.
    parameters : tuple of tuple of float
        Of each device, as its record lists them.
    curved : tuple of int
        Ports whose current may be a parabola over the step.
    output_nodes : tuple of str
    output_v : (outputs,)
        DC volts of the outputs.
    signals : tuple of str
    samples : tuple of int
        Of each signal, that come in a step.
    stages : tuple of str
    step_rate_hz : float
    modes, rest_modes : (states,) complex
        Eigenvalues of A, and of the section as it rests, 1/s.
    seen : (volts, states)
        Volts that the states make: across every capacitor, at controls and outputs.
    basis : (states, states)
        Charges and fluxes from the states.
    turns : Turns or None
        How the coefficients change while knobs are turned; those here are the first.
    """

    A: FloatArray
    B: FloatArray
    C0: FloatArray
    C1: FloatArray
    CQ: FloatArray
    D: FloatArray
    E: FloatArray
    K: FloatArray
    KQ: FloatArray
    L: FloatArray
    M: FloatArray
    N: FloatArray
    control_v: FloatArray
    port_a: FloatArray
    port_slopes: FloatArray
    limits: FloatArray
    kinds: tuple[str, ...]
    parameters: tuple[tuple[float, ...], ...]
    curved: tuple[int, ...]
    output_nodes: tuple[str, ...]
    output_v: FloatArray
    signals: tuple[str, ...]
    samples: tuple[int, ...]
    stages: tuple[str, ...]
    step_rate_hz: float
    modes: np.ndarray
    rest_modes: np.ndarray
    seen: FloatArray
    basis: FloatArray
    turns: Turns | None = None

    @property
    def states(self) -> int:
        """Number of states."""
        return len(self.A)

    @property
    def slow(self) -> int:
        """Leading states that a step moves so little that rounding would add up."""
        held = np.flatnonzero(np.abs(self.modes) < SLOW_PER_S)
        return int(held[-1]) + 1 if len(held) else 0

    @property
    def ports(self) -> int:
        """Number of port currents."""
        return len(self.port_a)

    @property
    def outputs(self) -> int:
        """Number of outputs."""
        return len(self.L)

    @cached_property
    def coefficients(self) -> FloatArray:
        """All matrices in a row, in the order of :data:`MATRICES`."""
        return np.concatenate([getattr(self, name).ravel() for name in MATRICES])

    @property
    def nonzero(self) -> NDArray[np.bool_]:
        """Which of them are not zero at all times."""
        found = self.coefficients != 0.0
        return np.asarray(found if self.turns is None else found | self.turns.values.any(axis=0))

    @cached_property
    def key(self) -> tuple[object, ...]:
        """What two sections share that step alike: every number the kernel is given."""
        arrays = (self.coefficients, self.control_v, self.port_a, self.port_slopes, self.limits)
        turns = () if self.turns is None else self.turns.key
        return (self.kinds, self.parameters, self.samples, *(a.tobytes() for a in arrays), *turns)


MATRICES = ("A", "B", "C0", "C1", "CQ", "D", "E", "K", "KQ", "L", "M", "N")
"""Names of the coefficient matrices, as the kernel's structure lists them."""

OUTWARD = ("L", "M", "N")
"""Those that tell what a section gives out."""

MIDWAY = ("A", "B", "C0", "C1", "CQ")
"""Those that move states over a step; the others tell volts at its end."""


def difference_equations(
    section: Section,
    point: OperatingPoint,
    step_rate_hz: float,
    output_nodes: tuple[str, ...],
    samples: tuple[int, ...],
    flows: Flows | None = None,
    modes: np.ndarray | None = None,
) -> DiscreteSection:
    """Difference equations of a section at a rate of steps.

    Parameters
    ----------
    section, point : the section and where it rests
    step_rate_hz : steps a second
    output_nodes : unknown nodes whose voltages leave the section
    samples : of each signal, that come in a step; 0 for a rail, of which its middle counts
    flows : what it takes from torn rails, as further outputs
    modes : its :func:`rest_modes`, if they are known

    Returns
    -------
    DiscreteSection
    """
    curved = _curved_ports(section)
    flat = np.array([k not in curved for k in range(len(point.port_a))], dtype=bool)
    slopes = np.where(flat[:, None], 0.0, point.slopes)
    space = state_space(section, point, slopes, output_nodes, flows)
    h, signals = 1.0 / step_rate_hz, len(section.signals)
    transition, weights = _integrals(space, h)
    before = (weights[0] - weights[1]) @ space.C
    after = weights[1] @ space.C
    curve = 0.5 * (weights[2] - weights[1]) @ space.C
    curve[:, flat] = before[:, flat]
    columns = [
        _input_weights(space, h, space.B[:, [k]], samples[k])
        if samples[k]
        else weights[0] @ space.B[:, [k]]
        for k in range(signals)
    ]
    b = np.hstack(columns) if columns else np.zeros((len(space.A), 0))
    row = np.array([section.selector(node)[0] for node in output_nodes])
    row = row.reshape(len(output_nodes), len(section.unknowns))
    return DiscreteSection(
        A=without_rounding(transition) - np.eye(len(transition)),
        B=b,
        C0=before,
        C1=after,
        CQ=curve,
        D=space.D,
        E=without_rounding(space.E),
        K=space.K + space.D @ after,
        KQ=space.D @ curve,
        L=space.L,
        M=without_rounding(space.M),
        N=without_rounding(space.N),
        control_v=point.control_v,
        port_a=point.port_a,
        port_slopes=slopes,
        limits=np.array([x for d in section.devices for x in d.limits]).reshape(-1, 4),
        kinds=tuple(d.kind for d in section.devices),
        parameters=tuple(d.parameters for d in section.devices),
        curved=curved,
        output_nodes=output_nodes,
        output_v=row @ point.node_v,
        signals=section.signals,
        samples=samples,
        stages=section.stages,
        step_rate_hz=step_rate_hz,
        modes=_modes(space),
        rest_modes=rest_modes(section, point) if modes is None else modes,
        seen=space.seen,
        basis=space.basis,
    )


def through(
    nodes: tuple[str, ...],
    signals: tuple[str, ...],
    rest_v: Mapping[str, float],
    stages: tuple[str, ...],
    rate_hz: float,
    samples: int,
) -> DiscreteSection:
    """A section of wires: a signal at nodes that are one with it, nothing at held rails.

    Parameters
    ----------
    nodes : outputs
    signals : the input, a rippling supply, or torn rails
    rest_v : mapping of node -> volts
    stages : whose outputs they are
    rate_hz : float
    samples : of each signal that come in a step; 0 for rails
    """
    straight = np.array([[float(node == signal) for signal in signals] for node in nodes])
    rests = np.array([rest_v[node] for node in nodes])
    return linear(straight, nodes, rests, signals, stages, rate_hz, samples)


def linear(
    straight: FloatArray,
    nodes: tuple[str, ...],
    rests: FloatArray,
    signals: tuple[str, ...],
    stages: tuple[str, ...],
    rate_hz: float,
    samples: int,
) -> DiscreteSection:
    """A section without states or devices: outputs that are sums of signals.

    Parameters
    ----------
    straight : (outputs, signals)
    nodes, rests : names of those outputs that are volts, and where they rest
    signals, stages, rate_hz, samples : see :func:`through`
    """
    none = np.zeros(0)
    columns = len(signals) * (TAPS if samples else 1)

    def empty(rows: int, columns: int) -> FloatArray:
        return np.zeros((rows, columns))

    return DiscreteSection(
        A=empty(0, 0), B=empty(0, columns), C0=empty(0, 0), C1=empty(0, 0), CQ=empty(0, 0),
        D=empty(0, 0), E=empty(0, len(signals)), K=empty(0, 0), KQ=empty(0, 0),
        L=empty(len(straight), 0), N=empty(len(straight), 0), M=straight,
        control_v=none, port_a=none, port_slopes=empty(0, 0), limits=empty(0, 4),
        kinds=(), parameters=(), curved=(), output_nodes=nodes,
        output_v=rests, signals=signals, samples=(samples,) * len(signals), stages=stages,
        step_rate_hz=rate_hz,
        modes=np.zeros(0, dtype=complex), rest_modes=np.zeros(0, dtype=complex), seen=empty(0, 0),
        basis=empty(0, 0),
    )  # fmt: skip


def rest_modes(section: Section, point: OperatingPoint) -> np.ndarray:
    """Eigenvalues of a section about its operating point, 1/s."""
    return _modes(state_space(section, point, point.slopes, ()))


def _modes(space: StateSpace) -> np.ndarray:
    if len(space.modes):
        return space.modes
    # No state is one mode: with the slowest last, all count as slow where one is.
    found = np.linalg.eigvals(space.A).astype(complex)
    return np.asarray(found[np.argsort(-np.abs(found))])


def _curved_ports(section: Section) -> tuple[int, ...]:
    """Ports of devices that drive no node of their own: an op-amp's swing ends too suddenly."""
    owners = [bool(d.owned_node) for d in section.devices for _ in d.injections]
    return tuple(k for k, owner in enumerate(owners) if not owner)


def without_rounding(matrix: FloatArray) -> FloatArray:
    """Without entries that are the rounding of larger ones in their row."""
    largest = np.abs(matrix).max(axis=1, initial=0.0)[:, None]
    return np.where(np.abs(matrix) > 1e-14 * largest, matrix, 0.0)


def input_polynomials(count: int = TAPS) -> FloatArray:
    """Monomial coefficients, ascending, of the Lagrange polynomials at -2, -1, 0 and 1.

    Returns
    -------
    (taps, degrees)
    """
    nodes = np.arange(count) - (count - 2.0)
    return np.linalg.inv(np.vander(nodes, increasing=True)).T


def _input_weights(space: StateSpace, h: float, b: FloatArray, samples: int) -> FloatArray:
    """Columns of B for one signal: three samples of before, then those of the step."""
    found = np.zeros((len(space.A), TAPS - 1 + samples))
    if not len(space.A):
        return found
    part = h / samples
    polynomials = input_polynomials()
    _, weights = _integrals(space, part)
    for k in range(samples):
        rest, _ = _integrals(space, h - (k + 1) * part) if k + 1 < samples else (np.eye(len(b)), [])
        for tap in range(TAPS):
            held = sum(polynomials[tap, q] * weights[q] for q in range(_DEGREES))
            found[:, [k + tap]] += rest @ held @ b
    return found


def _integrals(space: StateSpace, h: float) -> tuple[FloatArray, list[FloatArray]]:
    """e^(A h), and the integrals of e^(A (h - s)) (s/h)^k over a step for k = 0 .. 3."""
    size = len(space.A)
    if len(space.modes) != size:
        return _dense_integrals(space.A, h)
    z = space.modes * h
    weights = [
        _block_diagonal(space.modes, h * math.factorial(k) * _phi(k + 1, z))
        for k in range(_DEGREES)
    ]
    return _block_diagonal(space.modes, np.exp(z)), weights


def _block_diagonal(modes: np.ndarray, values: np.ndarray) -> FloatArray:
    """A function of A from its value at each mode, in the real basis of pairs."""
    found = np.diag(values.real)
    for k in np.flatnonzero(modes.imag > 0.0):
        found[k, k + 1] = values[k].imag
        found[k + 1, k] = -values[k].imag
    return found


def _phi(k: int, z: np.ndarray) -> np.ndarray:
    """phi_k: phi_0 = e^z, phi_(k+1) = (phi_k - 1/k!) / z; by its series about zero."""
    series = sum(z**j / math.factorial(j + k) for j in range(_SERIES_TERMS))
    found = np.exp(z)
    away = np.where(np.abs(z) < _SERIES_BELOW, 1.0, z)
    for j in range(k):
        found = (found - 1.0 / math.factorial(j)) / away
    return np.where(np.abs(z) < _SERIES_BELOW, series, found)


def _dense_integrals(a: FloatArray, h: float) -> tuple[FloatArray, list[FloatArray]]:
    """The same by one matrix exponential (Van Loan, IEEE Trans. Automatic Control 23, 1978)."""
    from scipy.linalg import expm

    size = len(a)
    wide = np.zeros((size * (_DEGREES + 1), size * (_DEGREES + 1)))
    wide[:size, :size] = a * h
    for k in range(_DEGREES):
        wide[size * k : size * (k + 1), size * (k + 1) : size * (k + 2)] = np.eye(size)
    found = expm(wide)
    blocks = [found[:size, size * k : size * (k + 1)] for k in range(_DEGREES + 1)]
    return blocks[0], [h * math.factorial(k) * blocks[k + 1] for k in range(_DEGREES)]
