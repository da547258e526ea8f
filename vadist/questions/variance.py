"""Which inputs cause the variance of an output: Sobol' indices, sharpened by simple curves.

With two independent samples A and B, and A with the columns of group i from B in their place::

    first_i V = mean f(B) (f(A_i) - f(A))        total_i V = mean (f(A) - f(A_i))^2 / 2

(Saltelli and others, Computer Physics Communications 181, 2010; Jansen, ibid. 117, 1999; from
memory, not located). What parts within tolerances do is nearly a sum of lines and parabolas, one
an input, and of such a g both are known exactly: sum of b^2 var(x) + c^2 var(x^2). So the
estimators are taken of f and of g at the same points, and their difference is added to what is
known of g (a control variate): what is left to chance is what inputs do together.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray

RESAMPLED = 200
"""Bootstrap samples that errors are told from."""

NORMAL_95 = 1.96
"""Standard errors of a 95 % interval."""


POINTS_A_TERM = 4
"""Points that a term of the curves takes to be worth fitting."""


@dataclass(frozen=True)
class Moments:
    """Second and fourth moments of symmetric inputs about zero, (inputs,) each."""

    second: FloatArray
    fourth: FloatArray


@dataclass(frozen=True)
class Shares:
    """Shares of variance.

    Attributes
    ----------
    first, total : (outputs, groups)
        Of each group alone, and with all it does together with others.
    first_error, total_error : (outputs, groups)
        Half of a 95 % interval.
    additive : (outputs,)
        Share of the variance that the curves explain.
    """

    first: FloatArray
    total: FloatArray
    first_error: FloatArray
    total_error: FloatArray
    additive: FloatArray


@dataclass(frozen=True)
class Curves:
    """A sum of a line and a parabola an input, through a sample.

    Attributes
    ----------
    slopes, bends : (outputs, inputs)
    means : (outputs,)
        Of the outputs.
    square_means : (inputs,)
        Mean of each input's square.
    """

    slopes: FloatArray
    bends: FloatArray
    means: FloatArray
    square_means: FloatArray

    def __call__(self, x: FloatArray) -> FloatArray:
        """Outputs, less their means, at points (n, inputs)."""
        return np.asarray(x @ self.slopes.T + (x**2 - self.square_means) @ self.bends.T)

    def variances(self, moments: Moments) -> FloatArray:
        """Variance that each input causes, (outputs, inputs)."""
        return self.slopes**2 * moments.second + self.bends**2 * (
            moments.fourth - moments.second**2
        )


def fit_curves(x: FloatArray, y: FloatArray, moments: Moments) -> Curves:
    """Least squares through points (n, inputs) with outputs (n, outputs), all finite.

    Parabolas are left out where the points are too few for them.
    """
    count = x.shape[1]
    bent = len(x) >= POINTS_A_TERM * (2 * count + 1)
    squares = [x**2 - moments.second] if bent else []
    columns = np.hstack([np.ones((len(x), 1)), x, *squares])
    found = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0].T, dtype=float)
    slopes = found[:, 1 : count + 1]
    bends = found[:, count + 1 :] if bent else np.zeros_like(slopes)
    return Curves(slopes, bends, found[:, 0], moments.second)


def variance_shares(
    measured: Callable[[FloatArray], FloatArray],
    x: FloatArray,
    y: FloatArray,
    others: FloatArray,
    moments: Moments,
    groups: Sequence[Sequence[int]],
    seed: int = 0,
) -> Shares:
    """Share the variance of outputs out among groups of independent inputs.

    Parameters
    ----------
    measured : function of points (n, inputs) to outputs (n, outputs)
    x, y : (n, inputs), (n, outputs)
        A sample that is measured already; its first points are A.
    others : (m, inputs)
        B, with m at most n.
    moments : Moments
        Of the inputs, whose means are zero.
    groups : sequence of places of inputs, every input in one of them
    seed : int

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> x, b = rng.uniform(-1, 1, (256, 2)), rng.uniform(-1, 1, (64, 2))
    >>> f, m = lambda x: x @ np.array([[3.0], [4.0]]), Moments(np.full(2, 1 / 3), np.full(2, 1 / 5))
    >>> variance_shares(f, x, f(x), b, m, [[0], [1]]).first.round(6).tolist()
    [[0.36, 0.64]]
    """
    curves = fit_curves(x, y, moments)
    a, m = x[: len(others)], len(others)
    mixed = [a.copy() for _ in groups]
    for points, group in zip(mixed, groups, strict=True):
        points[:, list(group)] = others[:, list(group)]
    found = measured(np.concatenate([others, *mixed])) - curves.means
    of_curves = curves(np.concatenate([others, *mixed]))
    at_a, curves_a = y[:m] - curves.means, curves(a)
    known = np.stack([curves.variances(moments)[:, list(g)].sum(axis=1) for g in groups], axis=1)
    first, total = [], []
    for k in range(len(groups)):
        rows = slice((k + 1) * m, (k + 2) * m)
        first.append(
            found[:m] * (found[rows] - at_a) - of_curves[:m] * (of_curves[rows] - curves_a)
        )
        total.append(0.5 * (at_a - found[rows]) ** 2 - 0.5 * (curves_a - of_curves[rows]) ** 2)
    spread = (y - curves.means) ** 2 - curves(x) ** 2
    terms = np.stack([np.stack(first), np.stack(total)])  # (2, groups, m, outputs)

    def shares(few: FloatArray, many: FloatArray) -> tuple[FloatArray, FloatArray]:
        variance = known.sum(axis=1) + many
        whole = np.where(variance > 0.0, variance, 1.0)
        return np.asarray((known.T + few[0]) / whole), np.asarray((known.T + few[1]) / whole)

    rng = np.random.default_rng(seed)
    again = []
    for _ in range(RESAMPLED):
        few, many = rng.integers(m, size=m), rng.integers(len(y), size=len(y))
        again.append(np.stack(shares(terms[:, :, few].mean(axis=2), spread[many].mean(axis=0))))
    errors = NORMAL_95 * np.std(again, axis=0)
    alone, together = shares(terms.mean(axis=2), spread.mean(axis=0))
    additive = known.sum(axis=1) / np.maximum(known.sum(axis=1) + spread.mean(axis=0), 1e-300)
    return Shares(alone.T, together.T, errors[0].T, errors[1].T, np.asarray(additive))
