"""What each block presents to the one before it and drives the next one with.

The *input impedance* of a block is volts over current where it is driven, with all that follows
connected and nothing before it; its *output impedance* is what an ampere into its output makes
there, with all that drives it, the design's input at ground, and nothing behind it. Parts rest where
they rest in the whole design, and rails that move are held, so that both belong to the blocks and
not to what shares a rail with them. Two figures multiply: a block loses Zin / (Zin + Zout) where it
meets the next.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.nodal import nodal_equations
from vadist.arrays import ComplexArray
from vadist.circuits.network import INPUT, Network


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
    [53, 0]
    """
    network, design = solved.network, solved.design
    order = {name: k for k, name in enumerate(design.stages)}
    rails = dict.fromkeys(network.moving_rails, 0.0)
    before = network.held(design.source.feed(Network()))
    found = {}
    for stage, node in solved.stage_nodes.items():
        if stage not in design.bypassed:
            here = order[stage]
            found[stage] = Impedances(
                _into(solved, before, order, here, rails, frequencies_hz),
                _out_of(solved, node, order, here, rails, frequencies_hz),
            )
        before = node
    return found


def _into(
    solved: SolvedDesign,
    node: str,
    order: dict[str, int],
    here: int,
    rails: dict[str, complex],
    frequencies_hz: ArrayLike,
) -> ComplexArray:
    last = len(order)
    equations = nodal_equations(
        solved, lambda part: order.get(owner := _owner(part), last * (owner == "load") - 1) >= here
    )
    count = len(np.asarray(frequencies_hz))
    if node not in equations.index or node in rails:
        return np.zeros(count, dtype=complex)
    volts = equations.solve(frequencies_hz, {**rails, node: 1.0})
    siemens = equations.leaving(node, volts, frequencies_hz)
    # Rounding of the node volts is not a current.
    flows = np.abs(siemens) > 1e-15
    return np.divide(1.0, siemens, out=np.full(count, math.inf + 0j), where=flows)


def _out_of(
    solved: SolvedDesign,
    node: str,
    order: dict[str, int],
    here: int,
    rails: dict[str, complex],
    frequencies_hz: ArrayLike,
) -> ComplexArray:
    equations = nodal_equations(
        solved, lambda part: order.get(_owner(part), -1) <= here and _owner(part) != "load"
    )
    if node not in equations.index or node in rails:
        return np.zeros(len(np.asarray(frequencies_hz)), dtype=complex)
    ampere = equations.across(node, "")
    if node in equations.driven:  # it takes any current without moving
        ampere = ampere * 0.0
    volts = equations.solve(frequencies_hz, {**rails, INPUT: 0.0}, ampere)
    return np.asarray(volts[:, equations.index[node]])


def _owner(part: str) -> str:
    return part.split(".")[0]
