"""Operating points of one section of many boards, by the Newton steps that one board takes.

The equations are those of :mod:`vadist.circuits.dc_equations`, built once and filled with each
board's values; a step solves all boards that have not settled. Acceptance, limits and start are
those of :mod:`vadist.circuits.operating_point`, so a board rests where it would alone; one that
does not settle is handed back, to be solved alone.
"""

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.circuits.dc_equations import ROUNDING, DcEquations
from vadist.circuits.operating_point import (
    DIRECT_STEPS,
    IMPOSSIBLE_A,
    LARGEST_CORRECTION,
    LARGEST_IMBALANCE,
)
from vadist.devices.evaluate import LikeDevices
from vadist.population.stacks import SectionStack


class PointStack:
    """Where one section of many boards rests.

    Attributes
    ----------
    node_v, known_v : (boards, n), (boards, k)
    control_v : (boards, controls)
    port_a : (boards, ports)
    slopes : (boards, ports, controls)
    settled : (boards,) bool
        Whether Newton's method found the board's point; its row means nothing otherwise.
    """

    def __init__(self, boards: int, known_v: FloatArray, n: int, controls: int, ports: int) -> None:
        self.node_v = np.zeros((boards, n))
        self.known_v = known_v
        self.control_v = np.zeros((boards, controls))
        self.port_a = np.zeros((boards, ports))
        self.slopes = np.zeros((boards, ports, controls))
        self.settled = np.zeros(boards, dtype=bool)


class _Stack:
    """Equations of all boards; names as in :class:`DcEquations`."""

    def __init__(self, stack: SectionStack, known_v: FloatArray) -> None:
        section = stack.section
        first = DcEquations(stack.of_board(0), known_v[0])
        boards, n = len(known_v), first.nodes
        branches = n + np.arange(len(section.resistors.parts))
        self.nodes, self.size = n, first.size
        self.system = np.repeat(first.system[None], boards, axis=0)
        self.system[:, branches, branches] = -stack.ohm
        from_known = np.repeat(first.from_known[None], boards, axis=0)
        reference = (*section.signals, *section.rails).index(section.reference)
        for k, device in enumerate(section.devices):
            if device.owned_node:
                row = section.unknowns.index(device.owned_node)
                self.system[:, row, row] = stack.siemens[:, k]
                from_known[:, row, reference] = -stack.siemens[:, k]
        caps = section.capacitors
        for island in section.floating:
            charge = caps.into[list(island)].sum(axis=0) * stack.farad
            charge = charge / np.abs(charge).sum(axis=1, keepdims=True)
            self.system[:, island[0], :n] = charge @ caps.across
            from_known[:, island[0]] = charge @ caps.across_known
        self.known_v = known_v
        self.right = -_product(from_known, known_v)
        self.right[:, :n] -= stack.drawn
        self.from_known_size = _product(np.abs(from_known), np.abs(known_v))
        self.from_known_size[:, :n] += stack.drawn
        self.port_into, self.control = first.port_into, first.control
        self.control_offset = known_v @ section.control_known.T
        limits = [[x for d in each for x in d.limits] for each in zip(*stack.devices, strict=True)]
        self.limits = np.array(limits).reshape(boards, -1, 4)
        self.laws = [
            (LikeDevices(each[0].kind, [d.parameters for d in each]), each[0].record)
            for each in stack.devices
        ]
        self.resistors_into, self.siemens = np.abs(section.resistors.into), 1.0 / stack.ohm

    def devices_at(self, control_v: FloatArray, which: IndexArray) -> tuple[FloatArray, FloatArray]:
        ports = self.port_into.shape[1]
        currents = np.zeros((len(which), ports))
        slopes = np.zeros((len(which), ports, control_v.shape[1]))
        control = port = 0
        for law, kind in self.laws:
            here = slice(control, control := control + len(kind.controls))
            out = slice(port, port := port + kind.ports)
            currents[:, out], slopes[:, out, here] = law.currents_and_slopes(
                control_v[:, here], which
            )
        return currents, slopes

    def target(
        self, v: FloatArray, port_a: FloatArray, slopes: FloatArray, which: IndexArray
    ) -> FloatArray:
        left = self.system[which] - self.port_into @ slopes @ self.control
        offset = port_a + _product(slopes, self.control_offset[which] - v)
        right = (self.right[which] + _product(self.port_into, offset))[..., None]
        w = np.linalg.solve(left, right)
        return np.asarray((w + np.linalg.solve(left, right - left @ w))[..., 0])

    def within_limits(self, v: FloatArray, wanted: FloatArray, which: IndexArray) -> FloatArray:
        limits = self.limits[which]
        far = v * limits[..., 3]
        low = np.minimum(far, limits[..., 0]) - limits[..., 2]
        high = np.maximum(far, limits[..., 1]) + limits[..., 2]
        return np.asarray(np.clip(wanted, low, high))

    def settled(
        self, w: FloatArray, port_a: FloatArray, slopes: FloatArray, target: FloatArray,
        which: IndexArray,
    ) -> np.ndarray:  # fmt: skip
        into, n = np.abs(self.port_into), self.nodes
        system = self.system[which]
        net = _product(system, w) - self.right[which] - _product(self.port_into, port_a)
        sizes = _product(np.abs(system), np.abs(w)) + self.from_known_size[which]
        sizes += _product(into, np.abs(port_a))
        worth = _product(into @ np.abs(slopes), np.abs(self.control).sum(axis=1))
        worth[:, :n] += _product(self.resistors_into, self.siemens[which])
        worth[:, n:] = 1.0
        rounding = ROUNDING * (sizes + worth * self._largest_v(w, which)[:, None])
        balanced = (np.abs(net) <= LARGEST_IMBALANCE * sizes + rounding).all(axis=1)
        largest = self._largest_v(target, which)[:, None]
        still = (np.abs(target - w)[:, :n] <= LARGEST_CORRECTION * largest).all(axis=1)
        return np.asarray(balanced & still)

    def _largest_v(self, w: FloatArray, which: IndexArray) -> FloatArray:
        volts = np.hstack([self.known_v[which], w[:, : self.nodes]])
        return np.asarray(np.abs(volts).max(axis=1))


def _product(matrix: FloatArray, vectors: FloatArray) -> FloatArray:
    """Matrix, or matrices, times a vector a board."""
    return np.asarray((matrix @ vectors[..., None])[..., 0])


def solve_points(stack: SectionStack, known_v: FloatArray) -> PointStack:
    """Solve a section of many boards at DC.

    Parameters
    ----------
    stack : SectionStack
    known_v : (boards, k)
        Volts of the nodes that feed each board's section, signals first, then rails.

    Returns
    -------
    PointStack
        In which boards that did not settle, or carry more than any part can, are marked.
    """
    boards = len(known_v)
    section = stack.section
    found = PointStack(
        boards, known_v, len(section.unknowns), len(section.control), section.port_into.shape[1]
    )
    with np.errstate(all="ignore"):  # a wild step is told by its result, not warned of
        _newton(_Stack(stack, known_v), found)
    unlimited = np.abs(found.port_a).max(axis=1, initial=0.0) > IMPOSSIBLE_A
    found.settled &= ~unlimited
    return found


def _newton(equations: _Stack, found: PointStack) -> None:
    which = np.arange(len(found.settled))
    v = np.clip(0.0, equations.limits[..., 0], equations.limits[..., 1])
    w = np.zeros((len(which), equations.size))
    free = np.zeros(len(which), dtype=bool)  # whether w holds the volts of the nodes
    for _ in range(DIRECT_STEPS):
        port_a, slopes = equations.devices_at(v, which)
        try:
            target = equations.target(v, port_a, slopes, which)
        except np.linalg.LinAlgError:
            return
        wanted = _product(equations.control, target) + equations.control_offset[which]
        done = free & equations.settled(w, port_a, slopes, target, which)
        if done.any():
            _keep(equations, found, which[done], target[done], wanted[done])
        go = ~done & np.isfinite(target).all(axis=1)
        if not go.any():
            return
        which, v, w, wanted = which[go], v[go], target[go], wanted[go]
        v = equations.within_limits(v, wanted, which)
        free = (v == wanted).all(axis=1)


def _keep(
    equations: _Stack, found: PointStack, which: IndexArray, w: FloatArray, control_v: FloatArray
) -> None:
    found.settled[which] = True
    found.node_v[which] = w[:, : equations.nodes]
    found.control_v[which] = control_v
    found.port_a[which], found.slopes[which] = equations.devices_at(control_v, which)
