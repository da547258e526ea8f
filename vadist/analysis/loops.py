"""Loop gain and phase margin round every op-amp and transistor.

The *return ratio* of a controlled source: replace it by one that is independent, of one ampere, and
see what it would have delivered itself, with its sign turned (H. W. Bode, Network Analysis and
Feedback Amplifier Design, 1945, chapter 4, from memory, not located). Nothing is cut, so every node
keeps its load, and the others of several devices in a loop stay alive. For an op-amp, whose inputs
take no current, it is the loop gain a break at its output would show (R. D. Middlebrook,
International Journal of Electronics 38, 1975, from memory, not located).

The source of a transistor is gm v(base, emitter) from collector to emitter; its output conductance
and its input are passive. Rails move as they do, so a loop through the supply counts, too.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.nodal import nodal_equations
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import PlacedDevice

SPOT_HZ = 1e3
LOWEST_HZ, HIGHEST_HZ = 0.1, 1e8
"""Between which a loop's crossing of 1 is looked for."""

_SCAN_HZ = np.geomspace(LOWEST_HZ, HIGHEST_HZ, 721)
_LEAST = 0.1
# A device whose loop gain stays below everywhere has no feedback worth the name.


@dataclass(frozen=True)
class Loop:
    """Feedback round one device.

    Attributes
    ----------
    part : str
    gain_db : float
        Of the loop at :data:`SPOT_HZ`.
    crossing_hz : float
        Where the loop gain passes 1 with the least margin; infinite if it does nowhere up to
        :data:`HIGHEST_HZ`.
    margin_degrees : float
        Phase that is left there before the loop sustains itself; infinite without a crossing,
        negative if it oscillates.
    """

    part: str
    gain_db: float
    crossing_hz: float
    margin_degrees: float


def loop_gain(solved: SolvedDesign, part: str, frequencies_hz: ArrayLike) -> ComplexArray:
    """Return ratio of a device's controlled source, (f,): positive where feedback is negative.

    Parameters
    ----------
    solved : SolvedDesign
    part : str
        Name of an op-amp, a transistor or a FET.
    frequencies_hz : (f,)

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.designs.files import load_design
    >>> solved = solve_design(load_design("boosted_hard_clipper"))
    >>> round(float(abs(loop_gain(solved, "gain.opamp", [1000.0])[0])))
    180
    """
    equations = nodal_equations(solved)
    placed = equations.devices[part]
    amplified = equations.port(placed, placed.device.record.ports - 1)
    a, b = placed.device.controls[0]
    control = equations.across(a, b) * _steepness(placed)
    # The equations hold - port x slope x volts: less that is without the source.
    volts = equations.solve(
        frequencies_hz, {INPUT: 0.0}, amplified, less=-np.outer(amplified, control)
    )
    return np.asarray(-(volts @ control))


def _steepness(placed: PlacedDevice) -> float:
    """Siemens from the volts of the terminal that steers to the last port's current."""
    pairs = placed.device.record.controls
    steers = pairs[0][0]
    signs = np.array([(a == steers) - float(b == steers) for a, b in pairs])
    return float(placed.resting.slopes[-1] @ signs)


def find_loops(solved: SolvedDesign) -> tuple[Loop, ...]:
    """Every loop round an amplifying device, in signal order.

    Parameters
    ----------
    solved : SolvedDesign
    """
    found = []
    for placed in solved.resting_devices():
        if len(placed.device.record.terminals) < 3 or _steepness(placed) <= 0.0:
            continue
        part = placed.device.part
        around = loop_gain(solved, part, _SCAN_HZ)
        if np.abs(around).max() < _LEAST:
            continue
        spot = abs(loop_gain(solved, part, [SPOT_HZ])[0])
        crossings = _crossings(around)
        hz, margin = min(crossings, key=lambda c: c[1], default=(math.inf, math.inf))
        found.append(Loop(part, 20.0 * math.log10(max(spot, 1e-20)), hz, margin))
    return tuple(found)


def _crossings(around: ComplexArray) -> list[tuple[float, float]]:
    """Where a loop gain over the scan passes 1, and the phase margin there in degrees.

    The phase is followed from where the loop gain is largest, so a turn beyond half a circle is
    told from one short of it.
    """
    level: FloatArray = np.log(np.maximum(np.abs(around), 1e-300))
    phase = np.unwrap(np.angle(around))
    loudest = int(level.argmax())
    phase = phase - 2.0 * math.pi * round(phase[loudest] / (2.0 * math.pi))
    found = []
    for k in np.flatnonzero(np.diff(level > 0.0)):
        share = level[k] / (level[k] - level[k + 1])
        hz = _SCAN_HZ[k] * (_SCAN_HZ[k + 1] / _SCAN_HZ[k]) ** share
        turned = float(phase[k] + share * (phase[k + 1] - phase[k]))
        lag = -turned if level[k] > 0.0 else turned
        found.append((float(hz), 180.0 - math.degrees(lag)))
    return found
