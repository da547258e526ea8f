"""Fitting part values to a capture: values, intervals, and whether the model explains what is left.

The search is in :mod:`vadist.fitting.problem`; what it leaves is judged against noise and
arithmetic, other explanations are tried, and intervals allow for both.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from vadist.captures.align import Alignment
from vadist.captures.capture import Capture
from vadist.captures.check import CheckSettings, prepare
from vadist.designs.design import Design
from vadist.errors import UsageError
from vadist.fitting.intervals import Estimate, estimates, moved_values
from vadist.fitting.problem import Evaluated, Problem, Progress
from vadist.fitting.residual import Background, Residue
from vadist.fitting.rivals import Rival, find_rivals
from vadist.fitting.statistics import Certainty, Unseen, certainty
from vadist.fitting.values import free_values
from vadist.measure.records import FloatArray

CONFIDENCE = 0.99
"""Of the intervals, if nothing else is asked for."""


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
    residue : Residue
        What is left, against noise and arithmetic, and where it lives.
    rivals : tuple of Rival
        Other explanations; none if the fit was interrupted, or moved nothing and left only noise.
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
    residue: Residue
    rivals: tuple[Rival, ...]
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


def fit_design(
    capture: Capture,
    design: Design,
    free: Sequence[str],
    source: Capture | None = None,
    settings: CheckSettings | None = None,
    *,
    confidence: float = CONFIDENCE,
    threads: int | None = None,
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
    threads : int, optional
        All cores by default.
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
    problem = Problem(prepared, design, values, settings, threads or os.cpu_count() or 1, progress)
    interrupted = problem.search()
    if problem.best is None or problem.first is None:
        raise KeyboardInterrupt
    best = problem.best
    paths = [f.path for f in values]
    sure = certainty(best.jacobian, best.residual, paths, prepared.top_hz, confidence)
    background = Background(capture, source, problem)
    residue = background.judge(problem.candidate(best.place), best)
    rivals: tuple[Rival, ...] = ()
    if not interrupted:
        moved = moved_values(problem, best, sure, confidence)
        try:
            rivals = find_rivals(problem, best, moved, background, residue, confidence)
        except KeyboardInterrupt:
            interrupted = True
    found = estimates(problem, best, sure, residue, rivals, confidence)
    fitted = design
    for e in found:
        fitted = e.free.put(fitted, e.value)
    return FitReport(
        fitted, found, _correlation(sure, paths), sure.unseen, residue, rivals,
        problem.esr_db(problem.first), problem.esr_db(best), best.answer.error_db, confidence,
        problem.evaluations, interrupted, best.alignment,
        tuple(_notes(problem, found, best)), best.jacobian, sure.noise,
    )  # fmt: skip


def _correlation(sure: Certainty, paths: list[str]) -> FloatArray:
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = sure.covariance / np.outer(sure.deviations, sure.deviations)
    named = {path for direction in sure.unseen for path in direction.paths}
    hidden = [k for k, path in enumerate(paths) if path in named]
    correlation[hidden, :] = correlation[:, hidden] = np.nan
    return np.asarray(correlation)


def _notes(problem: Problem, found: Sequence[Estimate], best: Evaluated) -> list[str]:
    after = problem.esr_db(best)
    notes = list(problem.prepared.notes)
    for e in found:
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
