"""Small-signal response of a whole design, section after section, continuous and discretised."""

import numpy as np
from scipy.linalg import eig

from vadist.analysis.small_signal import linear_system, section_response
from vadist.circuits.operating_point import solve_all, solve_network
from vadist.designs.design import Design
from vadist.stepping.circuit import build_circuit
from vadist.stepping.discretize import DiscreteSection


def continuous_response(design: Design, frequencies_hz, node: str = "") -> np.ndarray:
    """Response from the input to a node (the design's output by default), complex."""
    f = np.atleast_1d(np.asarray(frequencies_hz, dtype=float))
    known = {"input": np.ones(len(f), dtype=complex)}
    for section, point in solve_all(design.network()):
        feeds = np.stack([known[s] for s in section.signals], axis=-1)
        for name in section.unknowns:
            known[name] = (section_response(section, point, name, f) * feeds).sum(axis=-1)
    return known[node or design.output]


def discretised_response(design: Design, sample_rate_hz: float, frequencies_hz) -> np.ndarray:
    """Response of the difference equations from the input to the output, complex."""
    f = np.atleast_1d(np.asarray(frequencies_hz, dtype=float))
    circuit = build_circuit(solve_network(design.network()), sample_rate_hz)
    outputs: list[np.ndarray] = []
    for section, taps in zip(circuit.sections, circuit.inputs, strict=True):
        feeds = [
            np.ones(len(f)) if tap is None else outputs[tap.section][:, tap.row] for tap in taps
        ]
        response = discrete_response(section, f)
        outputs.append(np.einsum("foi,if->fo", response, np.array(feeds)))
    return outputs[circuit.output.section][:, circuit.output.row]


def decibels(ratio) -> np.ndarray:
    """20 log10 |ratio|."""
    return 20.0 * np.log10(np.abs(ratio))


def linear_steps(section: DiscreteSection) -> tuple[np.ndarray, ...]:
    """Matrices of x' = A x + B u, y = L x + M u around the operating point."""
    s, n, m = section.states, section.inputs, section.ports
    # Eliminate the port currents: i = g (P z + K i).
    slopes = section.port_slopes
    gain = np.linalg.solve(np.eye(m) - slopes @ section.K, slopes @ section.P)
    closed = section.W[:, : s + n] + section.W[:, s + n :] @ gain
    A, B = closed[:s, :s], closed[:s, s:]
    L, M = closed[s:, :s], closed[s:, s:]
    return A, B, L, M


def discrete_response(section: DiscreteSection, frequencies_hz: np.ndarray) -> np.ndarray:
    """Small-signal response of the difference equations themselves.

    Parameters
    ----------
    frequencies_hz : (f,)

    Returns
    -------
    (f, outputs, inputs) complex
    """
    A, B, L, M = linear_steps(section)
    z = np.exp(2j * np.pi * np.asarray(frequencies_hz)[:, None, None] / section.sample_rate_hz)
    # x is the state before the sample: z x = A x + B u.
    x = np.linalg.solve(z * np.eye(len(A)) - A, np.broadcast_to(B, (len(z), *B.shape)))
    return np.asarray(L @ x + M)


def poles(section, point) -> np.ndarray:
    """Natural frequencies of a section in rad/s, slowest first."""
    G, C, _, _ = linear_system(section, point)
    values = eig(-G, C, right=False)
    finite = values[np.isfinite(values) & (np.abs(values) < 1e15)]
    return np.asarray(finite[np.argsort(np.abs(finite))])
