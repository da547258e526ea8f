"""What a change does before any signal: where the circuit rests, and its small-signal band."""

import math
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import node_responses, solve_design
from vadist.arrays import FloatArray, IndexArray
from vadist.circuits.network import INPUT
from vadist.designs.design import Design

SPAN_HZ = (1.0, 1e6)
"""Range searched for corners."""

_POINTS_A_DECADE = 100
# The response between two points is taken as straight in dB over log f: a first-order corner is
# then found within 0.01 %.

_HALF_POWER_DB = 10.0 * math.log10(2.0)

SMALLEST_SHIFT_V = 1e-4
"""Node volts that differ by less are not worth a line."""


@dataclass(frozen=True)
class NodeShift:
    """A node that rests elsewhere.

    Attributes
    ----------
    node : str
    reference_v, candidate_v : float
    """

    node: str
    reference_v: float
    candidate_v: float

    @property
    def shift_v(self) -> float:
        """Volts by which it moved."""
        return self.candidate_v - self.reference_v


@dataclass(frozen=True)
class Band:
    """Small-signal band of a whole design.

    Attributes
    ----------
    gain_db, peak_hz : float
        Largest gain from input to output and where it lies.
    low_hz, high_hz : float or None
        Where the gain first falls 3 dB below it on either side; None beyond 1 Hz or 1 MHz.
    """

    gain_db: float
    peak_hz: float
    low_hz: float | None
    high_hz: float | None


@dataclass(frozen=True)
class Behaviour:
    """A design without a signal and at small signals.

    Attributes
    ----------
    rest_v : mapping of node -> volts
    band : Band
    frequencies_hz : (f,)
    gain_db : (f,)
        Small-signal gain from input to output.
    """

    rest_v: dict[str, float]
    band: Band
    frequencies_hz: FloatArray
    gain_db: FloatArray


def behaviour(design: Design) -> Behaviour:
    """Solve a design's operating point and its small-signal response.

    Examples
    --------
    >>> from vadist import load_design
    >>> found = behaviour(load_design("treble_boost"))
    >>> found.band.low_hz < found.band.peak_hz < found.band.high_hz
    True
    """
    solved = solve_design(design)
    decades = math.log10(SPAN_HZ[1] / SPAN_HZ[0])
    frequencies = np.geomspace(*SPAN_HZ, round(decades * _POINTS_A_DECADE) + 1)
    magnitude = np.abs(node_responses(solved, frequencies)[design.output])
    gain_db = 20.0 * np.log10(np.maximum(magnitude, 1e-15))
    fixed = {*solved.network.rails, INPUT}
    rest = {node: volts for node, volts in solved.node_v.items() if node not in fixed}
    return Behaviour(rest, half_power_band(frequencies, gain_db), frequencies, gain_db)


def half_power_band(frequencies_hz: FloatArray, gain_db: FloatArray) -> Band:
    """Largest gain and the -3 dB points on either side of it.

    Parameters
    ----------
    frequencies_hz : (f,)
        Ascending, > 0.
    gain_db : (f,)
    """
    peak = int(np.argmax(gain_db))
    wanted = float(gain_db[peak]) - _HALF_POWER_DB
    log_f = np.log10(frequencies_hz)

    def crossing(beyond: IndexArray, step: int) -> float | None:
        if not len(beyond):
            return None
        here, before = int(beyond[0]), int(beyond[0]) - step
        share = (wanted - gain_db[before]) / (gain_db[here] - gain_db[before])
        return float(10.0 ** (log_f[before] + share * (log_f[here] - log_f[before])))

    under = gain_db < wanted
    above = np.flatnonzero(under[peak:]) + peak
    below = np.flatnonzero(under[:peak])[::-1]
    return Band(
        float(gain_db[peak]), float(frequencies_hz[peak]), crossing(below, -1), crossing(above, 1)
    )


def node_shifts(reference: Behaviour, candidate: Behaviour) -> tuple[NodeShift, ...]:
    """Nodes both designs have that rest at other volts, largest shift first.

    Parameters
    ----------
    reference, candidate : Behaviour
    """
    shifts = [
        NodeShift(node, volts, candidate.rest_v[node])
        for node, volts in reference.rest_v.items()
        if node in candidate.rest_v
    ]
    moved = [shift for shift in shifts if abs(shift.shift_v) >= SMALLEST_SHIFT_V]
    return tuple(sorted(moved, key=lambda shift: -abs(shift.shift_v)))
