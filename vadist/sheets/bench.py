"""The bench table: what a meter reads at every node of a board at rest, and how far it may be off.

The band is that of extreme values: for each node every part stands at the end of its tolerance
that moves that node's reading up, then down, and the circuit is solved there, the meter's load
included. It holds every board whose parts are within theirs as long as each reading goes one way
with each part. The supply is taken to be exact: it is measured first.
"""

from dataclasses import dataclass, replace

import numpy as np

from vadist.circuits.elements import TwoTerminal
from vadist.circuits.network import GROUND, INPUT, Network
from vadist.designs.design import Design
from vadist.questions.sampling import boards_at
from vadist.questions.tolerances import Variation, variations
from vadist.sheets.board import BoardPart
from vadist.sheets.rest import METER_OHM, Rest, rest

_MATTERS_V = 1e-6
# A part that moves a node by less does not count.


@dataclass(frozen=True)
class Place:
    """A terminal of a part at a node.

    Attributes
    ----------
    part : str
        Its path.
    terminal : str
        Empty where its two ends need no names.
    """

    part: str
    terminal: str


@dataclass(frozen=True)
class Reading:
    """A node as a meter sees it, black lead on ground.

    Attributes
    ----------
    node : str
    places : tuple of Place
        What touches it, named terminals first.
    rest_v : float
        Volts without a meter.
    meter_v : float
        Volts a meter of :data:`~vadist.sheets.rest.METER_OHM` reads.
    low_v, high_v : float
        Between which it reads within all tolerances.
    """

    node: str
    places: tuple[Place, ...]
    rest_v: float
    meter_v: float
    low_v: float
    high_v: float

    @property
    def loading_v(self) -> float:
        """What the meter takes away."""
        return self.rest_v - self.meter_v


def bench_table(design: Design, parts: list[BoardPart]) -> tuple[Rest, list[Reading]]:
    """Solve a design at rest, and tell every node of it as a meter reads it.

    Parameters
    ----------
    design : Design
    parts : list of BoardPart
        Its own.

    Returns
    -------
    Rest
    list of Reading
        Rails first, then in signal order.

    Examples
    --------
    >>> from vadist import load_design
    >>> from vadist.sheets.board import board_parts
    >>> design = load_design("treble_boost")
    >>> _, table = bench_table(design, board_parts(design))
    >>> [(r.node, round(r.meter_v, 2)) for r in table if r.node == "boost.output"]
    [('boost.output', 4.54)]
    """
    resting = rest(design.network())
    touched = _touched(parts, resting)
    varied = _moving_rest(design)
    moved = [
        rest(board.network(), resting).node_v
        for board in boards_at(design, varied, np.eye(len(varied)))
    ]
    found = []
    for node, places in touched.items():
        before = resting.node_v[node]
        change = np.array([volts[node] - before for volts in moved])
        up = np.where(np.abs(change) > _MATTERS_V, np.sign(change), 0.0)
        corners = boards_at(design, varied, np.array([-up, up]))
        low, high = (_metered(board.network(), node, resting) for board in corners)
        found.append(Reading(node, places, before, resting.with_meter(node), low, high))
    return resting, found


def _moving_rest(design: Design) -> list[Variation]:
    """What differs from board to board and may move volts at rest."""
    return [
        v
        for v in variations(design)
        if design.field_info(v.part).unit not in ("F", "H") and v.what != "GBW"
    ]


def _metered(network: Network, node: str, near: Rest) -> float:
    """Volts at a node of another circuit with a meter on it."""
    if near.is_stiff(node):
        return rest(network, near).node_v[node]
    meter = TwoTerminal("meter", node, GROUND, METER_OHM)
    return rest(replace(network, resistors=[*network.resistors, meter]), near).node_v[node]


def _touched(parts: list[BoardPart], resting: Rest) -> dict[str, tuple[Place, ...]]:
    """Nodes that a probe can reach, by the names they keep, with what touches them."""
    found: dict[str, list[Place]] = {rail: [] for rail in ("supply", "bias")}
    for part in parts:
        for terminal, node in part.terminals:
            name = terminal if part.has_named_terminals else ""
            found.setdefault(resting.network.held(node), []).append(Place(part.path, name))
    return {
        node: tuple(sorted(dict.fromkeys(places), key=lambda p: not p.terminal))
        for node, places in found.items()
        if places and node in resting.node_v and node not in (GROUND, INPUT)
    }
