"""Residuals and Jacobians of candidates, and the search for the least residual.

The residual is the aligned model less the measurement over the band. Delay, clock, gain and offset
are found anew for every candidate, and their directions are taken out of the Jacobian (variable
projection), so that intervals allow for not knowing them. A candidate and its finite differences
are lanes of one render.

References
----------
G. Golub, V. Pereyra, SIAM Journal on Numerical Analysis 10(2), 1973 (variable projection; from
memory, not located).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vadist.captures.align import Alignment, align
from vadist.captures.check import CheckSettings, Prepared
from vadist.captures.excitation import Answer, answers
from vadist.designs.design import Design
from vadist.errors import ConvergenceError, UsageError
from vadist.fitting.values import FreeValue
from vadist.measure.records import FloatArray

_STEP = 1e-3
# Finite difference: 0.1 % of a value, 0.001 of a rotation. Renders are smooth far below that.

_WANDER_S = 2e-4
# How far the delay may move from where the first alignment found it.

_BELOW_RESIDUAL_DB = 35.0
# Noise averages out over some thousand samples, 33 dB; the render's error does not. The last steps
# are taken where its estimate is below the residual by more than that.

MOST_EVALUATIONS = 60


@dataclass(frozen=True)
class Progress:
    """State after an evaluation."""

    evaluations: int
    esr_db: float
    values: tuple[tuple[FreeValue, float], ...]


@dataclass(frozen=True)
class Evaluated:
    """A place, its residual and Jacobian, and what they come from."""

    place: FloatArray
    residual: FloatArray
    jacobian: FloatArray
    alignment: Alignment
    answer: Answer

    @property
    def cost(self) -> float:
        """Sum of squares of the residual."""
        return float(self.residual @ self.residual)


class Problem:
    """Residuals and Jacobians of candidates, remembering the best.

    Parameters
    ----------
    prepared : Prepared
    design : Design
        Where places are counted from.
    free : list of FreeValue
    settings : CheckSettings
    threads : int
    progress : called after every evaluation
    """

    def __init__(
        self,
        prepared: Prepared,
        design: Design,
        free: list[FreeValue],
        settings: CheckSettings,
        threads: int,
        progress: Callable[[Progress], None],
    ) -> None:
        self.prepared, self.design, self.free = prepared, design, free
        self.settings, self.threads, self.progress = settings, threads, progress
        self.oversample = settings.oversample
        self.wanted_error_db: float | None = None
        self.time_s, self.target = prepared.time_s, prepared.measured.at(prepared.time_s)
        self.power = float(np.sum((self.target - self.target.mean()) ** 2))
        self.freedom = prepared.freedom
        self.evaluations = 0
        self.settled = False
        self.first: Evaluated | None = None
        self.best: Evaluated | None = None
        self._last: Evaluated | None = None

    def with_free(self, free: list[FreeValue]) -> "Problem":
        """The same samples and arithmetic with other values free."""
        other = Problem(
            self.prepared, self.design, free, self.settings, self.threads, self.progress
        )
        other.time_s, other.target, other.power = self.time_s, self.target, self.power
        other.freedom, other.oversample, other.settled = self.freedom, self.oversample, True
        other.evaluations = self.evaluations
        return other

    def candidate(self, place: FloatArray) -> Design:
        """Return the design at a place."""
        design = self.design
        for free, x in zip(self.free, place, strict=True):
            design = free.put(
                design, float(np.clip(free.from_scale(float(x)), free.low, free.high))
            )
        return design

    def esr_db(self, at: Evaluated) -> float:
        """Error-to-signal ratio."""
        return self.level_db(at.cost)

    def level_db(self, energy: float) -> float:
        """Energy of a residual over the signal's."""
        return 10.0 * math.log10(max(energy, 1e-300) / self.power)

    def render(self, designs: Sequence[Design]) -> list[Answer]:
        """Answers of designs, at the rate of this problem from the second time on."""
        found = answers(
            designs, self.prepared.excitation, self.prepared.top_hz, oversample=self.oversample,
            wanted_error_db=self.wanted_error_db, ac_corner_hz=self.settings.ac_corner_hz,
            threads=self.threads,
        )  # fmt: skip
        self.oversample = found[0].oversample
        return found

    def evaluate(self, place: FloatArray) -> Evaluated:
        """Residual and Jacobian at a place."""
        if self._last is not None and np.array_equal(place, self._last.place):
            return self._last
        steps = [step_of(free, x) for free, x in zip(self.free, place.tolist(), strict=True)]
        moved = [place + h * np.eye(len(place))[k] for k, h in enumerate(steps)]
        designs = [self.candidate(place), *(self.candidate(p) for p in moved)]
        found = self.render(designs)
        wave = found[0].wave
        span = (float(self.time_s[0]), float(self.time_s[-1]))
        alignment = align(self.prepared.measured, wave, self.freedom, self.prepared.top_hz, span)
        if not self.settled:
            self._settle(alignment, found[0])
        base = alignment.apply(wave, self.time_s)
        columns = [
            (alignment.apply(a.wave, self.time_s) - base) / h
            for a, h in zip(found[1:], steps, strict=True)
        ]
        jacobian = self.unaligned(np.stack(columns, axis=1), alignment, found[0])
        residual = base - self.target
        residual -= residual.mean()
        now = Evaluated(place.copy(), residual, jacobian, alignment, found[0])
        self._last = now
        self.first = self.first or now
        if self.best is None or now.cost < self.best.cost:
            self.best = now
        self.evaluations += 1
        values = tuple(
            (free, free.from_scale(float(x))) for free, x in zip(self.free, place, strict=True)
        )
        self.progress(Progress(self.evaluations, self.esr_db(now), values))
        return now

    def unaligned(self, columns: FloatArray, alignment: Alignment, answer: Answer) -> FloatArray:
        """Columns less what the alignment could make of them."""
        tangents = _tangents(alignment, answer, self.time_s, self.freedom.clock_ppm > 0.0)
        basis, _ = np.linalg.qr(tangents)
        return np.asarray(columns - basis @ (basis.T @ columns))

    def sharpen(self) -> FloatArray:
        """Render finer from here on, so that arithmetic moves no value; the best place so far."""
        best = self.best
        assert best is not None
        if self.settings.oversample is None:
            self.oversample, self._last, self.best = None, None, None
            self.wanted_error_db = self.esr_db(best) - _BELOW_RESIDUAL_DB
        try:
            self.evaluate(best.place)
        except BaseException:
            self.best = self.best or best
            raise
        return best.place

    def descend(
        self, start: FloatArray, most: int = MOST_EVALUATIONS, tolerance: float = 1e-9
    ) -> None:
        """Least squares from a place, within the bounds, until the cost falls by no more."""
        from scipy.optimize import least_squares

        bounds = (
            np.array([f.to_scale(f.low) for f in self.free]) - 1e-9,
            np.array([f.to_scale(f.high) for f in self.free]) + 1e-9,
        )

        def residual(place: FloatArray) -> FloatArray:
            try:
                return self.evaluate(place).residual
            except ConvergenceError:
                # Such a step is too far: a cost that is never accepted.
                size = 1e3 * math.sqrt(self.power / len(self.target))
                return np.full(len(self.target), size)

        least_squares(
            residual, np.clip(start, *bounds), lambda at: self.evaluate(at).jacobian, bounds,
            x_scale=1.0, ftol=tolerance, xtol=1e-6, gtol=None, max_nfev=most,
        )  # fmt: skip

    def search(self) -> bool:
        """Minimise from where the design stands; whether it was interrupted."""
        start = np.zeros(len(self.free))
        try:
            self.evaluate(start)
            self.descend(start)
            self.descend(self.sharpen())
        except KeyboardInterrupt:
            return True
        return False

    def _settle(self, alignment: Alignment, answer: Answer) -> None:
        """Keep to the stretch and the delay that the first alignment found."""
        low, high = alignment.delay_s - _WANDER_S, alignment.delay_s + _WANDER_S
        allowed = self.freedom.delay_s
        self.freedom = replace(
            self.freedom, sign=alignment.sign, delay_s=(max(low, allowed[0]), min(high, allowed[1]))
        )
        at = alignment.model_time(self.time_s)
        inside = at <= answer.wave.seconds - _WANDER_S
        if self.prepared.excitation.same_record:
            inside &= at >= _WANDER_S
        self.time_s, self.target = self.time_s[inside], self.target[inside]
        if len(self.time_s) < 16 + 4 * len(self.free):
            raise UsageError(f"{self.prepared.name}: too short to fit {len(self.free)} values")
        self.power = float(np.sum((self.target - self.target.mean()) ** 2))
        self.settled = True


def step_of(free: FreeValue, place: float) -> float:
    """Finite difference at a place, away from the upper bound."""
    return -_STEP if place + _STEP > free.to_scale(free.high) else _STEP


def _tangents(alignment: Alignment, answer: Answer, time_s: FloatArray, clock: bool) -> FloatArray:
    """How the prediction moves with what the alignment has found."""
    at = alignment.model_time(time_s)
    slope = answer.wave.slope_at(at)
    columns = {"delay": slope}
    if clock:
        columns["clock"] = slope * (time_s - time_s.mean())
    columns["gain"] = answer.wave.at(at) - alignment.rest_v
    free = [c for name, c in columns.items() if name not in alignment.at_bound]
    free.append(np.ones(len(time_s)))
    return np.stack([c / max(float(np.linalg.norm(c)), 1e-300) for c in free], axis=1)
