"""Linear behaviour around the operating point: its matrices and frequency response."""

import math

import numpy as np

from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.operating_point import OperatingPoint
from vadist.circuits.sections import Section


def linear_system(
    section: Section, point: OperatingPoint
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Matrices of (G + s C) w + (Gk + s Ck) u = 0 around the operating point.

    Inductors add one unknown each, their current; they stand behind the node voltages in w.

    Returns
    -------
    G, C : (n + inductors, n + inductors)
    Gk, Ck : (n + inductors, k)
    """
    n, coils = len(section.unknowns), section.inductors
    size, known = n + len(coils.parts), len(section.signals) + len(section.rails)
    caps = section.capacitors
    G, C = np.zeros((size, size)), np.zeros((size, size))
    Gk, Ck = np.zeros((size, known)), np.zeros((size, known))
    slopes = section.port_into @ point.slopes
    G[:n, :n] = section.conductance - slopes @ section.control
    Gk[:n] = section.conductance_known - slopes @ section.control_known
    C[:n, :n] = (caps.into * caps.values) @ caps.across
    Ck[:n] = (caps.into * caps.values) @ caps.across_known
    G[:n, n:] = coils.into
    G[n:, :n] = coils.across
    Gk[n:] = coils.across_known
    C[n:, n:] = -np.diag(coils.values)
    return G, C, Gk, Ck


def section_response(
    section: Section, point: OperatingPoint, node: str, frequencies_hz: FloatArray
) -> ComplexArray:
    """Transfer from each signal node of a section to one of its nodes.

    Parameters
    ----------
    frequencies_hz : (f,)

    Returns
    -------
    (f, signals) complex
    """
    G, C, Gk, Ck = linear_system(section, point)
    row, known = section.selector(node)
    signals = len(section.signals)
    s = 2j * math.pi * np.asarray(frequencies_hz, dtype=float)[:, None, None]
    w = np.linalg.solve(G + s * C, -(Gk + s * Ck)[..., :signals])
    return np.asarray(np.einsum("n,fns->fs", row, w[:, : len(row)]) + known[None, :signals])
