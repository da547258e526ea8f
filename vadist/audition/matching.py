"""Level matching: the same loudness for every track, so that louder does not pass for better."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.loudness import BLOCK_S, loudness_near, rms_db
from vadist.measure.true_peak import true_peak_dbtp

LOUDNESS = "ITU-R BS.1770 loudness"
RMS = "rms level"

DEFAULT_LEVEL = -18.0
"""Common level aimed at, LUFS: room above for peaks (common practice, no published source)."""

CEILING_DBTP = -1.0
"""Highest true peak (EBU R 128, maximum permitted true peak level in production)."""

SILENCE_V = 1e-6
"""A track whose peak stays below a microvolt is silent: circuits make more noise than that."""


@dataclass(frozen=True)
class LevelMatch:
    """How tracks came to one level.

    Attributes
    ----------
    measure : str
        :data:`LOUDNESS`, or :data:`RMS` for takes shorter than one gating block of 400 ms.
    before : tuple of float
        Level of each track as it came, LUFS or dB relative to an rms of 1.
    gains_db : tuple of float
        Gain each track is to get.
    level : float
        Level all have then.
    lowered_db : float
        How far all were lowered alike to keep the highest true peak at the ceiling; >= 0.
    true_peaks_dbtp : tuple of float
        After the gain.
    """

    measure: str
    before: tuple[float, ...]
    gains_db: tuple[float, ...]
    level: float
    lowered_db: float
    true_peaks_dbtp: tuple[float, ...]

    @property
    def unit(self) -> str:
        """Unit of :attr:`level` and :attr:`before`."""
        return "LUFS" if self.measure == LOUDNESS else "dB rms"


def match_levels(
    tracks: Sequence[FloatArray],
    names: Sequence[str],
    sample_rate_hz: float,
    level: float = DEFAULT_LEVEL,
    ceiling_dbtp: float = CEILING_DBTP,
) -> LevelMatch:
    """Find gains that bring tracks to one loudness.

    Parameters
    ----------
    tracks : sequence of (frames, channels)
        Of one length.
    names : sequence of str
        For messages.
    sample_rate_hz : float
    level : float
        Aim, LUFS (or dB rms for a short take).
    ceiling_dbtp : float
        No true peak shall pass it; if one would, all tracks come lower alike.

    Returns
    -------
    LevelMatch

    Raises
    ------
    UsageError
        If a track is silent.

    Notes
    -----
    The absolute gate of BS.1770 at -70 LUFS is meant for programmes at listening level; a pedal's
    output in volts may lie below it. Each track is therefore measured near the common level.

    Examples
    --------
    >>> t = np.arange(48000)[:, None] / 48e3
    >>> tone = np.sin(2 * np.pi * 997.0 * t)
    >>> match = match_levels([tone, 0.1 * tone], ["loud", "soft"], 48e3)
    >>> [round(gain, 1) for gain in match.gains_db], match.lowered_db
    ([-15.0, 5.0], 0.0)
    """
    for track, name in zip(tracks, names, strict=True):
        if float(np.abs(track).max(initial=0.0)) < SILENCE_V:
            raise UsageError(
                f"{name}: is silent (peak below 1 uV), and silence has no level to match; "
                "leave it out or raise the level"
            )
    long_enough = len(tracks[0]) >= BLOCK_S * sample_rate_hz
    before = [loudness_near(t, sample_rate_hz, level) if long_enough else rms_db(t) for t in tracks]
    gains = [level - value for value in before]
    peaks = [
        true_peak_dbtp(track, sample_rate_hz) + gain
        for track, gain in zip(tracks, gains, strict=True)
    ]
    lowered = max(0.0, max(peaks) - ceiling_dbtp)
    return LevelMatch(
        LOUDNESS if long_enough else RMS,
        tuple(before),
        tuple(gain - lowered for gain in gains),
        level - lowered,
        lowered,
        tuple(peak - lowered for peak in peaks),
    )
