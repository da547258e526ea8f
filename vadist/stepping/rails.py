"""Rails that move, torn from the sections they feed.

A rail with a large capacitor moves some ten microvolts a sample, so that its volts can be carried
from tick to tick: the sections read them as a signal, told ahead by a line through the last two,
and hand back the current they draw and the charge their capacitors hold against the rail::

    q' = q - tick (G (1.5 v - 0.5 v_before) + (flow + flow_before) / 2),   v = R (q' - charge)

The rule has an error of the third order in tick over the rail's own time constant, which is
:data:`LEAST_TORN_S` at least. A rail faster than that is a node of one section like any other.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.network import TwoTerminal
from vadist.circuits.operating_point import OperatingPoint, SolvedNetwork
from vadist.circuits.sections import Branches, Section

LEAST_TORN_S = 1e-3
"""Smallest capacitance over conductance of a rail that is torn."""

_LEAST_S = 1e-12

SolvedSections = tuple[tuple[Section, OperatingPoint], ...]


@dataclass(frozen=True)
class Rails:
    """Difference equations of the torn rails.

    Attributes
    ----------
    names : tuple of str
    G : (rails, rails)
        Charge that the conductances among rails and held nodes take in a tick, for each volt.
    R : (rails, rails)
        Volts for each coulomb.
    tick_s : float
    slowest_s : float
        Time constant of the slowest mode of the undivided circuit.
    """

    names: tuple[str, ...]
    G: FloatArray
    R: FloatArray
    tick_s: float
    slowest_s: float

    @property
    def key(self) -> tuple[object, ...]:
        """What two share that step alike."""
        return (self.names, self.G.tobytes(), self.R.tobytes(), self.tick_s)


@dataclass(frozen=True)
class Flows:
    """What a section takes from the rails, as rows over its unknowns.

    The first half of the rows is current out of each rail, the second the charge of capacitors.

    Attributes
    ----------
    nodes, coils, signals, ports : (2 rails, n), (2 rails, coils), (2 rails, signals), (2 rails, m)
        Over node volts, coil currents, the volts of signals, and port currents.
    """

    nodes: FloatArray
    coils: FloatArray
    signals: FloatArray
    ports: FloatArray


@dataclass(frozen=True)
class Torn:
    """A network cut at its rails.

    Attributes
    ----------
    rails : tuple of str
    sections : tuple of (Section, OperatingPoint)
    flows : tuple of Flows or None
        Of each section; None for one that no rail feeds.
    farads, siemens : (rails, rails)
        Between the rails and to what is held.
    drives : (2 rails,)
        Siemens, then farads, from each rail to a supply that carries a ripple.
    """

    rails: tuple[str, ...]
    sections: SolvedSections
    flows: tuple[Flows | None, ...]
    farads: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    siemens: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    drives: FloatArray = field(default_factory=lambda: np.zeros(0))

    def discretised(self, tick_s: float, slowest_s: float) -> Rails | None:
        """Difference equations; None where nothing was torn."""
        if not self.rails:
            return None
        inverse = np.asarray(np.linalg.inv(self.farads))
        return Rails(self.rails, tick_s * self.siemens, inverse, tick_s, slowest_s)

    @property
    def time_constants_s(self) -> FloatArray:
        """Of each rail with all that hangs on it at rest, without what the sections store."""
        siemens = np.diag(self.siemens).copy()
        for (section, _), flows in zip(self.sections, self.flows, strict=True):
            for k, rail in enumerate(self.rails):
                if flows is not None and rail in section.signals:
                    siemens[k] += flows.signals[k, section.signals.index(rail)]
        return np.asarray(np.diag(self.farads) / np.maximum(siemens, _LEAST_S))


def tear(solved: SolvedNetwork) -> Torn:
    """Cut a network at the rails whose capacitors are large enough."""
    network = solved.network
    rails = tuple(rail for rail in network.moving_rails)
    while rails:
        torn = _torn_at(solved, rails)
        if torn is not None:
            slow = torn.time_constants_s
            if (slow >= LEAST_TORN_S).all() and any(flows is not None for flows in torn.flows):
                return torn
            if (slow >= LEAST_TORN_S).all():
                break
            rails = tuple(r for r, t in zip(rails, slow, strict=True) if t >= LEAST_TORN_S)
        else:
            rails = rails[1:]
    sections = solved.torn(rippling(solved)) if rippling(solved) else solved.sections
    return Torn((), sections, (None,) * len(sections))


def rippling(solved: SolvedNetwork) -> tuple[str, ...]:
    """The held node that a ripple moves, if there is one: a signal of what it feeds."""
    network = solved.network
    return (network.ideal_supply,) if network.ripple_v else ()


def _torn_at(solved: SolvedNetwork, rails: tuple[str, ...]) -> Torn | None:
    """The network cut at some rails; None where a device or a coil lies between what is held."""
    network = solved.network
    driven = rippling(solved)
    sections = solved.torn((*rails, *driven))
    inside = {part for section, _ in sections for part in section.parts}
    if any(d.part not in inside for d in network.devices):
        return None
    if any(c.part not in inside and {c.a, c.b} & set(rails) for c in network.inductors):
        return None
    index = {rail: k for k, rail in enumerate(rails)}
    farads, siemens = (np.zeros((len(rails), len(rails))) for _ in range(2))
    drives = np.zeros(2 * len(rails))
    stray: list[tuple[bool, TwoTerminal]] = []
    for into, elements, capacitive in (
        (siemens, network.resistors, False),
        (farads, network.capacitors, True),
    ):
        for element in elements:
            ends = [n for n in (element.a, element.b) if n in index]
            if element.part in inside or not ends:
                continue
            if not {element.a, element.b} <= {*network.rails, *rails}:
                stray.append((capacitive, element))
                continue
            value = element.value if capacitive else 1.0 / element.value
            if {element.a, element.b} & set(driven):
                drives[index[ends[0]] + (len(rails) if capacitive else 0)] += value
            for a in ends:
                for b in ends:
                    into[index[a], index[b]] += value if a == b else -value
    if len(rails) and np.linalg.matrix_rank(farads) < len(rails):
        return None
    flows: list[Flows | None] = []
    for section, _ in sections:
        known = {*section.unknowns, *section.signals}
        own = [s for s in stray if {s[1].a, s[1].b} <= {*known, *rails}]
        stray = [s for s in stray if s not in own]
        flows.append(_flows(section, rails, own))
    if stray:
        return None
    # A section that strays hang on must hear the rail, which it does as soon as it feeds it.
    for found, (section, _) in zip(flows, sections, strict=True):
        if found is not None and not set(rails) & set(section.signals):
            return None
    return Torn(rails, sections, tuple(flows), farads, siemens, drives)


def _flows(
    section: Section, rails: tuple[str, ...], stray: Sequence[tuple[bool, TwoTerminal]]
) -> Flows | None:
    count, signals = len(rails), len(section.signals)
    if not set(rails) & set(section.signals) and not stray:
        return None
    flows = Flows(
        np.zeros((2 * count, len(section.unknowns))),
        np.zeros((2 * count, len(section.inductors.parts))),
        np.zeros((2 * count, signals)),
        np.zeros((2 * count, section.port_into.shape[1])),
    )
    known = (*section.signals, *section.rails)
    for k, rail in enumerate(rails):
        if rail in section.signals:
            column = known.index(rail)
            siemens = 1.0 / section.resistors.values
            take_out(flows, k, section.resistors, column, siemens, signals)
            caps = section.capacitors
            farads = np.where(caps.compensation, 0.0, caps.values)
            take_out(flows, count + k, caps, column, farads, signals)
            flows.coils[k] += section.inductors.across_known[:, column]
            injections = [i for d in section.devices for i in d.injections]
            flows.ports[k] -= [injection.get(rail, 0.0) for injection in injections]
    for capacitive, element in stray:
        value = element.value if capacitive else 1.0 / element.value
        for rail, other in ((element.a, element.b), (element.b, element.a)):
            if rail not in rails:
                continue
            row = rails.index(rail) + (count if capacitive else 0)
            for node, sign in ((rail, 1.0), (other, -1.0)):
                if node in section.unknowns:
                    flows.nodes[row, section.unknowns.index(node)] += sign * value
                elif node in section.signals:
                    flows.signals[row, section.signals.index(node)] += sign * value
    return flows


def take_out(
    flows: Flows, row: int, branches: Branches, column: int, values: FloatArray, signals: int
) -> None:
    """Add what branches take out of a known node to a row of what is taken from rails."""
    weights = branches.across_known[:, column] * values
    flows.nodes[row] += weights @ branches.across
    flows.signals[row] += weights @ branches.across_known[:, :signals]
