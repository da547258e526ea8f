"""What a surveyed render is judged by: its kept passages, run again by other methods."""

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.pool import stoppable_pool
from vadist.rendering.method import MOST_OVERSAMPLE, Method, factors
from vadist.rendering.passages import (
    Passages,
    StatedError,
    Survey,
    corrected,
    heard_again,
    passage_frames,
)
from vadist.stepping.batch import StepError
from vadist.stepping.circuit import Circuit
from vadist.stepping.power_up import PowerUp

_IN_HAND_DB = 2.0
# A wanted accuracy is to be met by this more: what a stated figure may be too good by.

_LEFT = 4.0 / 3.0
# An error that falls to a quarter at twice the rates is so much larger than their difference.

_SHARPER_GAINS_DB = 18.0
# The most that twice the steps of some sections can lower an error by: that of the third order.

_MATTERS_DB = 6.0
# What twice the steps move is left alone if it is below the wanted error by so much.


class Judge:
    """Errors of methods on the passages that a survey kept.

    Parameters
    ----------
    circuits : callable
        Every candidate's circuit as a method wants it.
    surveyed : Method
        By which the surveys were made.
    surveys : sequence of Survey, one a candidate
    window : callable (first, last) -> (frames, channels) volts
        The take.
    sample_rate_hz : float
    threads : int
    power : sequence of PowerUp
        The candidates as they are switched on, if the take begins so.
    """

    def __init__(
        self,
        circuits: Callable[[Method], list[Circuit]],
        surveyed: Method,
        surveys: Sequence[Survey],
        window: Callable[[int, int], FloatArray],
        sample_rate_hz: float,
        threads: int,
        power: Sequence[PowerUp] = (),
    ) -> None:
        self.circuits, self.surveyed, self.surveys = circuits, surveyed, surveys
        self.window, self.sample_rate_hz, self.threads = window, sample_rate_hz, threads
        self._grain, self._power = passage_frames(sample_rate_hz), power
        kept = [np.zeros((0, self._grain)) if p is None else p.volts for p in self._kept()]
        self._heard: dict[Method, list[FloatArray]] = {surveyed: kept}

    def judged(self, method: Method) -> list[StatedError]:
        """Error of a method on every candidate, from the passages the survey kept."""
        coarse, finer = self._again(method), self._again(method.finer)
        errors = [_LEFT * (a - b) for a, b in zip(coarse, finer, strict=True)]
        finest = method.finer.finer
        few = [s.few(e) for s, e in zip(self.surveys, errors, strict=True)]
        if finest.oversample <= MOST_OVERSAMPLE and any(len(chosen) for chosen in few):
            for k, best in enumerate(self._heard_by(finest, few)):
                chosen = few[k]
                errors[k] = corrected(errors[k], chosen, coarse[k][chosen] - best)
        return [
            survey.stated(error, self.sample_rate_hz)
            for survey, error in zip(self.surveys, errors, strict=True)
        ]

    def chosen(self, accuracy_db: float) -> tuple[Method, list[StatedError]]:
        """The cheapest method that meets a wanted error on every candidate, and its errors.

        Raises
        ------
        UsageError
            If none does.
        """
        wanted_db, best_db, best = accuracy_db - _IN_HAND_DB, math.inf, self.surveyed
        for factor in factors(self.sample_rate_hz):
            for sharpen in (False, True):
                method = Method(factor)
                if sharpen:
                    if best_db > wanted_db + _SHARPER_GAINS_DB:
                        continue
                    method = self._sharper(method, wanted_db)
                stated = self.judged(method)
                worst_db = _worst_db(stated)
                if worst_db <= wanted_db:
                    return method, stated
                if worst_db < best_db:
                    best_db, best = worst_db, method
        raise UsageError(
            f"accuracy {accuracy_db:g} dB is out of reach: "
            f"the best estimate, {best}, is {best_db:.1f} dB"
        )

    def _sharper(self, method: Method, wanted_db: float) -> Method:
        """The method with twice the steps in sections that more steps make better by enough."""
        bent = {
            section.stages
            for circuit in self.circuits(method)
            for section in circuit.sections
            if section.kinds
        }
        usual, found = self._again(method), []
        for block in sorted(bent):
            other = self._again(Method(method.oversample, (block,)))
            moved = [a - b for a, b in zip(usual, other, strict=True)]
            told = [
                survey.stated(error, self.sample_rate_hz)
                for survey, error in zip(self.surveys, moved, strict=True)
            ]
            if _worst_db(told) > wanted_db - _MATTERS_DB:
                found.append(block)
        return Method(method.oversample, tuple(found))

    def _again(self, method: Method) -> list[FloatArray]:
        """Output of every candidate's kept passages by a method."""
        if method not in self._heard:
            self._heard[method] = self._heard_by(method)
        return self._heard[method]

    def _heard_by(
        self, method: Method, only: list[NDArray[np.int_]] | None = None
    ) -> list[FloatArray]:
        kept, found = self._kept(), [np.zeros((0, self._grain))] * len(self.surveys)
        if only is not None:
            kept = [p.only(c) if p and len(c) else None for p, c in zip(kept, only, strict=True)]
        circuits, stood = self.circuits(method), self.circuits(self.surveyed)
        with stoppable_pool(self.threads) as pool:
            for group in alike(circuits):
                audible = [(k, passages) for k in group if (passages := kept[k]) is not None]
                if not audible:
                    continue
                numbers = [k for k, _ in audible]
                try:
                    volts = heard_again(
                        [p for _, p in audible], [circuits[k] for k in numbers],
                        [stood[k] for k in numbers], self.window, self.sample_rate_hz, pool,
                        self._power and [self._power[k] for k in numbers],
                    )  # fmt: skip
                except StepError as error:
                    raise named(error, numbers, len(self.surveys)) from None
                for k, each in zip(numbers, volts, strict=True):
                    found[k] = each
        return found

    def _kept(self) -> list[Passages | None]:
        return [survey.kept for survey in self.surveys]


def alike(circuits: Sequence[Circuit]) -> list[list[int]]:
    """Candidates grouped by structure, so that each group runs as lanes of one batch."""
    groups: dict[object, list[int]] = {}
    for k, circuit in enumerate(circuits):
        groups.setdefault(circuit.likeness, []).append(k)
    return list(groups.values())


def named(error: StepError, group: Sequence[int], candidates: int) -> StepError:
    """An error of a lane of a group, with the candidate named if there are several."""
    number = group[error.lane]
    several = f" of candidate {number + 1}" if candidates > 1 else ""
    return error.seen_from(number, 0.0, several) if several else error


def _worst_db(stated: Sequence[StatedError]) -> float:
    """Largest of the candidates' errors; of silence none."""
    return max((s.whole_db for s in stated if s.whole_db is not None), default=-math.inf)
