"""The DC operating point of a section: the node voltages it rests at with no signal."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.errors import ConvergenceError
from vadist.kernel.devices import currents_and_slopes
from vadist.network import INPUT, Network
from vadist.sections import Section, split_into_sections

Matrix = NDArray[np.float64]

_INDUCTOR_SIEMENS = 1e3
# An inductor is a wire at DC, of a milliohm: less would take the digits of the kilohms beside it.
_TOLERANCE = 1e-13
_ITERATIONS = 200


@dataclass(frozen=True)
class OperatingPoint:
    """Where a section rests.

    Attributes
    ----------
    node_v, known_v : (n,), (k,)
        Volts of the unknown and the known nodes.
    control_v : (controls,)
        Control voltages of the devices.
    port_a : (ports,)
        Port currents.
    slopes : (ports, controls)
        Derivatives of the port currents there, siemens.
    """

    node_v: Matrix
    known_v: Matrix
    control_v: Matrix
    port_a: Matrix
    slopes: Matrix


def solve_operating_point(section: Section, signal_v: Matrix) -> OperatingPoint:
    """Solve a section at DC.

    Parameters
    ----------
    section : Section
    signal_v : (signals,)
        DC volts of the nodes that feed the section.

    Raises
    ------
    ConvergenceError
        If neither Newton's method nor raising the supply step by step finds a solution.
    """
    known = np.concatenate([signal_v, section.rail_volts])
    system = section.conductance.copy()
    system_known = section.conductance_known.copy()
    coils = section.inductors
    system += _INDUCTOR_SIEMENS * coils.into @ coils.across
    system_known += _INDUCTOR_SIEMENS * coils.into @ coils.across_known
    kinds = [d.kind for d in section.devices]
    parameters = [d.parameters for d in section.devices]
    limits = np.array([limit for d in section.devices for limit in d.limits]).reshape(-1, 4)

    def newton(scale: float, v: Matrix) -> Matrix | None:
        """Newton with limited steps at a scaled-down supply; None if it does not settle."""
        u = known * scale
        for _ in range(_ITERATIONS):
            current, slopes = currents_and_slopes(kinds, parameters, v)
            jacobian = system - section.port_into @ slopes @ section.control
            known_v = section.control_known @ u
            right = section.port_into @ (current + slopes @ (known_v - v)) - system_known @ u
            w = np.linalg.solve(jacobian, right)
            target = section.control @ w + known_v
            moved = np.abs(target - v)
            far = v * limits[:, 3]
            low = np.minimum(far, limits[:, 0]) - limits[:, 2]
            high = np.maximum(far, limits[:, 1]) + limits[:, 2]
            v = np.clip(target, low, high)
            if not np.isfinite(v).all():
                return None
            if (moved <= _TOLERANCE * (1.0 + np.abs(target))).all():
                return v
        return None

    v = _continue_to_full_supply(newton, np.zeros(len(limits)), section)
    current, slopes = currents_and_slopes(kinds, parameters, v)
    # A linearised solve: node voltages from the currents alone would carry the rounding of an
    # op-amp's large open-loop gain.
    known_v = section.control_known @ known
    jacobian = system - section.port_into @ slopes @ section.control
    right = section.port_into @ (current + slopes @ (known_v - v)) - system_known @ known
    w = np.linalg.solve(jacobian, right)
    return OperatingPoint(w, known, v, current, slopes)


def _continue_to_full_supply(newton, start: Matrix, section: Section) -> Matrix:  # type: ignore[no-untyped-def]
    direct = newton(1.0, start)
    if direct is not None:
        return np.asarray(direct)
    reached, stride, v = 0.0, 0.1, start
    while reached < 1.0:
        goal = min(1.0, reached + stride)
        found = newton(goal, v)
        if found is None:
            stride /= 2.0
            if stride < 1e-6:
                stages = ", ".join(section.stages)
                raise ConvergenceError(
                    f"no DC operating point found for {stages} above {reached:.0%} of the supply"
                )
        else:
            reached, v, stride = goal, found, stride * 2.0
    return v


def solve_all(network: Network) -> list[tuple[Section, OperatingPoint]]:
    """Sections of a network with their operating points, in signal order."""
    volts = {INPUT: network.input_v}
    solved = []
    for section in split_into_sections(network):
        point = solve_operating_point(section, np.array([volts[s] for s in section.signals]))
        volts |= dict(zip(section.unknowns, point.node_v.tolist(), strict=True))
        solved.append((section, point))
    return solved
