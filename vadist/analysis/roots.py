"""Poles and zeros of a section as roots of a matrix pencil, and how they move with it.

A pole makes G + s C singular; a zero of the transfer to a node does so to the same matrix bordered
by the input's column and the node's row (Rosenbrock's system matrix). If x and y are the right and
left null vectors of A + s B, a change of the pencil moves its root by

    ds = - y* (dA + s dB) x / (y* B x)

(first-order perturbation; Wilkinson, The Algebraic Eigenvalue Problem, 1965, from memory, not
located).
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import eig

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.small_signal import linear_system
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT


@dataclass(frozen=True)
class Pencil:
    """A + s B, and whether its roots are poles or zeros."""

    kind: str
    A: FloatArray
    B: FloatArray


@dataclass(frozen=True)
class PencilRoot:
    """A root with its null vectors and y* B x."""

    value: complex
    right: ComplexArray
    left: ComplexArray
    scale: complex


def section_pencils(solved: SolvedDesign) -> list[Pencil]:
    """Poles of every section, and zeros of its transfer to the last stage output in it.

    Rails that move are taken as held, so that a root belongs to a block and not to all that share
    a rail; zeros at 0 Hz of one long chain would not be told apart from others, besides.
    """
    outputs = list(solved.stage_nodes.values())
    pencils = []
    heard = {INPUT}  # a section reads rails, too, but they hand on none of the input's volts
    for section, point in solved.torn(solved.network.moving_rails):
        G, C, Gk, Ck = linear_system(section, point)
        pencils.append(Pencil("pole", G, C))
        last = next((n for n in reversed(outputs) if n in section.unknowns), None)
        hears = [k for k, signal in enumerate(section.signals) if signal in heard]
        heard |= set(section.unknowns) if hears else set()
        if last is None or len(hears) != 1:
            continue
        row, _ = section.selector(last)
        size = len(G)
        A, B = np.zeros((size + 1, size + 1)), np.zeros((size + 1, size + 1))
        A[:size, :size], B[:size, :size] = G, C
        A[:size, size], B[:size, size] = Gk[:, hears[0]], Ck[:, hears[0]]
        A[size, : len(row)] = row
        pencils.append(Pencil("zero", A, B))
    return pencils


def roots_of(pencil: Pencil, lowest_hz: float, highest_hz: float) -> list[PencilRoot]:
    """Roots in a range of frequency; of a complex pair the one in the upper half-plane."""
    values, left, right = eig(-pencil.A, pencil.B, left=True, right=True)
    found = []
    for k, value in enumerate(values):
        if not np.isfinite(value) or value.imag < 0.0:
            continue
        if not lowest_hz <= abs(value) / (2.0 * math.pi) <= highest_hz:
            continue
        x, y = right[:, k], left[:, k]
        found.append(PencilRoot(complex(value), x, y, complex(y.conj() @ pencil.B @ x)))
    return sorted(found, key=lambda root: abs(root.value))


def root_shares(roots: list[PencilRoot], change: Pencil) -> list[float]:
    """Relative change of each root's magnitude, d ln abs(s), for a change of the pencil."""
    shares = []
    for root in roots:
        moved = -root.left.conj() @ (change.A + root.value * change.B) @ root.right / root.scale
        shares.append(float((moved / root.value).real))
    return shares
