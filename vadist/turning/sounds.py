"""What of a loop is sent to the ear: its volts with a gain, and a seam that does not click."""

import math
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.audition.matching import CEILING_DBTP, SILENCE_V
from vadist.measure.loudness import BLOCK_S, loudness_near, rms_db
from vadist.measure.true_peak import true_peak_dbtp

LEVEL_LUFS = -23.0
"""Common loudness: the programme level of EBU R 128, 22 dB under the highest true peak, so that
hardly any loop must come lower than another."""

SEAM_FADE_S = 0.004
"""Fade at either end of the loop: where it begins again there is no step to click."""


@dataclass(frozen=True)
class Sound:
    """A loop for the ear.

    Attributes
    ----------
    volts : (frames, channels)
        Faded at both ends.
    loudness : float
        LUFS relative to 1 V peak, dB rms of a loop too short for that; -inf for silence.
    true_peak_db : float
        Relative to 1 V.
    """

    volts: FloatArray
    loudness: float
    true_peak_db: float

    def gain_db(self, reference: "Sound", *, matched: bool) -> tuple[float, float]:
        """Gain from volts to full scale, and how far below the wanted one the guard holds it.

        Parameters
        ----------
        reference : Sound
            Its gain is everybody's where levels are not matched.
        matched : bool
        """
        told = self if matched and math.isfinite(self.loudness) else reference
        wanted = LEVEL_LUFS - told.loudness if math.isfinite(told.loudness) else 0.0
        given = min(wanted, CEILING_DBTP - self.true_peak_db)
        return given, wanted - given


def sound_of(volts: FloatArray, sample_rate_hz: float) -> Sound:
    """Make a loop ready for the ear.

    Parameters
    ----------
    volts : (frames, channels)
        Without what the output rests at.
    sample_rate_hz : float
    """
    count = min(round(SEAM_FADE_S * sample_rate_hz), len(volts) // 2)
    fade = np.sin(0.5 * np.pi * (np.arange(count) + 0.5) / max(count, 1)) ** 2
    faded = volts.copy()
    faded[:count] *= fade[:, None]
    faded[len(faded) - count :] *= fade[::-1, None]
    peak_v = float(np.abs(faded).max(initial=0.0))
    if peak_v < SILENCE_V:
        return Sound(faded, -math.inf, -120.0)
    long_enough = len(faded) >= BLOCK_S * sample_rate_hz
    near = LEVEL_LUFS
    loudness = loudness_near(faded, sample_rate_hz, near) if long_enough else rms_db(faded)
    return Sound(faded, loudness, true_peak_dbtp(faded, sample_rate_hz))
