"""Whether a channel was clipped by the recording itself.

A clipped circuit rounds off: noise and the diodes' logarithm spread its flat tops over several
steps of the converter. A converter at its rail repeats one and the same number.
"""

import numpy as np

from vadist.measure.records import FloatArray

_RUN = 4
_SHARE = 0.01
_PILE = 8.0
# A rail: the extreme value holds for 4 samples on end, takes 1 % of all samples, and is met 8
# times as often as its neighbour step. The figures are choices, tested both ways.


def railed(channel: FloatArray) -> str:
    """Name the rail at which a channel sits; empty text if it does at none.

    >>> t = np.arange(1000) / 1000
    >>> railed(np.clip(2.0 * np.sin(20 * t), -1.5, 1.0)), railed(np.sin(20 * t))
    ('both rails', '')
    """
    upper, lower = _sits(channel), _sits(-channel)
    if upper and lower:
        return "both rails"
    return "the upper rail" if upper else "the lower rail" if lower else ""


def _sits(channel: FloatArray) -> bool:
    top = channel.max()
    at = channel >= top - 1e-9 * max(abs(top), np.ptp(channel))
    count = int(at.sum())
    if count < max(_SHARE * len(channel), _RUN) or count > 0.9 * len(channel):
        return False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], at, [False]]).astype(int)))
    if (edges[1::2] - edges[::2]).max() < _RUN:
        return False
    below = channel[~at]
    next_step = below.max()
    neighbour = int((below >= next_step - 1e-9 * max(abs(top), np.ptp(channel))).sum())
    return count >= _PILE * neighbour
