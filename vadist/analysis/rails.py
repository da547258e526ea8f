"""What rails that move do: their impedance, what they cost, the ripple and the noise they bring.

All of it is small-signal: around the operating point, with everything that hangs on a rail.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.analysis.chain_response import SolvedDesign, decibels, node_responses
from vadist.analysis.noise import Noise
from vadist.analysis.small_signal import linear_system
from vadist.arrays import ComplexArray
from vadist.circuits.network import BIAS, SUPPLY

SPOTS_HZ = (20.0, 100.0, 1e3, 10e3)
"""Where impedances are told: under, at the lower and upper end of, and over a guitar's notes."""

COST_HZ = 100.0
"""Where the cost is told: a bypass capacitor does least at the lowest notes."""

_OWNER = "supply."


@dataclass(frozen=True)
class Rail:
    """A rail that currents move.

    Attributes
    ----------
    name : str
        ``supply`` or ``bias``.
    rest_v : float
    impedance_ohm : tuple of float
        Magnitude at :data:`SPOTS_HZ`, loaded as it is.
    """

    name: str
    rest_v: float
    impedance_ohm: tuple[float, ...]


@dataclass(frozen=True)
class Rails:
    """What the supply of a design does to its signal.

    Attributes
    ----------
    moving : tuple of Rail
    cost_db : float
        Gain at :data:`COST_HZ` over what it is with the same rails held where they rest.
    divider_a : float
        Standing current of the bias divider; 0 without one.
    noise_v, noise_share : float
        rms volts that the parts of the supply make at the output, and their share of its power.
    ripple_v : float
        Peak volts of the ripple at the output; 0 without one.
    ripple_db : float
        The same over the ripple at the source.
    """

    moving: tuple[Rail, ...]
    cost_db: float
    divider_a: float
    noise_v: float
    noise_share: float
    ripple_v: float
    ripple_db: float


def find_rails(solved: SolvedDesign, noise: Noise) -> Rails | None:
    """Tell what the supply does; None where every rail is held and nothing ripples.

    Parameters
    ----------
    solved : SolvedDesign
    noise : Noise
        Of the same design.

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.analysis.noise import find_noise
    >>> from vadist.designs.files import load_design
    >>> design = load_design("soft_clipper").with_value("supply.bias_upper", "10k")
    >>> solved = solve_design(design)
    >>> found = find_rails(solved, find_noise(solved))
    >>> [rail.name for rail in found.moving], found.cost_db < 0.0
    (['bias'], True)
    """
    network, supply = solved.network, solved.design.supply
    if not network.fed and not network.ripple_v:
        return None
    volts, moving = solved.node_v, network.moving_rails
    told = [
        Rail(
            name,
            volts[name],
            tuple(np.abs(impedance(solved, network.held(name), SPOTS_HZ)).tolist()),
        )
        for name in (SUPPLY, BIAS)
        if network.held(name) in moving
    ]
    output = solved.design.output
    as_is, pinned = (
        node_responses(solved, [COST_HZ], pinned=nodes)[output] for nodes in ((), moving)
    )
    passed = 0.0
    if network.ripple_v:
        found = node_responses(solved, [network.ripple_hz], driven=network.ideal_supply)
        passed = float(np.abs(found[output][0]))
    through = 0.0 if supply.bias_upper is None else _divider_a(solved, supply.bias_upper)
    own = [share for share in noise.parts if share.part.startswith(_OWNER)]
    return Rails(
        tuple(told),
        float((decibels(as_is) - decibels(pinned))[0]),
        through,
        math.sqrt(sum(share.output_v**2 for share in own)),
        sum(share.fraction for share in own),
        network.ripple_v * passed,
        float(decibels(np.array([passed]))[0]),
    )


def _divider_a(solved: SolvedDesign, upper_ohm: float) -> float:
    """Current in the divider's upper resistor."""
    upper = next(r for r in solved.network.resistors if r.part == "supply.bias_upper")
    volts = solved.node_v
    return abs(volts[upper.a] - volts[upper.b]) / upper_ohm


def impedance(solved: SolvedDesign, node: str, frequencies_hz: ArrayLike) -> ComplexArray:
    """Volts at a node for an ampere into it, with all that is connected to it.

    Parameters
    ----------
    solved : SolvedDesign
    node : str
        One that currents can move.
    frequencies_hz : (f,)

    Returns
    -------
    (f,) complex
    """
    s = 2j * math.pi * np.asarray(frequencies_hz, dtype=float)
    for section, point in solved.sections:
        if node in section.unknowns:
            G, C, _, _ = linear_system(section, point)
            row = section.unknowns.index(node)
            ampere = np.eye(len(G))[row][:, None]
            return np.asarray(np.linalg.solve(G + s[:, None, None] * C, ampere)[:, row, 0])
    raise KeyError(node)
