"""Fitting part values to a capture: least squares, intervals, and what cannot be told apart.

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
from dataclasses import dataclass, field, replace

import numpy as np

from vadist.captures.align import Alignment, align
from vadist.captures.capture import Capture
from vadist.captures.check import CheckSettings, Prepared, prepare
from vadist.captures.excitation import Answer, answers
from vadist.designs.design import Design
from vadist.errors import ConvergenceError, UsageError
from vadist.fitting.statistics import Unseen, certainty, width
from vadist.fitting.values import FreeValue, free_values
from vadist.measure.records import FloatArray

CONFIDENCE = 0.99
"""Of the intervals, if nothing else is asked for."""

_STEP = 1e-3
# Finite difference: 0.1 % of a value, 0.001 of a rotation. Renders are smooth far below that.

_WANDER_S = 2e-4
# How far the delay may move from where the first alignment found it.

_BELOW_RESIDUAL_DB = 35.0
# Noise averages out over some thousand samples, 33 dB; the render's error does not. The last steps
# are taken where its estimate is below the residual by more than that.

_MOST_EVALUATIONS = 60
_AT_BOUND = 1e-4


@dataclass(frozen=True)
class Estimate:
    """A fitted value.

    Attributes
    ----------
    free : FreeValue
    value : float
    low, high : float
        Interval at the report's confidence; the bounds of the fit if it is not identifiable.
    identifiable : bool
    at_bound : bool
    """

    free: FreeValue
    value: float
    low: float
    high: float
    identifiable: bool
    at_bound: bool


@dataclass(frozen=True)
class FitReport:
    """What a fit found.

    Attributes
    ----------
    design : Design
        With the fitted values.
    estimates : tuple of Estimate
    correlation : (values, values)
        NaN where a value is not identifiable.
    unseen : tuple of Unseen
    esr_before_db, esr_after_db : float
    error_estimate_db : float or None
        Numerical error of the render; a residual near it is arithmetic.
    confidence : float
    evaluations : int
    interrupted : bool
        Whether it was stopped; the values are the best until then.
    alignment : Alignment
    notes : tuple of str
    jacobian : (samples, values)
        At the best values, by logarithm (or position), alignment taken out.
    noise : float
        Deviation of the residual per independent sample, volts.
    """

    design: Design
    estimates: tuple[Estimate, ...]
    correlation: FloatArray = field(repr=False)
    unseen: tuple[Unseen, ...]
    esr_before_db: float
    esr_after_db: float
    error_estimate_db: float | None
    confidence: float
    evaluations: int
    interrupted: bool
    alignment: Alignment
    notes: tuple[str, ...]
    jacobian: FloatArray = field(repr=False)
    noise: float


@dataclass(frozen=True)
class Progress:
    """State after an evaluation."""

    evaluations: int
    esr_db: float
    values: tuple[tuple[FreeValue, float], ...]


@dataclass(frozen=True)
class _Evaluated:
    place: FloatArray
    residual: FloatArray
    jacobian: FloatArray
    alignment: Alignment
    answer: Answer

    @property
    def cost(self) -> float:
        return float(self.residual @ self.residual)


class _Problem:
    """Residuals and Jacobians of candidates, remembering the best."""

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
        self.oversample, self.wanted_error_db = settings.oversample, math.inf
        self.time_s, self.target = prepared.time_s, prepared.measured.at(prepared.time_s)
        self.power = float(np.sum((self.target - self.target.mean()) ** 2))
        self.freedom = prepared.freedom
        self.evaluations = 0
        self.first: _Evaluated | None = None
        self.best: _Evaluated | None = None
        self._last: _Evaluated | None = None

    def candidate(self, place: FloatArray) -> Design:
        """Return the design at a place."""
        design = self.design
        for free, x in zip(self.free, place, strict=True):
            design = free.put(
                design, float(np.clip(free.from_scale(float(x)), free.low, free.high))
            )
        return design

    def esr_db(self, at: _Evaluated) -> float:
        """Error-to-signal ratio."""
        return 10.0 * math.log10(max(at.cost, 1e-300) / self.power)

    def evaluate(self, place: FloatArray) -> _Evaluated:
        """Residual and Jacobian at a place."""
        if self._last is not None and np.array_equal(place, self._last.place):
            return self._last
        steps = [
            -_STEP if x + _STEP > free.to_scale(free.high) else _STEP
            for free, x in zip(self.free, place, strict=True)
        ]
        moved = [place + h * np.eye(len(place))[k] for k, h in enumerate(steps)]
        designs = [self.candidate(place), *(self.candidate(p) for p in moved)]
        found = answers(
            designs, self.prepared.excitation, self.prepared.top_hz, oversample=self.oversample,
            wanted_error_db=self.wanted_error_db, ac_corner_hz=self.settings.ac_corner_hz,
            threads=self.threads,
        )  # fmt: skip
        self.oversample = found[0].oversample
        wave = found[0].wave
        span = (float(self.time_s[0]), float(self.time_s[-1]))
        alignment = align(self.prepared.measured, wave, self.freedom, self.prepared.top_hz, span)
        if self.first is None:
            self._settle(alignment, found[0])
        base = alignment.apply(wave, self.time_s)
        columns = [
            (alignment.apply(a.wave, self.time_s) - base) / h
            for a, h in zip(found[1:], steps, strict=True)
        ]
        jacobian = np.stack(columns, axis=1)
        tangents = _tangents(alignment, found[0], self.time_s, self.freedom.clock_ppm > 0.0)
        basis, _ = np.linalg.qr(tangents)
        jacobian = jacobian - basis @ (basis.T @ jacobian)
        residual = base - self.target
        residual -= residual.mean()
        now = _Evaluated(place.copy(), residual, jacobian, alignment, found[0])
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


def fit_design(
    capture: Capture,
    design: Design,
    free: Sequence[str],
    source: Capture | None = None,
    settings: CheckSettings | None = None,
    *,
    confidence: float = CONFIDENCE,
    threads: int = 2,
    progress: Callable[[Progress], None] = lambda state: None,
) -> FitReport:
    """Fit values of a design to a capture.

    Parameters
    ----------
    capture : Capture
    design : Design
        Where to start.
    free : sequence of str
        What may vary, see :mod:`vadist.fitting.values`.
    source : Capture, optional
        What drove the board; by default the capture's input channel.
    settings : CheckSettings, optional
    confidence : float
        Of the intervals, between 0 and 1.
    threads : int
    progress : called after every evaluation
        A :class:`KeyboardInterrupt` out of it, or from the keyboard, ends the fit with the best
        values so far.

    Raises
    ------
    UsageError, DesignError, CaptureError
        If something cannot be fitted.
    ConvergenceError
        If the circuit cannot be solved at the start.
    """
    if not 0.0 < confidence < 1.0:
        raise UsageError(f"confidence must be between 0 and 1 (got {confidence:g})")
    settings = settings or CheckSettings()
    values = free_values(design, free)
    prepared = prepare(capture, settings, source)
    problem = _Problem(prepared, design, values, settings, threads, progress)
    interrupted = _search(problem)
    if problem.best is None or problem.first is None:
        raise KeyboardInterrupt
    return _report(problem, problem.first, problem.best, confidence, interrupted)


def _search(problem: _Problem) -> bool:
    """Minimise; whether it was interrupted."""
    from scipy.optimize import least_squares

    start = np.zeros(len(problem.free))
    bounds = (
        np.array([f.to_scale(f.low) for f in problem.free]) - 1e-9,
        np.array([f.to_scale(f.high) for f in problem.free]) + 1e-9,
    )

    def residual(place: FloatArray) -> FloatArray:
        try:
            return problem.evaluate(place).residual
        except ConvergenceError:
            # Such a step is too far: a cost that is never accepted.
            size = 1e3 * math.sqrt(problem.power / len(problem.target))
            return np.full(len(problem.target), size)

    def descend(place: FloatArray) -> None:
        least_squares(
            residual, place, lambda at: problem.evaluate(at).jacobian, bounds, x_scale=1.0,
            ftol=1e-9, xtol=1e-6, gtol=None, max_nfev=_MOST_EVALUATIONS,
        )  # fmt: skip

    try:
        problem.evaluate(start)
        descend(start)
        descend(problem.sharpen())
    except KeyboardInterrupt:
        return True
    return False


def _report(
    problem: _Problem, first: _Evaluated, best: _Evaluated, confidence: float, interrupted: bool
) -> FitReport:
    free = problem.free
    paths = [f.path for f in free]
    sure = certainty(best.jacobian, best.residual, paths, problem.prepared.top_hz, confidence)
    named = {path for direction in sure.unseen for path in direction.paths}
    deviation = np.sqrt(np.maximum(np.diag(sure.covariance), 0.0))
    estimates = []
    for f, place, sigma in zip(free, best.place.tolist(), deviation.tolist(), strict=True):
        seen = f.path not in named
        reach = width(confidence) * sigma
        low, high = f.from_scale(place - reach), f.from_scale(place + reach)
        estimates.append(
            Estimate(
                f, _rounded(min(max(f.from_scale(place), f.low), f.high)),
                low if seen else f.low, high if seen else f.high, seen,
                min(place - f.to_scale(f.low), f.to_scale(f.high) - place) < _AT_BOUND,
            )
        )  # fmt: skip
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = sure.covariance / np.outer(deviation, deviation)
    hidden = [k for k, path in enumerate(paths) if path in named]
    correlation[hidden, :] = correlation[:, hidden] = np.nan
    fitted = problem.design
    for e in estimates:
        fitted = e.free.put(fitted, e.value)
    return FitReport(
        fitted, tuple(estimates), correlation, sure.unseen,
        problem.esr_db(first), problem.esr_db(best), best.answer.error_db, confidence,
        problem.evaluations, interrupted, best.alignment,
        tuple(_notes(problem, estimates, best)), best.jacobian, sure.noise,
    )  # fmt: skip


def _rounded(value: float) -> float:
    """Five figures: what a design file shows, and far below any interval."""
    return float(f"{value:.5g}")


def _notes(problem: _Problem, estimates: list[Estimate], best: _Evaluated) -> list[str]:
    after = problem.esr_db(best)
    notes = list(problem.prepared.notes)
    for e in estimates:
        if e.at_bound:
            notes.append(f"{e.free.path} stopped at its bound, {e.free.write(e.value)}")
    if best.alignment.at_bound:
        notes.append(f"alignment: {' and '.join(best.alignment.at_bound)} stopped at the bound")
    numerical = best.answer.error_db
    if numerical is not None and after < numerical + 6.0:
        notes.append(
            f"what is left ({after:.1f} dB) is near the render's own error ({numerical:.1f} dB): "
            "the intervals are no smaller than arithmetic allows; raise --oversample"
        )
    return notes
