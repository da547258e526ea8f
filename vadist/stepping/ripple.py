"""The ripple of the supply: a sine that comes in beside the take.

It begins with the take, at phase zero, and is told by the number of a sample alone, so that it is
the same sine in whatever spans, segments and blocks a take is rendered.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.errors import DesignError


@dataclass(frozen=True)
class Sine:
    """A sine on the ideal supply.

    Attributes
    ----------
    peak_v, frequency_hz : float
    """

    peak_v: float
    frequency_hz: float

    def volts(self, first: int, count: int, sample_rate_hz: float) -> FloatArray:
        """Samples from the ``first`` on, counted from the start of the take; (count,).

        A coarse rate, at which a warm-up begins, may not be able to tell it: it is still there.
        """
        if self.frequency_hz >= sample_rate_hz / 2.0:
            return np.zeros(count)
        number = np.arange(first, first + count, dtype=float)
        cycles = np.maximum(number, 0.0) * (self.frequency_hz / sample_rate_hz) % 1.0
        return np.asarray(self.peak_v * np.sin(2.0 * math.pi * cycles))


def refuse_unsampled(sample_rate_hz: float, sines: Sequence[Sine | None]) -> None:
    """Refuse ripples that samples at a rate cannot tell.

    Raises
    ------
    DesignError
    """
    half_hz = sample_rate_hz / 2.0
    for sine in sines:
        if sine is not None and sine.frequency_hz >= half_hz:
            raise DesignError(
                f"supply.ripple of {sine.frequency_hz:g} Hz must be below half the oversampled "
                f"rate, {half_hz:g} Hz; a larger oversample would do"
            )


class Ripples:
    """The ripples of all lanes, those that are alike once.

    Parameters
    ----------
    sines : sequence of Sine or None
        One a lane.
    begins : sequence of int or None
        Sample of the take that each lane begins with; None for a supply that is still.
    sample_rate_hz : float
        Of the samples.

    Attributes
    ----------
    columns : (lanes,)
        Column of a block that each lane hears.
    """

    def __init__(
        self, sines: Sequence[Sine | None], begins: Sequence[int] | None, sample_rate_hz: float
    ) -> None:
        still = begins is None
        every = [
            (None if still else sine, begin)
            for sine, begin in zip(sines, begins or [0] * len(sines), strict=True)
        ]
        self._unlike = list(dict.fromkeys(every))
        self._rate_hz = sample_rate_hz
        self.columns: IndexArray = np.array([self._unlike.index(key) for key in every])

    def block(self, first: int, count: int, real: type) -> FloatArray:
        """Volts of a block whose first sample is so many behind where each lane began.

        Returns
        -------
        (count, columns)
        """
        found: FloatArray = np.zeros((count, len(self._unlike)), dtype=real)
        for column, (sine, begin) in enumerate(self._unlike):
            if sine is not None:
                found[:, column] = sine.volts(begin + first, count, self._rate_hz)
        return found
