"""The headroom ladder: at which input level each stage first limits.

A stage limits where the distortion it adds itself reaches 1 %, or where the device that drives its
output comes within a tenth of a volt of its limit, whichever comes first. Levels run side by side
as lanes; the brackets around every stage's limit are then cut into pieces, again side by side.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.resting import RestingStage, resting_stages
from vadist.large_signal.steady_sine import SineRunner, SteadySines
from vadist.stepping.batch import LANES

THRESHOLD = 0.01
"""Distortion that counts as limiting: 1 % (common practice for overload points)."""

CONTACT_V = 0.1
"""Distance from a rail that counts as contact: twice the softness of the op-amp's limit."""

LOWEST_V, HIGHEST_V = 1e-4, 5.0
"""Input levels searched, peak volts: below a pickup's hum to more than any pickup gives."""

HEAVY = 0.1
"""Distortion nobody misses on a scope: where the level of the pictures is chosen."""

_USUAL_V = 0.5
# Most limits lie below, and lanes above cost more: they are searched only where they must be.

_FIRST_LEVELS = 2 * LANES
_NARROW = 1.04
# Ratio of a bracket that is narrow enough to interpolate in: 0.34 dB.
_ROUNDS = 8


Curves = dict[tuple[str, str], np.ndarray]
"""(stage, or empty for the whole; cause) -> what reaches 1 where it limits, against the level."""


@dataclass(frozen=True)
class Rung:
    """Where a stage first limits.

    Attributes
    ----------
    stage : str
    input_v : float
        Peak volts at the design's input; infinite if it never does up to :data:`HIGHEST_V`.
    cause : str
        ``1 % distortion`` or ``rail``; empty if it never limits.
    below : bool
        Whether it limits at the lowest level searched already, ``input_v``, and thus anywhere
        below.
    """

    stage: str
    input_v: float
    cause: str
    below: bool = False


@dataclass(frozen=True)
class Ladder:
    """Limits of all stages for a sine of one frequency.

    Attributes
    ----------
    frequency_hz : float
    limits : tuple of Rung
        In signal order.
    output_input_v : float
        Peak volts at the input at which the output's whole distortion reaches 1 %.
    output_below : bool
        Whether it has 1 % at the lowest level searched already.
    output_heavy_v : float
        Where the output's distortion reaches :data:`HEAVY`, from levels a factor 1.4 apart; else
        infinite.
    """

    frequency_hz: float
    limits: tuple[Rung, ...]
    output_input_v: float
    output_below: bool
    output_heavy_v: float

    @property
    def rungs(self) -> tuple[Rung, ...]:
        """Limits that are reached, the first to limit first."""
        reached = [limit for limit in self.limits if math.isfinite(limit.input_v)]
        return tuple(sorted(reached, key=lambda limit: limit.input_v))


def headroom_ladder(
    solved: SolvedDesign, frequency_hz: float, runner: SineRunner | None = None
) -> Ladder:
    """Find at which input level each stage first limits.

    Parameters
    ----------
    solved : SolvedDesign
    frequency_hz : float
    runner : SineRunner, optional
        Of the design and the frequency, where there is one already.

    Raises
    ------
    UsageError, ConvergenceError
    """
    runner = runner or SineRunner(solved, frequency_hz)
    stages = tuple(solved.design.stages)
    resting = resting_stages(solved)
    levels = np.geomspace(LOWEST_V, HIGHEST_V, _FIRST_LEVELS)
    curves = _measures(runner.run(levels), resting)
    for _ in range(_ROUNDS):
        brackets = {_bracket(levels, curves, stage) for stage in (*stages, "")} - {None}
        wide = sorted(b for b in brackets if b is not None and b[1] / b[0] > _NARROW)
        if not wide:
            break
        each = max(LANES // len(wide), 1)
        new = np.concatenate([np.geomspace(a, b, each + 2)[1:-1] for a, b in wide])
        found = _measures(runner.run(new), resting)
        levels = np.concatenate([levels, new])
        order = np.argsort(levels)
        levels = levels[order]
        curves = {k: np.concatenate([curves[k], found[k]])[order] for k in curves}
    limits = [_rung(stage, levels, curves) for stage in stages]
    total = curves["", "total"]
    return Ladder(
        frequency_hz, tuple(limits), _crossing(levels, total), bool(total[0] >= 1.0),
        _crossing(levels, total * (THRESHOLD / HEAVY)),
    )  # fmt: skip


def output_limit(solved: SolvedDesign, frequency_hz: float) -> Rung:
    """Where the output's whole distortion reaches 1 %, without a ladder around it.

    Parameters
    ----------
    solved : SolvedDesign
    frequency_hz : float
    """
    return _rung("", *_lowest(SineRunner(solved, frequency_hz), resting_stages(solved), [""]))


def first_limit(solved: SolvedDesign, frequency_hz: float) -> Rung | None:
    """The first rung of the ladder, without the others; None if nothing limits.

    Parameters
    ----------
    solved : SolvedDesign
    frequency_hz : float
    """
    resting = resting_stages(solved)
    found = _lowest(SineRunner(solved, frequency_hz), resting, list(resting))
    limits = [_rung(stage, *found) for stage in resting]
    first = min(limits, key=lambda limit: limit.input_v)
    return first if math.isfinite(first.input_v) else None


def _lowest(
    runner: SineRunner, resting: Mapping[str, RestingStage], stages: Sequence[str]
) -> tuple[np.ndarray, Curves]:
    """Levels, and curves over them, close together where the first of some stages limits."""
    for low_v, high_v in ((LOWEST_V, _USUAL_V), (_USUAL_V, HIGHEST_V)):
        levels = np.geomspace(low_v, high_v, LANES)
        curves = _measures(runner.run(levels), resting)
        own = {key: curve for key, curve in curves.items() if key[0] in stages}
        places = [k for k in map(_first_above, own.values()) if k is not None]
        if places:
            break
    if not places or min(places) == 0:
        return levels, curves
    ends = np.array([min(places) - 1, min(places)])
    inside = np.geomspace(levels[ends[0]], levels[ends[1]], LANES + 2)[1:-1]
    between = _measures(runner.run(inside), resting)
    return (
        np.concatenate([levels[ends[:1]], inside, levels[ends[1:]]]),
        {k: np.concatenate([c[ends[:1]], between[k], c[ends[1:]]]) for k, c in curves.items()},
    )


def _measures(sines: SteadySines, resting: Mapping[str, RestingStage]) -> Curves:
    """Curves against level that reach 1 where a stage limits."""
    curves = {}
    for stage, rest in resting.items():
        curves[stage, "1 % distortion"] = sines.added_distortion(stage) / THRESHOLD
        if rest.headroom_v is not None:
            low, high = sines.peaks(stage)
            down, up = (max(room - CONTACT_V, 1e-3) for room in rest.headroom_v)
            curves[stage, "rail"] = np.maximum(-low / down, high / up)
    curves["", "total"] = sines.distortion(list(resting)[-1]) / THRESHOLD
    return curves


def _first_above(curve: np.ndarray) -> int | None:
    above = np.flatnonzero(curve >= 1.0)
    return int(above[0]) if len(above) else None


def _bracket(levels: np.ndarray, curves: Curves, stage: str) -> tuple[float, float] | None:
    """Levels between which the first of a stage's curves reaches 1."""
    places = [_first_above(curve) for (name, _), curve in curves.items() if name == stage]
    reached = [k for k in places if k is not None]
    if not reached or min(reached) == 0:
        return None
    return float(levels[min(reached) - 1]), float(levels[min(reached)])


def _crossing(levels: np.ndarray, curve: np.ndarray) -> float:
    """Level at which a curve reaches 1, by a straight line between logarithms."""
    k = _first_above(curve)
    if k is None:
        return math.inf
    if k == 0:
        return float(levels[0])  # or anywhere below
    low, high = math.log(max(curve[k - 1], 1e-12)), math.log(curve[k])
    share = -low / (high - low) if high > low else 1.0
    return float(levels[k - 1] * (levels[k] / levels[k - 1]) ** share)


def _rung(stage: str, levels: np.ndarray, curves: Curves) -> Rung:
    found = [
        (_crossing(levels, curve), cause, bool(curve[0] >= 1.0))
        for (name, cause), curve in curves.items()
        if name == stage
    ]
    level, cause, below = min(found)
    return Rung(stage, level, cause if math.isfinite(level) else "", below)
