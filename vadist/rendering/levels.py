"""How loud a render is, and the gain that brings one or several of them to a wanted level."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.loudness import MOST_CHANNELS, LoudnessMeter, gated_loudness
from vadist.measure.true_peak import CEILING_DBTP, TruePeakMeter

SILENT_V = 1e-9
"""A silent take leaves rounding of about 1e-14 V, which must not be scaled up to full scale."""


@dataclass(frozen=True)
class Level:
    """How loud something is.

    Attributes
    ----------
    peak_v : float
        Largest magnitude, volts.
    powers : (blocks,)
        Mean squares of its gating blocks, full scale 1; none where loudness is not measured.
    true_peak_dbtp : float
        -inf for silence; NaN where it is not measured.
    """

    peak_v: float
    powers: FloatArray
    true_peak_dbtp: float

    def loudness(self, gain: float = 1.0) -> float | None:
        """LUFS behind a gain; None of what is silent, too short or not measured."""
        found = gated_loudness(self.powers * gain**2)
        return found if math.isfinite(found) else None

    def true_peak(self, gain: float = 1.0) -> float | None:
        """DBTP behind a gain; None of silence and of what is not measured."""
        found = self.true_peak_dbtp + 20.0 * math.log10(gain)
        return found if math.isfinite(found) else None


class LevelMeter:
    """Level of what comes in pieces.

    Parameters
    ----------
    sample_rate_hz : float
    channels : int
        Loudness knows at most five; of more it is not measured.
    full_scale_v : float
    true_peaks : bool
        Whether to measure them: it takes some hundredths of a render's time.
    """

    def __init__(
        self, sample_rate_hz: float, channels: int, full_scale_v: float, *, true_peaks: bool
    ) -> None:
        known = channels <= MOST_CHANNELS
        self._loudness = LoudnessMeter(sample_rate_hz, channels) if known else None
        self._peaks = TruePeakMeter(sample_rate_hz, channels) if true_peaks else None
        self._full_scale_v = full_scale_v
        self._peak_v = 0.0

    def add(self, volts: FloatArray) -> None:
        """Take the next piece, (frames, channels) volts."""
        self._peak_v = max(self._peak_v, float(np.abs(volts).max(initial=0.0)))
        for meter in (self._loudness, self._peaks):
            if meter is not None:
                meter.add(volts / self._full_scale_v)

    def level(self) -> Level:
        """Level of all that was added; nothing can be added afterwards."""
        return Level(
            self._peak_v,
            np.zeros(0) if self._loudness is None else self._loudness.powers(),
            math.nan if self._peaks is None else self._peaks.dbtp(),
        )


def level_of(
    blocks: Iterable[FloatArray], sample_rate_hz: float, channels: int, full_scale_v: float
) -> Level:
    """Level of volts in blocks, true peaks included."""
    meter = LevelMeter(sample_rate_hz, channels, full_scale_v, true_peaks=True)
    for block in blocks:
        meter.add(block)
    return meter.level()


@dataclass(frozen=True)
class Gain:
    """What normalising comes to.

    Attributes
    ----------
    factor : float
    missed_db : float
        How far true peaks keep the loudness below the wanted one.
    """

    factor: float = 1.0
    missed_db: float = 0.0


def normalising_gain(
    levels: Sequence[Level], full_scale_v: float, normalise: tuple[str, float]
) -> Gain:
    """One gain that brings all of some renders, taken together, to a peak or a loudness.

    Their loudness together is that of one after the other: the gating blocks of all in one row.
    The loudest true peak of any stays at or below the ceiling.

    Parameters
    ----------
    levels : sequence of Level
    full_scale_v : float
        Of the outputs.
    normalise : tuple of (kind, level)

    Raises
    ------
    UsageError
        If all are silent, or too quiet or short to measure.
    """
    kind, wanted = normalise
    peak_v = max(level.peak_v for level in levels)
    what = "render" if len(levels) == 1 else "session"
    if peak_v < SILENT_V:
        raise UsageError(f"a silent {what} cannot be normalised")
    if kind == "peak":
        return Gain(float(10.0 ** (wanted / 20.0) * full_scale_v / peak_v))
    loudness = gated_loudness(np.concatenate([level.powers for level in levels]))
    if not math.isfinite(loudness):
        raise UsageError(f"the {what} is too quiet or too short to measure its loudness")
    wanted_db = wanted - loudness
    room_db = CEILING_DBTP - max(level.true_peak_dbtp for level in levels)
    gain_db = min(wanted_db, room_db)
    return Gain(float(10.0 ** (gain_db / 20.0)), wanted_db - gain_db)
