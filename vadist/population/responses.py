"""Small-signal responses of many boards: solved at some frequencies, or by their modes at many.

With T = G + s0 C at one real s0, and C = F E as its capacitors and coils make it up::

    (G + s C)^-1 = T^-1 - sigma T^-1 F (1 + sigma E T^-1 F)^-1 E T^-1,      sigma = s - s0

(Woodbury's formula), and E T^-1 F = V lambda V^-1 leaves one division a mode and frequency. Where
modes are so alike that V is ill conditioned the digits would go: every board is checked against
the solved response at a few frequencies, and one that differs is solved at all of them.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT
from vadist.population.dc_stack import PointStack
from vadist.population.solved import SolvedStack
from vadist.population.stacks import SectionStack

LARGEST_DIFFERENCE = 1e-9
"""Of the largest response at the frequencies checked: what modes may be off by."""

_S0 = 2.0 * np.pi * 1e3
_CHECKED_HZ = (1.0, 82.0, 1e3, 2e4, 1e6)
# At the edges of what is searched for corners and within.

Responses = Callable[[FloatArray], dict[str, ComplexArray]]
"""Of frequencies (boards, f), hertz, the responses (boards, f) at the nodes asked for."""


@dataclass(frozen=True)
class _Linear:
    """(G + s F E) w + (Gk + s F Ek) u = 0 of all boards, E and Ek shared by them.

    ``known`` names u: signals, rails and, where it is a node of the section, what is driven.
    """

    known: tuple[str, ...]
    G: FloatArray
    F: FloatArray
    E: FloatArray
    Gk: FloatArray
    Ek: FloatArray


def _linear(
    stack: SectionStack, points: PointStack, pinned: Collection[str], driven: str
) -> _Linear:
    """Matrices around the operating points; coils' currents stand behind the node voltages."""
    section = stack.section
    n, coils, caps = len(section.unknowns), section.inductors, section.capacitors
    stored, size = len(caps.parts), n + len(coils.parts)
    names = (*section.signals, *section.rails)
    held, boards = len(names), len(stack.ohm)
    if driven in section.unknowns:
        names = (*names, driven)
    known = len(names)
    G, Gk = np.zeros((boards, size, size)), np.zeros((boards, size, known))
    slopes = section.port_into @ points.slopes
    to_unknown, to_known = stack.conductances()
    G[:, :n, :n] = to_unknown - slopes @ section.control
    Gk[:, :n, :held] = to_known - slopes @ section.control_known
    G[:, :n, n:], G[:, n:, :n] = coils.into, coils.across
    Gk[:, n:, :held] = coils.across_known
    F = np.zeros((boards, size, stored + len(coils.parts)))
    E = np.zeros((stored + len(coils.parts), size))
    Ek = np.zeros((len(E), known))
    F[:, :n, :stored] = caps.into * stack.farad[:, None, :]
    E[:stored, :n], Ek[:stored, :held] = caps.across, caps.across_known
    places = np.arange(len(coils.parts))
    F[:, n + places, stored + places] = -stack.henry
    E[stored + places, n + places] = 1.0
    fixed = [k for k, node in enumerate(section.unknowns) if node in (*pinned, driven)]
    G[:, fixed], F[:, fixed], Gk[:, fixed] = np.eye(size)[fixed], 0.0, 0.0
    if driven in section.unknowns:
        Gk[:, section.unknowns.index(driven), -1] = -1.0
    return _Linear(names, G, F, E, Gk, Ek)


def solved_responses(
    solved: SolvedStack, nodes: Sequence[str], pinned: Collection[str] = (), driven: str = INPUT
) -> Responses:
    """Responses to some nodes, solved frequency by frequency.

    Parameters
    ----------
    solved : SolvedStack
    nodes : sequence of str
        Under any of their names.
    pinned : collection of str
    driven : str
        As for :func:`vadist.analysis.chain_response.node_responses`: nodes held where they rest,
        and the one that has a volt, the input or any other.
    """
    linear = [_linear(stack, points, pinned, driven) for stack, points in solved.sections]

    def found(frequencies_hz: FloatArray) -> dict[str, ComplexArray]:
        s = 2j * np.pi * frequencies_hz[..., None]
        volts = _held(solved, frequencies_hz, driven)
        for (stack, _), a in zip(solved.sections, linear, strict=True):
            section = stack.section
            drive = np.zeros((*frequencies_hz.shape, a.G.shape[1]), dtype=complex)
            for k, node in enumerate(a.known):
                column = a.Gk[:, None, :, k] + s * (a.F @ a.Ek[:, k])[:, None]
                drive += volts[node][..., None] * column
            system = a.G[:, None] + s[..., None] * (a.F @ a.E)[:, None]
            w = np.linalg.solve(system, -drive[..., None])[..., 0]
            volts |= {node: w[..., k].astype(complex) for k, node in enumerate(section.unknowns)}
        return _wanted(solved, volts, nodes)

    return found


def modal_responses(
    solved: SolvedStack, nodes: Sequence[str], pinned: Collection[str] = (), driven: str = INPUT
) -> Responses:
    """Responses to some nodes by modes, made for many frequencies.

    Parameters and result as of :func:`solved_responses`; within :data:`LARGEST_DIFFERENCE` of it.
    """
    needed = {solved.networks[0].held(node) for node in nodes}
    needed |= {signal for stack, _ in solved.sections for signal in stack.section.signals}
    modes = [
        _Modes(stack, _linear(stack, points, pinned, driven), needed)
        for stack, points in solved.sections
    ]
    exact = solved_responses(solved, nodes, pinned, driven)

    def by_modes(frequencies_hz: FloatArray) -> dict[str, ComplexArray]:
        volts = _held(solved, frequencies_hz, driven)
        for mode in modes:
            volts |= mode.responses(frequencies_hz, volts)
        return _wanted(solved, volts, nodes)

    checked = np.broadcast_to(np.array(_CHECKED_HZ), (len(solved), len(_CHECKED_HZ)))
    right, found = exact(checked), by_modes(checked)
    wrong = np.zeros(len(solved), dtype=bool)
    for node in nodes:
        off = np.abs(found[node] - right[node]).max(axis=1)
        wrong |= ~(off <= LARGEST_DIFFERENCE * np.abs(right[node]).max(axis=1))
    if not wrong.any():
        return by_modes

    def mended(frequencies_hz: FloatArray) -> dict[str, ComplexArray]:
        with np.errstate(all="ignore"):
            volts = by_modes(frequencies_hz)
        solved_ones = exact(frequencies_hz)
        return {node: np.where(wrong[:, None], solved_ones[node], volts[node]) for node in nodes}

    return mended


class _Modes:
    """One section in its modes."""

    def __init__(self, stack: SectionStack, a: _Linear, needed: Collection[str]) -> None:
        section = stack.section
        self.known = a.known
        self.wanted = [k for k, node in enumerate(section.unknowns) if node in needed]
        self.names = [section.unknowns[k] for k in self.wanted]
        stored, known = a.F.shape[2], a.Gk.shape[2]
        at_s0 = np.linalg.solve(
            a.G + _S0 * (a.F @ a.E), np.concatenate([a.Gk, a.F @ a.Ek, a.F], axis=2)
        )
        self.straight = at_s0[:, self.wanted, : 2 * known]
        self.rates, vectors = np.linalg.eig(a.E @ at_s0[:, :, 2 * known :])
        inputs = (a.E @ at_s0[:, :, : 2 * known]).astype(complex)
        try:
            self.inputs = np.linalg.solve(vectors, inputs)
        except np.linalg.LinAlgError:  # no full set of modes: the check will tell
            self.inputs = np.full((len(a.G), stored, 2 * known), np.nan, dtype=complex)
        self.outputs = at_s0[:, self.wanted, 2 * known :] @ vectors

    def responses(
        self, frequencies_hz: FloatArray, volts: dict[str, ComplexArray]
    ) -> dict[str, ComplexArray]:
        s = 2j * np.pi * frequencies_hz
        feeds = np.stack([volts[node] for node in self.known], axis=-1)
        # Rails and ground carry nothing: what feeds a section is mostly one node.
        fed = [k for k in range(len(self.known)) if feeds[..., k].any()]
        u = np.concatenate([feeds[..., fed], s[..., None] * feeds[..., fed]], axis=-1)
        columns = [*fed, *(len(self.known) + k for k in fed)]
        # einsum, not @: a library's threads would cost more than these few products.
        straight = np.einsum("bfk,bnk->bfn", u, self.straight[:, :, columns])
        sigma = (s - _S0)[..., None]
        modes = np.einsum("bfk,bmk->bfm", u, self.inputs[:, :, columns])
        modes *= sigma / (1.0 + sigma * self.rates[:, None, :])
        found = np.einsum("bfm,bnm->bfn", modes, self.outputs) - straight
        return {name: found[..., k] for k, name in enumerate(self.names)}


def _held(solved: SolvedStack, frequencies_hz: FloatArray, driven: str) -> dict[str, ComplexArray]:
    """What is driven carries a volt, the input or rails else none."""
    nothing = np.zeros(frequencies_hz.shape, dtype=complex)
    return dict.fromkeys((*solved.networks[0].rails, INPUT), nothing) | {driven: nothing + 1.0}


def _wanted(
    solved: SolvedStack, volts: dict[str, ComplexArray], nodes: Sequence[str]
) -> dict[str, ComplexArray]:
    named = solved.networks[0].under_all_names(volts)
    return {node: np.asarray(named[node]) for node in nodes}
