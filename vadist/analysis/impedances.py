"""What each block presents to the one before it and drives the next one with.

The *input impedance* of a block is volts over current where it is driven, with all that follows
connected and nothing before it; its *output impedance* is what an ampere into its output makes
there, with all that drives it, the design's input at ground, and nothing behind it. Parts rest
where they rest in the whole design, and rails that move are held, so that both belong to the blocks
and not to what shares a rail with them. Where two blocks meet, Zin / (Zin + Zout) is left.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.nodal import Nodal, nodal_equations
from vadist.arrays import ComplexArray
from vadist.circuits.network import INPUT, Network

_NO_CURRENT_S = 1e-15
# Rounding of the node volts is not a current.


@dataclass(frozen=True)
class Impedances:
    """Of one block.

    Attributes
    ----------
    input_ohm, output_ohm : (f,) complex
        Infinite where no current flows, as into an op-amp; zero where the output is stiff.
    """

    input_ohm: ComplexArray
    output_ohm: ComplexArray


def block_impedances(solved: SolvedDesign, frequencies_hz: ArrayLike) -> dict[str, Impedances]:
    """Input and output impedance of every block that is not bypassed.

    Parameters
    ----------
    solved : SolvedDesign
    frequencies_hz : (f,)

    Returns
    -------
    mapping of stage -> Impedances

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.designs.files import load_design
    >>> found = block_impedances(solve_design(load_design("boosted_hard_clipper")), [1000.0])
    >>> [round(float(abs(z[0]))) for z in (found["buffer"].output_ohm, found["gain"].output_ohm)]
    [54, 0]
    """
    found = {}
    for stage, node in solved.stage_nodes.items():
        if stage not in solved.design.bypassed:
            found[stage] = Impedances(
                _into(solved, stage, frequencies_hz), _out_of(solved, stage, node, frequencies_hz)
            )
    return found


def driven_block(solved: SolvedDesign, stage: str) -> tuple[Nodal, dict[str, complex]]:
    """A block with all that follows, and what is held: a volt at its input first, rails at rest.

    Parameters
    ----------
    solved : SolvedDesign
    stage : str
    """
    order = list(solved.design.stages)
    ahead = {*order[order.index(stage) :], "load"}
    held: dict[str, complex] = {_input_node(solved, stage): 1.0}
    held |= dict.fromkeys(solved.network.moving_rails, 0.0)
    return nodal_equations(solved, lambda part: _owner(part) in ahead), held


def _input_node(solved: SolvedDesign, stage: str) -> str:
    """Node that drives a block: the output of the one before, or what the source ends at."""
    order = list(solved.design.stages)
    place = order.index(stage)
    if place == 0:
        return solved.network.held(solved.design.source.feed(Network()))
    return solved.stage_nodes[order[place - 1]]


def _into(solved: SolvedDesign, stage: str, frequencies_hz: ArrayLike) -> ComplexArray:
    equations, held = driven_block(solved, stage)
    node = next(iter(held))
    count = len(np.asarray(frequencies_hz))
    if node not in equations.index or held[node] != 1.0:  # a rail drives it
        return np.zeros(count, dtype=complex)
    volts = equations.solve(frequencies_hz, held)
    siemens = equations.leaving(node, volts, frequencies_hz)
    flows = np.abs(siemens) > _NO_CURRENT_S
    found = np.full(count, math.inf + 0j)
    found[flows] = 1.0 / siemens[flows]
    return found


def _out_of(solved: SolvedDesign, stage: str, node: str, frequencies_hz: ArrayLike) -> ComplexArray:
    order = list(solved.design.stages)
    behind = {"source", *order[: order.index(stage) + 1]}
    equations = nodal_equations(solved, lambda part: _owner(part) in behind)
    held: dict[str, complex] = {INPUT: 0.0, **dict.fromkeys(solved.network.moving_rails, 0.0)}
    if node not in equations.index or node in equations.driven or node in held:
        return np.zeros(len(np.asarray(frequencies_hz)), dtype=complex)
    volts = equations.solve(frequencies_hz, held, equations.across(node, ""))
    return np.asarray(volts[:, equations.index[node]])


def _owner(part: str) -> str:
    return part.split(".")[0]
