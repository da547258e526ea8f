"""Small-signal response of a whole design: from its input to every node, stage by stage."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.analysis.small_signal import linear_system
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT, Network
from vadist.circuits.operating_point import SolvedNetwork, solve_network
from vadist.designs.design import Design


@dataclass(frozen=True)
class SolvedDesign(SolvedNetwork):
    """A design with the operating point of each of its sections.

    Attributes
    ----------
    design : Design
    network : Network
    sections : tuple of (Section, OperatingPoint)
        In signal order.
    """

    design: Design


def solve_design(design: Design, network: Network | None = None) -> SolvedDesign:
    """Solve a design at DC.

    Parameters
    ----------
    design : Design
    network : Network, optional
        The design's network with a value changed; wired anew by default.
    """
    wired = design.network() if network is None else network
    return SolvedDesign(wired, solve_network(wired).sections, design)


def node_responses(
    solved: SolvedDesign,
    frequencies_hz: ArrayLike,
    driven: str = INPUT,
    pinned: Collection[str] = (),
) -> dict[str, ComplexArray]:
    """Response to every node, from the input or another one.

    Parameters
    ----------
    solved : SolvedDesign
    frequencies_hz : (f,)
    driven : str
        What has a volt: the input, a rail that is held (``solved.network.ideal_supply`` carries a
        ripple), or any node, whatever drives it otherwise.
    pinned : collection of str
        Nodes that do not move from where they rest: rails made stiff.

    Returns
    -------
    mapping of node -> (f,) complex

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> found = node_responses(solve_design(load_design("boosted_hard_clipper")), [1000.0])
    >>> round(20 * float(np.log10(abs(found["boost.output"][0]))), 1)
    25.2
    """
    f = np.asarray(frequencies_hz, dtype=float)
    s = 2j * np.pi * f
    held = (*solved.network.rails, INPUT)
    known: dict[str, ComplexArray] = {node: np.zeros(len(f), complex) for node in held}
    if driven in known:
        known[driven] = np.ones(len(f), dtype=complex)
    for section, point in solved.sections:
        G, C, Gk, Ck = linear_system(section, point)
        fixed = [k for k, node in enumerate(section.unknowns) if node in (*pinned, driven)]
        G[fixed], C[fixed], Gk[fixed], Ck[fixed] = np.eye(len(G))[fixed], 0.0, 0.0, 0.0
        drive = sum(
            (
                known[node][:, None] * (Gk[:, k] + s[:, None] * Ck[:, k])
                for k, node in enumerate((*section.signals, *section.rails))
            ),
            np.zeros((len(f), len(G)), dtype=complex),
        )
        drive[:, [k for k in fixed if section.unknowns[k] == driven]] = -1.0
        w = np.linalg.solve(G + s[:, None, None] * C, -drive[..., None])[..., 0]
        known |= {node: w[:, k].astype(complex) for k, node in enumerate(section.unknowns)}
    return solved.network.under_all_names(known)


def stage_responses(solved: SolvedDesign, frequencies_hz: ArrayLike) -> dict[str, ComplexArray]:
    """Response of each stage, loaded as it is: its output over the output before it.

    The first stage counts from the design's input, so a pickup and its cable belong to it. Rails
    that move are held: what they bring to a stage is not of its input.

    Returns
    -------
    mapping of stage -> (f,) complex
    """
    found = node_responses(solved, frequencies_hz, pinned=solved.network.moving_rails)
    return ratios(found, solved.stage_nodes.items())


def ratios(
    found: dict[str, ComplexArray], stage_nodes: Iterable[tuple[str, str]]
) -> dict[str, ComplexArray]:
    """Each stage's output over the one before it, from responses at the nodes.

    What follows a silenced stage has no gain that could be told; it counts as silent too.
    """
    before, result = INPUT, {}
    for stage, node in stage_nodes:
        silent = np.zeros_like(found[node])
        result[stage] = np.divide(found[node], found[before], out=silent, where=found[before] != 0)
        before = node
    return result


def decibels(ratio: ComplexArray | FloatArray) -> FloatArray:
    """20 log10 |ratio|; silence is held at -400 dB.

    >>> decibels(np.array([10.0, 0.0])).tolist()
    [20.0, -400.0]
    """
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(ratio), 1e-20)))
