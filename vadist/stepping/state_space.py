"""A section as linear differential equations in time, with its devices beside them.

Kirchhoff's current law at the unknown nodes w, the volts of the coils below it, and the laws'
slopes at rest moved over to the linear side, give in deviations from the operating point::

    d/dt (Q w + Qu u) + G w + Gu u = F r

u are the node voltages that feed the section, r the *remainders* of the port currents: what is
left of them when their straight line through the operating point is taken away. Q need not have
full rank. Its range holds the charges (and the flux of the coils), which are the states; its left
null space picks the equations in which nothing is stored, and these give the other voltages at
every moment (index one). A capacitor loop, parallel capacitors or a capacitor from the input are
nothing special so: charges are counted, not capacitors.
"""

from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.operating_point import OperatingPoint
from vadist.circuits.sections import Section
from vadist.stepping.rails import Flows

_SAME_CHARGE = 1e-13
# Singular values of the capacitances below this share of the largest are rounding: 0.1 pF beside
# 100 mF is still counted.

_LEAK_S = 1e-12
# Where volts would hang on nothing (a node between two coils), this leads to ground.

_SINGULAR = 1e14

_WELL_CONDITIONED = 1e5
# Of the modes: rounding grows by no more.

_ALIKE, _PARALLEL = 0.12, 5.0
# Two real modes of rates so near one another, that far from perpendicular (1 / sine of the angle),
# are large and all but cancel: of boards of the boosted hard clipper, 3 as a rule, one with 49 lost
# 24 dB to single precision (-104 dB against double).


@dataclass(frozen=True)
class StateSpace:
    """Differential equations of a section, in deviations from rest and in its own modes.

    ``x' = A x + B u + C r``, control voltages ``D x + E u + K r``, outputs ``L x + M u + N r``.

    Attributes
    ----------
    A : (states, states)
        Block diagonal: real modes, then damped oscillations as pairs.
    B, C : (states, signals), (states, ports)
    D, E, K : (controls, states), (controls, signals), (controls, ports)
    L, M, N : (outputs, states), (outputs, signals), (outputs, ports)
    modes : (states,) complex
        Eigenvalues of A, 1/s, in its order; of a pair the one above the real axis comes first.
    seen : (volts, states)
        Volts that the states alone make: across every capacitor, at controls and outputs.
    from_nodes, from_signals, from_coils : (states, n), (states, signals), (states, coils)
        The states, of node volts, signals and coil currents.
    basis : (states, states)
        Charges and fluxes, in an order that no resistance changes, from the states.
    """

    A: FloatArray
    B: FloatArray
    C: FloatArray
    D: FloatArray
    E: FloatArray
    K: FloatArray
    L: FloatArray
    M: FloatArray
    N: FloatArray
    modes: np.ndarray
    seen: FloatArray
    from_nodes: FloatArray
    from_signals: FloatArray
    from_coils: FloatArray
    basis: FloatArray


def state_space(
    section: Section,
    point: OperatingPoint,
    slopes: FloatArray,
    output_nodes: tuple[str, ...],
    flows: Flows | None = None,
) -> StateSpace:
    """Differential equations of a section about its operating point.

    Parameters
    ----------
    section : Section
    point : OperatingPoint
    slopes : (ports, controls)
        Of the port currents, siemens, that count as conductances of the circuit.
    output_nodes : tuple of str
        Unknown nodes whose voltages leave the section.
    flows : Flows, optional
        What it takes from torn rails: further outputs.
    """
    signals, n = len(section.signals), len(section.unknowns)
    caps, coils = section.capacitors, section.inductors
    turns = len(coils.parts)
    straight = section.port_into @ slopes
    charge = (caps.into * caps.values) @ caps.across
    charge_u = (caps.into * caps.values) @ caps.across_known[:, :signals]
    conduct = section.conductance - straight @ section.control
    conduct_u = (section.conductance_known - straight @ section.control_known)[:, :signals]
    stored, unstored = _range_and_null(charge)
    # Unknowns of each moment: node volts, then coil currents, which are states themselves.
    q = stored.shape[1]
    still = unstored.T @ conduct
    system = np.vstack([stored.T @ charge, still])
    from_x = np.block(
        [[np.eye(q), np.zeros((q, turns))], [np.zeros((n - q, q)), -unstored.T @ coils.into]]
    )
    from_u = -np.vstack([stored.T @ charge_u, unstored.T @ conduct_u])
    from_r = np.vstack([np.zeros((q, len(point.port_a))), unstored.T @ section.port_into])
    found = _solved(system, q, unstored, np.hstack([from_x, from_u, from_r]))
    w_x, w_u, w_r = np.split(found, [q + turns, q + turns + signals], axis=1)
    a = np.vstack(
        [
            -stored.T @ conduct @ w_x - np.hstack([np.zeros((q, q)), stored.T @ coils.into]),
            (coils.across @ w_x) / coils.values[:, None],
        ]
    )
    b = np.vstack(
        [
            -stored.T @ (conduct @ w_u + conduct_u),
            (coils.across @ w_u + coils.across_known[:, :signals]) / coils.values[:, None],
        ]
    )
    c = np.vstack(
        [
            stored.T @ (section.port_into - conduct @ w_r),
            (coils.across @ w_r) / coils.values[:, None],
        ]
    )
    known = section.control_known[:, :signals]
    d, e, k = section.control @ w_x, section.control @ w_u + known, section.control @ w_r
    row = np.array([section.selector(node)[0] for node in output_nodes]).reshape(-1, n)
    heard, heard_u, heard_r = row @ w_x, row @ w_u, row @ w_r
    if flows is not None:
        # Port currents are their straight line and the remainder.
        ports = flows.ports @ slopes
        fluxes = np.hstack([np.zeros((len(flows.coils), q)), flows.coils])
        heard = np.vstack([heard, flows.nodes @ w_x + fluxes + ports @ d])
        heard_u = np.vstack([heard_u, flows.nodes @ w_u + flows.signals + ports @ e])
        heard_r = np.vstack([heard_r, flows.nodes @ w_r + ports @ k + flows.ports])
    told = np.vstack([d, heard[: len(output_nodes)]])
    basis, modes = _modal(a, told)
    inverse = np.linalg.inv(basis)
    into_q = inverse[:, :q] @ stored.T
    return StateSpace(
        A=inverse @ a @ basis,
        B=inverse @ b,
        C=inverse @ c,
        D=d @ basis,
        E=e,
        K=k,
        L=heard @ basis,
        M=heard_u,
        N=heard_r,
        modes=modes,
        seen=np.vstack([caps.across @ w_x, told]) @ basis,
        from_nodes=into_q @ charge,
        from_signals=into_q @ charge_u,
        from_coils=np.asarray(inverse[:, q:], dtype=float),
        basis=basis,
    )


def _range_and_null(charge: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Orthonormal bases of what the capacitances store and of what they do not."""
    if not charge.size:
        return np.zeros((len(charge), 0)), np.eye(len(charge))
    left, values, _ = np.linalg.svd(charge)
    rank = int(np.sum(values > _SAME_CHARGE * max(values[0], 1e-300)))
    return left[:, :rank], left[:, rank:]


def _solved(system: FloatArray, stored: int, unstored: FloatArray, right: FloatArray) -> FloatArray:
    """Node volts from states, signals and remainders."""
    scale = np.abs(system).max(axis=1, initial=0.0)
    even = system / np.where(scale, scale, 1.0)[:, None]
    if (scale[stored:] == 0.0).any() or np.linalg.cond(even) > _SINGULAR:
        system = system.copy()
        system[stored:] += _LEAK_S * unstored.T
        scale = np.abs(system).max(axis=1, initial=0.0)
    return np.asarray(np.linalg.solve(system / scale[:, None], right / scale[:, None]))


def _modal(a: FloatArray, seen: FloatArray) -> tuple[FloatArray, np.ndarray]:
    """A basis in which ``a`` is block diagonal, each mode of the size of the volts it makes.

    Slow modes come first. Where modes are too much alike to be told apart, the basis is the plain
    one and no modes are returned.
    """
    size = len(a)
    if not size:
        return np.zeros((0, 0)), np.zeros(0, dtype=complex)
    values, vectors = np.linalg.eig(a)
    order = np.lexsort((-values.imag, np.abs(values.imag), -values.real))
    columns: list[FloatArray] = []
    modes: list[complex] = []
    for k in order:
        if values[k].imag > 0.0:
            columns += [vectors[:, k].real, vectors[:, k].imag]
            modes += [values[k], values[k].conjugate()]
        elif values[k].imag == 0.0:
            columns.append(vectors[:, k].real)
            modes.append(values[k])
    basis = np.array(columns).T
    found = np.array(modes, dtype=complex)
    even = basis / np.abs(basis).max(axis=0)
    if np.linalg.cond(even) > _WELL_CONDITIONED or _nearly_coincide(even, found):
        basis, found = np.eye(size), np.zeros(0, dtype=complex)
    k = 0
    while k < size:
        pair = slice(k, k + (2 if len(found) and found[k].imag else 1))
        made = float(np.abs(seen @ basis[:, pair]).max(initial=0.0))
        basis[:, pair] /= made if made > 1e-12 else max(float(np.abs(basis[:, pair]).max()), 1e-300)
        k = pair.stop
    return basis, found


def _nearly_coincide(basis: FloatArray, modes: np.ndarray) -> bool:
    """Whether two real modes are nearly one."""
    rates = np.where(modes.imag == 0.0, modes.real, np.nan)
    near = np.abs(rates[:, None] - rates) <= _ALIKE * np.abs(rates)
    even = basis / np.linalg.norm(basis, axis=0)
    sines = np.sqrt(np.maximum(1.0 - (even.T @ even) ** 2, 0.0))
    return bool((near & (sines < 1.0 / _PARALLEL))[np.triu_indices(len(modes), 1)].any())
