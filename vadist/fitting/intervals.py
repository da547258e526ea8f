"""How far a fitted value may be from the truth: noise, what the model lacks, rival explanations.

Noise and correlation give the first width. Under a mismatch a part of what the model lacks hides in
the fitted values, and no statistic of the residual tells how much: it is taken to be no larger than
the part that shows, so that each value may be off by as much as an error of that size can move it.
The values of every explanation that the capture then speaks no less for lie within the interval
too. Without a mismatch an interval holds if the freed values are what is off; rivals are told.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from vadist.fitting.problem import Evaluated, Problem
from vadist.fitting.residual import Residue
from vadist.fitting.rivals import Rival
from vadist.fitting.statistics import Certainty, width
from vadist.fitting.values import FreeValue

_AT_BOUND = 1e-4

_WITHHELD = {True: math.log(2.0), False: 0.25}
# An interval that a mismatch widens by more than a factor of two, or a quarter turn, says nothing.


@dataclass(frozen=True)
class Estimate:
    """A fitted value.

    Attributes
    ----------
    free : FreeValue
    value : float
    low, high : float
        Interval at the report's confidence, what the model lacks and rivals allowed for; the
        bounds of the fit if it is not identifiable or withheld.
    noise_low, noise_high : float
        Interval if the design is right and only these values are off.
    identifiable : bool
    withheld : bool
        Whether a mismatch makes an interval meaningless.
    at_bound : bool
    """

    free: FreeValue
    value: float
    low: float
    high: float
    noise_low: float
    noise_high: float
    identifiable: bool
    withheld: bool
    at_bound: bool


def moved_values(
    problem: Problem, best: Evaluated, sure: Certainty, confidence: float
) -> list[int]:
    """Which values have left their start by more than noise explains."""
    named = {path for direction in sure.unseen for path in direction.paths}
    return [
        k for k, f in enumerate(problem.free)
        if f.path not in named
        and abs(float(best.place[k])) > width(confidence) * sure.deviations[k]
    ]  # fmt: skip


def estimates(
    problem: Problem,
    best: Evaluated,
    sure: Certainty,
    residue: Residue,
    rivals: Sequence[Rival],
    confidence: float,
) -> tuple[Estimate, ...]:
    """Put an interval to every fitted value."""
    named = {path for direction in sure.unseen for path in direction.paths}
    found = []
    for k, f in enumerate(problem.free):
        place, noise = float(best.place[k]), width(confidence) * float(sure.deviations[k])
        hidden = math.sqrt(residue.unexplained) * float(sure.reach[k])
        ends = [place - noise - hidden, place + noise + hidden]
        for rival in rivals:
            if residue.mismatch and rival.stands:
                other = f.to_scale(rival.values[f.path])
                ends += [other - noise, other + noise]
        seen = f.path not in named
        withheld = seen and hidden > _WITHHELD[f.logarithmic]
        told = seen and not withheld
        found.append(
            Estimate(
                f, _rounded(min(max(f.from_scale(place), f.low), f.high)),
                f.from_scale(min(ends)) if told else f.low,
                f.from_scale(max(ends)) if told else f.high,
                f.from_scale(place - noise) if seen else f.low,
                f.from_scale(place + noise) if seen else f.high,
                seen, withheld,
                min(place - f.to_scale(f.low), f.to_scale(f.high) - place) < _AT_BOUND,
            )
        )  # fmt: skip
    return tuple(found)


def _rounded(value: float) -> float:
    """Five figures: what a design file shows, and far below any interval."""
    return float(f"{value:.5g}")
