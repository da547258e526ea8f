"""Where the response of a stage, or of the whole, passes 3 dB below its largest gain."""

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign, decibels, node_responses, stage_responses
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT

WHOLE = ""
"""Stage name under which the corners of the whole design are given."""

GAIN_HZ = 1e3
"""Where mid-band gain is read (common practice)."""

HALF_POWER_DB = 10.0 * math.log10(2.0)

LOWEST_HZ, HIGHEST_HZ = 1.0, 1e6
"""Corners outside are of no interest to a guitar and are not reported."""

SCAN_HZ = np.geomspace(0.05, 2e7, 400)
"""Where responses are scanned for steps over -3 dB."""

_REFINEMENTS = 12


@dataclass(frozen=True)
class Crossing:
    """A -3 dB point.

    Attributes
    ----------
    stage : str
        Or :data:`WHOLE`.
    kind : str
        ``bass cut``, ``treble cut``, ``scoop from`` or ``scoop to``.
    frequency_hz : float
    reference_hz, reference_db : float
        Where the response is largest, what the 3 dB count from.
    """

    stage: str
    kind: str
    frequency_hz: float
    reference_hz: float
    reference_db: float


def picked_responses(
    solved: SolvedDesign, frequencies_hz: FloatArray, places: Collection[str]
) -> dict[str, ComplexArray]:
    """Responses of stages, and of :data:`WHOLE` with rails as they move, in the order given."""
    found: dict[str, ComplexArray] = {}
    if set(places) - {WHOLE}:
        found |= stage_responses(solved, frequencies_hz)
    if WHOLE in places:
        nodes = node_responses(solved, frequencies_hz)
        found[WHOLE] = nodes[solved.design.output] / nodes[INPUT]
    return {place: found[place] for place in places}


def picked_levels(
    solved: SolvedDesign, stages: list[str], frequencies_hz: FloatArray
) -> FloatArray:
    """Level in nepers of the k-th stage at the k-th frequency."""
    found = picked_responses(solved, frequencies_hz, set(stages))
    return np.array([math.log(max(abs(found[s][k]), 1e-300)) for k, s in enumerate(stages)])


@dataclass(frozen=True)
class _Step:
    """Where a stage passes its -3 dB between two points of the scan.

    Attributes
    ----------
    stage : str
    place : int
        The lower of the two points.
    rising : bool
    reference_hz, reference_db : float
        Where the stage is loudest.
    """

    stage: str
    place: int
    rising: bool
    reference_hz: float
    reference_db: float


def find_crossings(solved: SolvedDesign, places: Collection[str] | None = None) -> list[Crossing]:
    """-3 dB points: stepped over by a scan, narrowed, and named by what lies on either side.

    Parameters
    ----------
    solved : SolvedDesign
    places : collection of str, optional
        Stages, or :data:`WHOLE`; all by default.
    """
    steps = _scan(solved, (*solved.design.stages, WHOLE) if places is None else places)
    found = _narrowed(solved, steps)
    return [
        Crossing(step.stage, kind, hz, step.reference_hz, step.reference_db)
        for step, hz, kind in zip(steps, found, _kinds(steps), strict=True)
        if LOWEST_HZ <= hz <= HIGHEST_HZ
    ]


def _scan(solved: SolvedDesign, places: Collection[str]) -> list[_Step]:
    """Steps over -3 dB from each stage's loudest point, a stage's in order of frequency."""
    steps = []
    for stage, response in picked_responses(solved, SCAN_HZ, places).items():
        level = decibels(response)
        loudest = int(level.argmax())
        inside = level - level[loudest] + HALF_POWER_DB
        steps += [
            _Step(stage, int(k), bool(inside[k + 1] > 0.0), float(SCAN_HZ[loudest]),
                  float(level[loudest]))
            for k in np.flatnonzero(np.diff(np.sign(inside)))
        ]  # fmt: skip
    return steps


def _narrowed(solved: SolvedDesign, steps: list[_Step]) -> list[float]:
    """Frequencies at which the steps cross, hertz, all at once by the Illinois method.

    The chord's crossing replaces the end on its side; an end that stays twice counts for half
    (M. Dowell, P. Jarratt, BIT 11, 1971, from memory, not located).
    """
    stages = [step.stage for step in steps]
    goals = np.array([step.reference_db - HALF_POWER_DB for step in steps])

    def above(at: FloatArray) -> FloatArray:
        level = picked_levels(solved, stages, np.exp(at)) * 20.0 / math.log(10.0)
        return np.asarray(level - goals)

    low = np.log([SCAN_HZ[step.place] for step in steps])
    high = np.log([SCAN_HZ[step.place + 1] for step in steps])
    at_low, at_high = above(low), above(high)
    stayed = np.zeros(len(steps))
    middle = low
    for _ in range(_REFINEMENTS):
        middle = low + (high - low) * at_low / np.where(at_low == at_high, 1.0, at_low - at_high)
        at_middle = above(middle)
        left = (at_middle < 0.0) == (at_low < 0.0)  # the crossing lies above the middle
        at_high = np.where(left & (stayed > 0.0), 0.5 * at_high, at_high)
        at_low = np.where(~left & (stayed < 0.0), 0.5 * at_low, at_low)
        low, at_low = np.where(left, middle, low), np.where(left, at_middle, at_low)
        high, at_high = np.where(left, high, middle), np.where(left, at_high, at_middle)
        stayed = np.where(left, 1.0, -1.0)
    return [float(hz) for hz in np.exp(middle)]


def _kinds(steps: list[_Step]) -> list[str]:
    """What each step is: an end of the band, or a side of a dip between two steps of its stage."""
    kinds = []
    for k, step in enumerate(steps):
        before = [other.rising for other in steps[:k] if other.stage == step.stage]
        behind = [other.rising for other in steps[k + 1 :] if other.stage == step.stage]
        if step.rising:
            kinds.append("scoop to" if before and not before[-1] else "bass cut")
        else:
            kinds.append("scoop from" if behind and behind[0] else "treble cut")
    return kinds
