"""Least squares of a few values to a few readings, with their uncertainty by propagation.

References
----------
JCGM 100:2008, Evaluation of measurement data (GUM): 4.3.7, a quantity within +-a, anywhere alike,
has the standard uncertainty a/sqrt(3); 5.2.2, correlated inputs, here as the matrix G C G'. What
a meter's gain is off by is common to all it shows; the last digit is each reading's own.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vadist.errors import UsageError
from vadist.parts.readings import Reading

FloatArray = NDArray[np.float64]
Predict = Callable[[dict[str, float], Reading, float], float]
"""What a part shows: of its values, a reading's kind, and what is set."""

_TOO_ALIKE = 1e7
"""Condition number of the readings' slopes above which values cannot be told apart."""

_NOTHING = 1e-3
"""Of its scale: what ends below is zero."""

_REACH = 300.0
"""Farther from its start, as a logarithm, no value is looked for."""

_AT_BOUND, _PART, _FIRST_WIDTH = 1e-6, 1e-5, 1e-2

NORMAL_95 = 1.959963984540054
"""Standard deviations either side of 0.95 of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """A value to be found.

    Attributes
    ----------
    name : str
    start : float
        > 0; also the scale of a value that may be zero.
    may_be_nothing : bool
        Whether it is >= 0 and known to so many units; else > 0, and known by a factor.
    bounds : tuple of float
        Within which a physical part lies.
    """

    name: str
    start: float
    may_be_nothing: bool = False
    bounds: tuple[float, float] = (1e-300, 1e300)

    def value(self, coordinate: float) -> float:
        """The value at the coordinate that the fit moves."""
        if self.may_be_nothing:
            return self.start * coordinate
        return self.start * math.exp(max(-_REACH, min(coordinate, _REACH)))

    @property
    def limits(self) -> tuple[float, float]:
        """Its bounds in the coordinate that the fit moves."""
        low, high = self.bounds
        if self.may_be_nothing:
            return 0.0, high / self.start
        ends = math.log(low) - math.log(self.start), math.log(high) - math.log(self.start)
        return max(ends[0], -_REACH), min(ends[1], _REACH)


@dataclass(frozen=True, slots=True)
class Found:
    """A value, and the interval that holds the truth in 0.95 of cases."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Fitted:
    """Values found in readings.

    Attributes
    ----------
    found : dict of str to Found
        Those that the readings tell; a value at zero has no interval.
    predicted : (readings,) what the part would show
    known_to : (readings,) half width of the 0.95 interval of what it would show
    unexplained : float
        Root of the mean square of what is left over what the meter explains; 0 where there are no
        more readings than values.
    covariance : (values, values)
        Of the coordinates of those not at zero: logarithms, or the value over its start.
    """

    found: dict[str, Found]
    predicted: FloatArray
    known_to: FloatArray
    unexplained: float
    covariance: FloatArray


def fit_readings(
    unknowns: Sequence[Unknown], predict: Predict, readings: Sequence[Reading], accuracy: float
) -> Fitted:
    """Fit values to readings.

    Parameters
    ----------
    unknowns : sequence of Unknown
        No more than there are readings.
    predict : function
    readings : sequence of Reading
    accuracy : float
        Of the meter, as a ratio: what it shows, and what was set by it, lies within this.

    Raises
    ------
    UsageError
        If the readings cannot tell the values apart, or lead out of their bounds.
    """
    free, gone = list(unknowns), dict[str, float]()
    while True:
        problem = _Problem(free, gone, predict, readings, accuracy)
        solved = problem.solve()
        nothing = [
            u for u, c in zip(free, solved, strict=True) if u.may_be_nothing and c < _NOTHING
        ]
        if not nothing:
            return problem.judged(solved)
        # What ends at zero is not there: the rest is fitted without it.
        gone.update({u.name: 0.0 for u in nothing})
        free = [u for u in free if u.name not in gone]


@dataclass(frozen=True, slots=True)
class _Problem:
    """Values to find, values that are zero, and what they are to explain."""

    free: Sequence[Unknown]
    gone: dict[str, float]
    predict: Predict
    readings: Sequence[Reading]
    accuracy: float

    def at(self, coordinates: FloatArray, factor: float = 1.0) -> FloatArray:
        """What the part shows; `factor` on all that is set."""
        told = {u.name: u.value(float(c)) for u, c in zip(self.free, coordinates, strict=True)}
        held = {**self.gone, **told}
        return np.array([self.predict(held, r, r.at * factor) for r in self.readings])

    def slope(self, coordinates: FloatArray) -> FloatArray:
        """What each reading moves for a relative change of what is set."""
        up, down = self.at(coordinates, 1.0 + _PART), self.at(coordinates, 1.0 - _PART)
        return (up - down) / (2.0 * _PART)

    def jacobian(self, coordinates: FloatArray) -> FloatArray:
        """What each reading moves for each coordinate."""
        steps = _PART * np.eye(len(self.free))
        moved = [self.at(coordinates + s) - self.at(coordinates - s) for s in steps]
        return np.array(moved).T / (2.0 * _PART)

    def widths(self, coordinates: FloatArray) -> FloatArray:
        """Standard uncertainty of each reading, as if all came from meters of their own."""
        common = self.shown**2 + self.slope(coordinates) ** 2
        return np.sqrt(self.steps**2 / 12.0 + self.accuracy**2 / 3.0 * common)

    @property
    def shown(self) -> FloatArray:
        return np.array([r.shown for r in self.readings])

    @property
    def steps(self) -> FloatArray:
        return np.array([r.step for r in self.readings])

    def solve(self) -> FloatArray:
        """Coordinates of least squares."""
        from scipy.optimize import least_squares

        low, high = np.array([u.limits for u in self.free]).T
        start = np.array([1.0 if u.may_be_nothing else 0.0 for u in self.free])
        widths = np.hypot(self.steps, _FIRST_WIDTH * np.abs(self.shown))
        # Twice: what a reading is worth depends on how steep the part's curve is there.
        for _ in range(2):
            over = widths
            solved: Any = least_squares(
                lambda c, over=over: (self.at(c) - self.shown) / over, np.clip(start, low, high),
                bounds=(low, high), jac=lambda c, over=over: self.jacobian(c) / over[:, None],
                xtol=1e-13, ftol=1e-13, gtol=1e-13, x_scale="jac", max_nfev=500,
            )  # fmt: skip
            start = solved.x
            widths = self.widths(start)
        for unknown, c, (a, b) in zip(self.free, start, zip(low, high, strict=True), strict=True):
            if not unknown.may_be_nothing and min(c - a, b - c) < _AT_BOUND:
                least, most = unknown.bounds
                raise UsageError(
                    f"--measure: the readings follow no such part: its {unknown.name} would leave "
                    f"{least:g} to {most:g}"
                )
        return np.asarray(start)

    def judged(self, coordinates: FloatArray) -> Fitted:
        """Values with their intervals, and what is left."""
        widths, jacobian = self.widths(coordinates), self.jacobian(coordinates)
        weighted = jacobian / widths[:, None]
        norms = np.linalg.norm(weighted, axis=0)
        if not norms.all() or np.linalg.cond(weighted / norms) > _TOO_ALIKE:
            names = ", ".join(u.name for u in self.free)
            raise UsageError(f"--measure: the readings lie too close together to tell {names}")
        shown, slope = self.shown, self.slope(coordinates)
        inputs = np.diag(self.steps**2 / 12.0)
        units = np.array([r.unit for r in self.readings])
        alike = units[:, None] == units  # volts and gains are read by scales of their own
        common = np.outer(shown, shown) * alike + np.outer(slope, slope)
        inputs += self.accuracy**2 / 3.0 * common
        left = (self.at(coordinates) - shown) / widths
        more = len(self.readings) - len(self.free)
        unexplained = math.sqrt(float(left @ left) / more) if more > 0 else 0.0
        if unexplained > 1.0:  # what scatters beyond the meter is each reading's own
            inputs += np.diag((unexplained**2 - 1.0) * widths**2)
        gain = np.linalg.pinv(weighted) / widths
        covariance = gain @ inputs @ gain.T
        found = {name: Found(0.0, 0.0, 0.0) for name in self.gone}
        for u, c, spread in zip(self.free, coordinates, np.sqrt(np.diag(covariance)), strict=True):
            ends = (u.value(float(c + sign * NORMAL_95 * spread)) for sign in (-1.0, 1.0))
            low, high = ends
            found[u.name] = Found(u.value(float(c)), max(low, 0.0), high)
        known = np.sqrt(np.einsum("ij,jk,ik->i", jacobian, covariance, jacobian))
        return Fitted(found, self.at(coordinates), NORMAL_95 * known, unexplained, covariance)
