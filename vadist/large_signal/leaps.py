"""Where a sequence of states is going, from the first few of them.

A bias rail on a large capacitor takes hundreds of periods of a note to settle, and everything else
some ten. Near the end each period takes the same share off the distance in each mode, so the end
is a weighted mean of a few states: with weights that add to one and make the mean change nothing
from one period to the next, as nearly as may be (reduced rank extrapolation; D. A. Smith,
W. F. Ford, A. Sidi, SIAM Review 29(2), 1987, from memory, not located).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray

_STATES = 8
_TRIFLE = 1e-9
# States that stay smaller, volts: rounding.
_SAME = 1e-7
# Of the largest change: what is less is rounding and the tolerance of Newton's steps.


def limit_of(states: FloatArray) -> FloatArray:
    """Where a sequence goes.

    Parameters
    ----------
    states : (terms, states)
        Three terms or more.

    Returns
    -------
    (states,)

    Examples
    --------
    >>> n = np.arange(4)
    >>> limit_of(np.stack([3.0 + 0.9**n, 2.0 - 0.5**n], axis=1)).round(6).tolist()
    [3.0, 2.0]
    """
    scale = np.abs(states).max(axis=0)
    counted = scale > _TRIFLE
    changes = np.diff(states[:, counted] / scale[counted], axis=0)
    if not np.abs(changes).max(initial=0.0) > 0.0:
        return np.asarray(states[-1])
    # The mean of changes with weights w = e_last + steps: least squares in the steps.
    steps, *_ = np.linalg.lstsq((changes[:-1] - changes[-1]).T, -changes[-1], rcond=_SAME)
    return np.asarray(states[-1] + steps @ (states[1:-1] - states[-1]))


class Trail:
    """States of lanes after periods, one after another.

    Parameters
    ----------
    lanes : int
    """

    def __init__(self, lanes: int) -> None:
        self._lanes = lanes
        self._states: list[Sequence[FloatArray]] = []

    @property
    def full(self) -> bool:
        """Whether there are enough of them."""
        return len(self._states) == _STATES

    def add(self, states: Sequence[FloatArray]) -> None:
        """Note the states, (memory, lanes), one array a program."""
        self._states.append(states)

    def end(self, leaping: NDArray[np.bool_]) -> list[FloatArray]:
        """Where each lane goes, or for one that does not leap where it is.

        Parameters
        ----------
        leaping : (lanes,) bool
        """
        sizes = np.cumsum([len(part) for part in self._states[0]])[:-1]
        every = np.stack([np.concatenate(list(states)) for states in self._states])
        ends = every[-1].copy()
        for lane in np.flatnonzero(leaping):
            ends[:, lane] = limit_of(every[:, :, lane])
        return np.split(ends, sizes)
