"""Small-signal response of a whole design, section after section, continuous and discretised."""

import numpy as np
from scipy.linalg import eig

from vadist.analysis.small_signal import linear_system, section_response
from vadist.circuits.operating_point import solve_all, solve_network
from vadist.designs.design import Design
from vadist.devices.evaluate import currents_and_slopes
from vadist.kernel.part_text import STRAIGHT
from vadist.stepping.discretize import TAPS, DiscreteSection, difference_equations
from vadist.stepping.paces import usual_pace


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
    """Response of the difference equations from the input to the output, complex.

    Each section steps at its usual pace and hears its signals at that pace.
    """
    f = np.atleast_1d(np.asarray(frequencies_hz, dtype=float))
    solved = solve_network(design.network())
    known = {"input": np.ones(len(f), dtype=complex)}
    for section, point in solved.sections:
        pace = usual_pace(section)
        stepped = difference_equations(
            section, point, pace * sample_rate_hz, section.unknowns, (1,) * len(section.signals)
        )
        feeds = np.stack([known[s] for s in section.signals], axis=-1)
        found = np.einsum("foi,fi->of", discrete_response(stepped, f), feeds)
        known |= dict(zip(section.unknowns, found, strict=True))
    return known[solved.output]


def decibels(ratio) -> np.ndarray:
    """20 log10 |ratio|."""
    return 20.0 * np.log10(np.abs(ratio))


def linear_steps(section: DiscreteSection) -> tuple[np.ndarray, ...]:
    """The steps as a linear recurrence z' = A z + B u, y = L z' + M u around the operating point.

    z holds the states, the remainders of the port currents before, and the last three samples of
    each signal; u is the new sample of each. Where a law's slope at rest is part of the states'
    own matrix its remainder is of second order, so all that remains are the slopes of op-amps, by a
    share theta of their steepness at rest (:mod:`vadist.kernel.generate`).
    """
    assert set(section.samples) <= {1}
    x, m, n = section.states, section.ports, len(section.signals)
    every = currents_and_slopes(section.kinds, section.parameters, section.control_v)[1]
    slopes = every - section.port_slopes
    curved = np.isin(np.arange(m), section.curved)
    assert np.abs(slopes[curved]).max(initial=0.0) <= 1e-9 * np.abs(every).max(initial=0.0)
    slopes[curved] = 0.0
    theta = np.zeros(m)
    for _ in range(100):
        steep = np.abs(slopes @ (section.K + section.KQ * theta)).sum(axis=1)
        theta = np.where(curved, 0.0, 1.0 - np.minimum(1.0, STRAIGHT / (steep + 1e-30)))
    before, after = section.C0 - section.CQ * theta, section.C1 + section.CQ * theta
    newest = [(k + 1) * TAPS - 1 for k in range(n)]
    past = [k for k in range(n * TAPS) if k not in newest]
    # s = S z + T u, v = D s + E u + (K + KQ theta) r, r = slopes v.
    S = np.hstack([np.eye(x) + section.A, before, section.B[:, past]])
    T = section.B[:, newest]
    gain = np.linalg.solve(np.eye(m) - slopes @ (section.K + section.KQ * theta), slopes)
    r_z, r_u = gain @ section.D @ S, gain @ (section.D @ T + section.E)
    shift = np.kron(np.eye(n), np.eye(TAPS - 1, k=1))
    enter = np.kron(np.eye(n), np.eye(TAPS - 1)[:, [-1]])
    A = np.vstack([S + after @ r_z, r_z, np.hstack([np.zeros((len(shift), x + m)), shift])])
    B = np.vstack([T + after @ r_u, r_u, enter])
    L = np.hstack([section.L, section.N, np.zeros((section.outputs, len(shift)))])
    return A, B, L, section.M


def discrete_response(section: DiscreteSection, frequencies_hz: np.ndarray) -> np.ndarray:
    """Small-signal response of the difference equations themselves.

    Parameters
    ----------
    frequencies_hz : (f,)

    Returns
    -------
    (f, outputs, signals) complex
    """
    A, B, L, M = linear_steps(section)
    turn = np.exp(2j * np.pi * np.asarray(frequencies_hz)[:, None, None] / section.step_rate_hz)
    # After a step z = A z / turn + B u.
    z = np.linalg.solve(np.eye(len(A)) - A / turn, np.broadcast_to(B, (len(turn), *B.shape)))
    return np.asarray(L @ z + M)


def poles(section, point) -> np.ndarray:
    """Natural frequencies of a section in rad/s, slowest first."""
    G, C, _, _ = linear_system(section, point)
    values = eig(-G, C, right=False)
    finite = values[np.isfinite(values) & (np.abs(values) < 1e15)]
    return np.asarray(finite[np.argsort(np.abs(finite))])
