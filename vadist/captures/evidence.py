"""Whether a comparison shows enough to be judged at all."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from vadist.captures.align import Alignment
from vadist.captures.compare import Figures
from vadist.captures.waveform import GRID, Waveform, grid_times
from vadist.measure.records import FloatArray

LEAST_RECOGNISED = 0.6
LEAST_AGREEMENT = 0.8
"""Choices, from ``tests/studies/alignments.py`` and ``tests/studies/evidence.py``: right boards at
20 dB of signal to noise and better stand above them, captures of something else below."""

_SURE_DB = -15.0
# An error this small is no accident: the alignment that gives it needs no further proof.

LEAST_OVERLAP = 0.5
"""Of the model's energy, against the most that a capture of that length could hold of it."""

MOST_NOISE_DB = -10.0
LEAST_COHERENCE = 0.5
"""Half of the model's power, frequency by frequency, is found in the capture."""

_SEGMENTS = 12
_LONGEST_SEGMENT = 4096


class Verdict(StrEnum):
    """How a check ends."""

    PASS = "pass"
    FAIL = "fail"
    NOT_JUDGED = "could not be judged"
    NOT_ALIGNED = "could not be aligned"


@dataclass(frozen=True)
class Evidence:
    """What a verdict stands on.

    Attributes
    ----------
    recognised, agreement : float
        See :class:`~vadist.captures.align.Alignment`.
    overlap : float
        Share of the model's signal energy that the capture holds, of the most that a capture as
        long could hold.
    noise_db : float or None
        Of the capture, over the signal.
    coherence : float
        Magnitude-squared coherence of measured and modelled, weighted by the model's power.
    esr_db : float
    """

    recognised: float
    agreement: float
    overlap: float
    noise_db: float | None
    coherence: float
    esr_db: float

    @property
    def against_alignment(self) -> tuple[str, ...]:
        """Why delay and clock are not known; empty if they are."""
        if self.esr_db <= _SURE_DB:
            return ()
        if self.recognised < LEAST_RECOGNISED:
            return (
                f"the model's signal is not in the capture: its passages correlate by "
                f"{self.recognised:.2f} at best, {LEAST_RECOGNISED:g} is needed",
            )
        if self.agreement < LEAST_AGREEMENT:
            return (
                f"passages fit one by one, but no one delay and clock serves all: "
                f"{self.agreement:.0%} agree, {LEAST_AGREEMENT:.0%} are needed",
            )
        return ()

    @property
    def against_judging(self) -> tuple[str, ...]:
        """Why nothing can be said of the board; empty if something can."""
        found = []
        if self.overlap < LEAST_OVERLAP:
            found.append(
                f"the capture holds {self.overlap:.0%} of the signal that one as long could, "
                f"{LEAST_OVERLAP:.0%} is needed"
            )
        if self.noise_db is not None and self.noise_db > MOST_NOISE_DB:
            found.append(
                f"what the capture holds besides the signal stands at {self.noise_db:.1f} dB, "
                f"{MOST_NOISE_DB:g} dB is the most"
            )
        if self.coherence < LEAST_COHERENCE:
            found.append(
                f"coherence of measured and modelled is {self.coherence:.2f}, "
                f"{LEAST_COHERENCE:g} is needed"
            )
        return tuple(found)


def weigh(
    alignment: Alignment,
    model: Waveform,
    length: int,
    time_s: FloatArray,
    measured: FloatArray,
    predicted: FloatArray,
    figures: Figures,
    top_hz: float,
) -> Evidence:
    """Gather what a verdict stands on.

    Parameters
    ----------
    alignment : Alignment
    model : Waveform
    length : int
        Samples that the capture could have held of the model.
    time_s, measured, predicted : (samples,)
        What was compared.
    figures : Figures
    top_hz : float
    """
    return Evidence(
        alignment.recognised,
        alignment.agreement,
        _overlap(alignment, model, length, time_s, top_hz),
        figures.noise_db,
        _coherence(measured, predicted),
        figures.esr_db,
    )


def _overlap(
    alignment: Alignment, model: Waveform, length: int, time_s: FloatArray, top_hz: float
) -> float:
    wave = model.at(grid_times(model.seconds, top_hz)) - alignment.rest_v
    sums = np.concatenate([[0.0], np.cumsum(wave**2)])
    length = min(length, len(wave))
    most = float((sums[length:] - sums[: len(sums) - length]).max())
    ends = alignment.model_time(time_s[[0, -1]]) * GRID * top_hz + np.array([0.0, 1.0])
    first, last = np.clip(np.rint(ends), 0, len(wave)).astype(int)
    return float(sums[last] - sums[first]) / most if most > 0.0 else 0.0


def _coherence(measured: FloatArray, predicted: FloatArray) -> float:
    """Welch's estimate; twelve halves that overlap make 23 segments, so chance gives 0.06."""
    from scipy.signal import csd, welch

    length = int(min(max(len(measured) // _SEGMENTS, 16), _LONGEST_SEGMENT, len(measured)))
    power, own = (welch(x, nperseg=length)[1] for x in (measured, predicted))
    cross = np.abs(csd(measured, predicted, nperseg=length)[1]) ** 2
    total = float(own.sum())
    if total == 0.0:
        return 0.0
    return float(np.sum(cross / np.maximum(power, 1e-30 * power.sum())) / total)
