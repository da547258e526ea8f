"""Oversampling and extrapolation, and the choice between them.

The discretisation is of second order, so (4 y_2N - y_N)/3 removes the leading term of the error of
two rates (Richardson 1911; see Hairer, Norsett and Wanner, Solving Ordinary Differential Equations
I, II.4). What aliasing leaves does not follow that order, so a method is held against the
extrapolation that is an octave finer than itself, which is the truth as far as it matters to it.
"""

from dataclasses import dataclass

from vadist.stepping.resampling import default_oversample

MOST_OVERSAMPLE = 256


@dataclass(frozen=True, order=True)
class Method:
    """How a take is rendered.

    Attributes
    ----------
    oversample : int
        Factor of the (finer) run.
    extrapolated : bool
        Whether a run at half the factor is combined with it.
    """

    oversample: int
    extrapolated: bool = False

    @property
    def terms(self) -> tuple[tuple[int, float], ...]:
        """Factors and weights of the runs that are added up."""
        if self.extrapolated:
            return ((self.oversample, 4.0 / 3.0), (self.oversample // 2, -1.0 / 3.0))
        return ((self.oversample, 1.0),)

    @property
    def finest(self) -> int:
        """Factor of the finest run that the error is told by."""
        return 2 * self.oversample

    @property
    def error_terms(self) -> dict[int, float]:
        """Factors and weights of the runs that make up the error: these less the finer ones."""
        return self.error_terms_at(self.finest)

    def error_terms_at(self, finest: int) -> dict[int, float]:
        """The same against an extrapolation up to a given factor."""
        weights = dict(self.terms)
        for factor, weight in Method(finest, True).terms:
            weights[factor] = weights.get(factor, 0.0) - weight
        return weights

    def __str__(self) -> str:
        if self.extrapolated:
            return f"{self.oversample // 2}x and {self.oversample}x, extrapolated"
        return f"{self.oversample}x"


def methods(sample_rate_hz: float) -> list[Method]:
    """Methods that a wanted accuracy is sought among, in order of cost.

    They begin at the default factor, for all rates pass through it: half the factor would save an
    eighth of the time and lose 10 dB. Extrapolation begins an octave above: from half the default
    and the default it gains nothing on loud passages and costs more than the next factor.
    """
    factor = default_oversample(sample_rate_hz)
    found = [Method(factor)]
    for _ in range(3):
        factor *= 2
        if factor <= MOST_OVERSAMPLE:
            found += [Method(factor), Method(factor, True)]
    return found
