"""Other explanations of a capture: every value of the design, tried in place of the fitted ones.

A residual as small as a fit's may be had by other values. Three kinds are tried: one value alone,
with all others where they started; one value instead of a fitted one; and, where the fit leaves
more than noise, one value besides. All are foretold from one Jacobian over every value of the
design, whose columns are lanes of one render; the best of each kind are then fitted in earnest.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vadist.errors import VadistError
from vadist.fitting.problem import Evaluated, Problem, step_of
from vadist.fitting.residual import Background, Residue
from vadist.fitting.statistics import weigh
from vadist.fitting.values import FreeValue, every_value
from vadist.measure.records import FloatArray

_TRIED = {"alone": 2, "instead": 3, "besides": 2}
# How many of a kind are fitted in earnest.

_NOT_WORTH_DB = 6.0
# Foretold that much above the fit, a rival is not: linear forecasts are no better than that.

_EVALUATIONS = 8
_TOLERANCE = 1e-4

_MATTERS = {"alone": 0.9, "instead": 0.9, "besides": 0.98}
# To what share of the energy left without it a rival must be foretold to bring it.


@dataclass(frozen=True)
class Rival:
    """Another explanation, fitted.

    Attributes
    ----------
    kind : str
        ``alone``, ``instead`` or ``besides``.
    free : FreeValue
        What takes part though the fit has left it alone.
    value : float
    instead_of : str
        Path of the fitted value that is back where it started; empty for the other kinds.
    values : mapping of path -> value
        All that this explanation says of the fitted paths.
    residue : Residue
    verdict : str
        ``better``, ``equal`` or ``worse`` than the fit; ``besides``, an explanation that is not
        better is equal.
    """

    kind: str
    free: FreeValue
    value: float
    instead_of: str
    values: dict[str, float]
    residue: Residue
    verdict: str

    @property
    def stands(self) -> bool:
        """Whether the capture speaks no less for it than for the fit."""
        return self.verdict == "better" or (self.verdict == "equal" and self.kind != "besides")


@dataclass(frozen=True)
class _Forecast:
    kind: str
    rival: int
    held_back: int
    place: FloatArray
    energy: float


def find_rivals(
    problem: Problem,
    best: Evaluated,
    moved: Sequence[int],
    background: Background,
    residue: Residue,
    confidence: float,
) -> tuple[Rival, ...]:
    """Look for other explanations.

    Parameters
    ----------
    problem : Problem
        That was fitted.
    best : Evaluated
    moved : sequence of int
        Which of its values have left their start by more than their interval.
    background : Background
    residue : Residue
        What the fit leaves.
    confidence : float
    """
    taken = [_key(f.path) for f in problem.free]
    others = [v for v in every_value(problem.design) if _key(v.path) not in taken]
    if not others or not (moved or residue.mismatch):
        return ()
    found: list[Rival] = []
    forecasts = _forecasts(problem, best, moved, others, residue.mismatch)
    for kind, most in _TRIED.items():
        ranked = sorted((f for f in forecasts if f.kind == kind), key=lambda f: f.energy)
        limit = best.cost * 10.0 ** (_NOT_WORTH_DB / 10.0)
        for forecast in [f for f in ranked if f.energy < limit][:most]:
            rival = _fitted(problem, best, forecast, others, background, residue, confidence)
            if rival is not None:
                found.append(rival)
    return tuple(found)


def _key(path: str) -> tuple[str, ...]:
    """Values that set the same number: a pair of diodes and one of its directions."""
    names = path.split(".")
    return (*names[:2], names[-1])


def _forecasts(
    problem: Problem,
    best: Evaluated,
    moved: Sequence[int],
    others: list[FreeValue],
    mismatch: bool,
) -> list[_Forecast]:
    """Energy that each explanation would leave if all were linear about the fit."""
    fitted = problem.candidate(best.place)
    backs = [np.where(np.arange(len(best.place)) == j, 0.0, best.place) for j in moved]
    single = len(problem.free) == 1
    if moved and not single:
        backs.append(np.zeros(len(best.place)))
    steps = [step_of(v, 0.0) for v in others]
    designs = [problem.candidate(place) for place in backs]
    designs += [v.put(fitted, v.from_scale(h)) for v, h in zip(others, steps, strict=True)]
    rendered = problem.render([fitted, *designs])
    at = best.alignment
    base = at.apply(rendered[0].wave, problem.time_s)
    changes = np.stack([at.apply(a.wave, problem.time_s) - base for a in rendered[1:]], axis=1)
    changes = problem.unaligned(changes, at, rendered[0])
    columns = changes[:, len(backs) :] / np.array(steps)
    # All small problems live in the span of these few vectors.
    _, small = np.linalg.qr(
        np.column_stack([best.jacobian, columns, changes[:, : len(backs)], best.residual])
    )
    values, rest = len(best.place), small[:, -1]
    ours, theirs = small[:, :values], small[:, values : values + len(others)]
    starts = small[:, values + len(others) : -1]

    def forecast(kind: str, m: int, held_back: int, kept: list[int], start: int) -> _Forecast:
        origin = rest if start < 0 else rest + starts[:, start]
        place = best.place.copy() if start < 0 else backs[start].copy()
        free = others[m]
        both = np.column_stack([ours[:, kept], theirs[:, m]])
        change = np.linalg.lstsq(both, -origin, rcond=1e-6)[0]
        step = float(np.clip(change[-1], free.to_scale(free.low), free.to_scale(free.high)))
        left, change = _least(ours[:, kept], origin + theirs[:, m] * step)
        without, _ = _least(ours[:, kept], origin)
        place[kept] += change
        energy = left if left < _MATTERS[kind] * without else np.inf
        return _Forecast(kind, m, held_back, np.append(place, step), energy)

    found = []
    everything = list(range(values))
    for m in range(len(others)):
        for k, j in enumerate(moved):
            found.append(forecast("instead", m, j, [i for i in everything if i != j], k))
        if moved and not single:
            found.append(forecast("alone", m, -1, [], len(backs) - 1))
        if mismatch:
            found.append(forecast("besides", m, -1, everything, -1))
    return found


def _least(columns: FloatArray, origin: FloatArray) -> tuple[float, FloatArray]:
    """Least energy that columns leave of a vector, and how far each goes for it."""
    change = np.linalg.lstsq(columns, -origin, rcond=1e-6)[0]
    left = origin + columns @ change
    return float(left @ left), np.asarray(change)


def _fitted(
    problem: Problem,
    best: Evaluated,
    forecast: _Forecast,
    others: list[FreeValue],
    background: Background,
    residue: Residue,
    confidence: float,
) -> Rival | None:
    """Fit one explanation from where it was foretold; None if it cannot be solved there."""
    rival = others[forecast.rival]
    kept = [
        k for k in range(len(problem.free))
        if forecast.kind != "alone" and k != forecast.held_back
    ]  # fmt: skip
    trial = problem.with_free([*(problem.free[k] for k in kept), rival])
    try:
        trial.descend(forecast.place[[*kept, len(problem.free)]], _EVALUATIONS, _TOLERANCE)
    except VadistError:
        return None
    problem.evaluations = trial.evaluations
    found = trial.best
    if found is None:
        return None
    values = {f.path: f.start for f in problem.free}
    for free, place in zip(trial.free, found.place.tolist(), strict=True):
        values[free.path] = free.from_scale(place)
    left = background.judge(trial.candidate(found.place), found)
    told = weigh(
        best.residual, found.residual, len(trial.free) - len(problem.free),
        problem.prepared.top_hz, confidence, only_noise=(not residue.mismatch, not left.mismatch),
    )  # fmt: skip
    return Rival(
        forecast.kind, rival, values.pop(rival.path),
        problem.free[forecast.held_back].path if forecast.held_back >= 0 else "",
        values, left, {-1: "better", 0: "equal", 1: "worse"}[told],
    )  # fmt: skip
