"""How sure a fit is: noise, covariance, and the combinations of values a capture does not show.

References
----------
W. Newey, K. West, Econometrica 55(3), 1987 (covariance under correlated residuals; from memory,
not located).
"""

import math
from dataclasses import dataclass

import numpy as np

from vadist.captures.waveform import GRID, ROLL_OFF
from vadist.measure.records import FloatArray

_FLAT = 1e-4
# A direction that moves the output by less than this share of the strongest one is not seen: it is
# no more than the finite differences' own error.

_TOLD = math.log(2.0)
# Nor is one whose interval is wider than a factor of two either way.

_NAMED = 0.3
_CORRELATED_S = 1e-3


@dataclass(frozen=True)
class Unseen:
    """A combination of values that a capture does not determine.

    Attributes
    ----------
    weights : tuple of (path, weight)
        How the values move together without being seen.
    """

    weights: tuple[tuple[str, float], ...]

    @property
    def paths(self) -> tuple[str, ...]:
        """Values it names."""
        return tuple(path for path, _ in self.weights)

    def __str__(self) -> str:
        if len(self.weights) == 1:
            return f"the capture hardly depends on {self.paths[0]}"
        names = " and ".join(self.paths)
        if len(self.weights) == 2:
            (_, a), (_, b) = self.weights
            if abs(abs(a) - abs(b)) < 0.1 * abs(a):
                return f"only the {'product' if a * b < 0.0 else 'ratio'} of {names} matters"
        return f"{names} cannot be told apart"


@dataclass(frozen=True)
class Certainty:
    """What a Jacobian and a residual say of a fit.

    Attributes
    ----------
    noise : float
        Deviation of the residual per independent sample.
    unseen : tuple of Unseen
    covariance : (values, values)
        Of what is seen, on the fit's scale.
    reach : (values,)
        How far each value moves, at most, for an error of the samples whose root sum of squares is
        1 V.
    """

    noise: float
    unseen: tuple[Unseen, ...]
    covariance: FloatArray
    reach: FloatArray

    @property
    def deviations(self) -> FloatArray:
        """Standard deviation of each value."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))


def width(confidence: float) -> float:
    """Standard deviations to either side of an interval.

    >>> round(width(0.95), 3), round(width(0.99), 3)
    (1.96, 2.576)
    """
    from scipy.special import ndtri

    return float(ndtri(0.5 + 0.5 * confidence))


def noise_of(residual: FloatArray, values: int) -> float:
    """Deviation of a residual per independent sample.

    A comparison takes more samples than its band has independent ones; noise that is flat within
    the band counts by that ratio.
    """
    redundant = GRID / (1.0 + ROLL_OFF)
    left = max(len(residual) - values - 4, 1)
    return math.sqrt(float(residual @ residual) / left * redundant)


def unseen_directions(
    jacobian: FloatArray, paths: list[str], noise: float, confidence: float
) -> tuple[tuple[Unseen, ...], FloatArray]:
    """Combinations that are not seen, and the inverse of the normal matrix for the rest.

    Parameters
    ----------
    jacobian : (samples, values)
        By logarithm of the value (or by position), alignment taken out.
    paths : list of str
    noise : float
        As from :func:`noise_of`.
    confidence : float

    Notes
    -----
    Singular values of the Jacobian say how far a unit step along each direction moves the output.

    Examples
    --------
    >>> wave = np.sin(np.arange(50.0))
    >>> found, _ = unseen_directions(np.stack([wave, wave], axis=1), ["a", "b"], 1e-6, 0.99)
    >>> str(found[0])
    'only the product of a and b matters'
    """
    _, sizes, turned = np.linalg.svd(jacobian, full_matrices=False)
    seen = (sizes > _FLAT * sizes[0]) & (sizes * _TOLD > width(confidence) * noise) & (sizes > 0.0)
    unseen = []
    for direction in turned[~seen]:
        strongest = float(np.abs(direction).max())
        weights = [
            (path, float(w))
            for path, w in zip(paths, direction, strict=True)
            if abs(w) > _NAMED * strongest
        ]
        unseen.append(Unseen(tuple(weights)))
    inverse = turned[seen].T @ np.diag(1.0 / sizes[seen] ** 2) @ turned[seen]
    return tuple(unseen), np.asarray(inverse)


def correlated_lags(samples: int, top_hz: float) -> int:
    """Lags of a comparison over which residuals may be alike, a millisecond."""
    return min(round(_CORRELATED_S * GRID * top_hz), samples // 8)


def long_run(scores: FloatArray, lags: int) -> FloatArray:
    """Covariance of the sums of series that are correlated over some lags.

    Parameters
    ----------
    scores : (samples, series)
        Of mean about zero.
    lags : int

    Notes
    -----
    Newey and West: sum over lags from -L to L of (1 - |l|/(L + 1)) sum over t of s_t s_(t-l)'. As
    many windows of L + 1 samples hold both t and t - l as the weight says, so it is the sum of the
    squares of the sums of all windows, over L + 1.

    Examples
    --------
    >>> long_run(np.ones((4, 1)), 1)  # 4 at lag 0, and twice half of 3
    array([[7.]])
    """
    ends = np.zeros((lags, scores.shape[1]))
    sums = np.cumsum(np.concatenate([np.zeros_like(scores[:1]), ends, scores, ends]), axis=0)
    windows = sums[lags + 1 :] - sums[: -lags - 1]
    return np.asarray(windows.T @ windows / (lags + 1))


def weigh(
    ours: FloatArray,
    theirs: FloatArray,
    more_values: int,
    top_hz: float,
    confidence: float,
    *,
    only_noise: tuple[bool, bool],
) -> int:
    """Which of two residuals of the same samples is the better explanation, if that can be said.

    Parameters
    ----------
    ours, theirs : (samples,)
    more_values : int
        How many more values theirs has fitted; each is charged as Akaike does.
    top_hz, confidence : float
    only_noise : tuple of bool
        Whether each leaves no more than noise.

    Returns
    -------
    int
        -1 if theirs is the better one, 1 if it is the worse one, 0 if both are equal.

    Notes
    -----
    Where just one leaves only noise it is the better one. Where both do, the odds of their
    likelihoods must be as the confidence asks (0.99: one to a hundred). Where neither does, none
    of them is right and Vuong's comparison holds: the difference of the sums of squares against
    its own deviation, here with Newey and West's sum over lags, because neighbours are alike.

    References
    ----------
    Q. Vuong, Econometrica 57(2), 1989; H. Akaike, IEEE Transactions on Automatic Control 19(6),
    1974 (both from memory, not located).
    """
    if only_noise[0] != only_noise[1]:
        return 1 if only_noise[0] else -1
    each = theirs**2 - ours**2
    noise = min(noise_of(ours, 0), noise_of(theirs, 0))
    difference = float(each.sum()) + 2.0 * more_values * noise**2
    least = -2.0 * math.log(1.0 - confidence) * noise**2
    if not only_noise[0]:
        spread = long_run((each - each.mean())[:, None], correlated_lags(len(each), top_hz))
        least = max(least, width(confidence) * math.sqrt(max(float(spread[0, 0]), 0.0)))
    return 0 if abs(difference) <= least else int(math.copysign(1.0, difference))


def certainty(
    jacobian: FloatArray, residual: FloatArray, paths: list[str], top_hz: float, confidence: float
) -> Certainty:
    """Work out how sure a fit is.

    Parameters
    ----------
    jacobian : (samples, values)
    residual : (samples,)
    paths : list of str
    top_hz : float
        Top of the band compared.
    confidence : float
    """
    noise = noise_of(residual, len(paths))
    unseen, inverse = unseen_directions(jacobian, paths, noise, confidence)
    flat = noise**2 * inverse
    # Residuals that stay alike over a while (a wrong model, quantisation) tell less than their
    # number.
    scores = jacobian * residual[:, None]
    middle = long_run(scores, correlated_lags(len(scores), top_hz))
    robust = inverse @ middle @ inverse
    # Whichever claims less, value by value, with the correlation of the plain one.
    grow = np.sqrt(np.maximum(np.diag(robust), 0.0) / np.maximum(np.diag(flat), 1e-300))
    grow = np.maximum(grow, 1.0)
    reach = np.sqrt(np.maximum(np.diag(inverse), 0.0))
    return Certainty(noise, unseen, np.asarray(flat * np.outer(grow, grow)), reach)
