"""Oversampling, extrapolation and the estimate of a render's own numerical error.

The discretisation is of second order, so the difference between two rates tells the error of the
finer one, (y_2N - y_N)/3, and (4 y_2N - y_N)/3 removes its leading term (Richardson 1911; see
Hairer, Norsett and Wanner, Solving Ordinary Differential Equations I, II.4). What aliasing leaves
does not follow that order exactly; the tests compare the estimate with the error against 128x.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.errors import UsageError
from vadist.resampling import REACH
from vadist.sections import Matrix

_EXCERPTS = 4
_EXCERPT_S = 0.04
_SCAN_FRAMES = 1 << 20


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

    def __str__(self) -> str:
        if self.extrapolated:
            return f"{self.oversample // 2}x and {self.oversample}x, extrapolated"
        return f"{self.oversample}x"


METHODS = (
    Method(2), Method(4), Method(4, True), Method(8), Method(8, True), Method(16),
    Method(16, True), Method(32), Method(32, True), Method(64), Method(64, True),
)  # fmt: skip
"""In order of cost."""

Excerpt = Callable[[int], Matrix]
"""Output of the loudest passages at an oversampling factor, (candidates, samples)."""


def loudest_excerpts(
    window: Callable[[int, int], Matrix], frames: int, sample_rate_hz: float
) -> Matrix:
    """Loudest passages of a take's first channel, side by side, each faded in over its lead.

    Returns
    -------
    (samples, excerpts)
        Only :func:`judged_part` of each counts: the samples before it are there to settle, those
        after it keep the ringing of the resampling filters at the excerpt's abrupt end away.
    """
    length = max(min(round(_EXCERPT_S * sample_rate_hz), frames), 1)
    energies: list[Matrix] = []
    scan = max(_SCAN_FRAMES // length, 1) * length
    for first in range(0, max(frames - length + 1, 1), scan):
        count = max(min(scan, frames - first) // length, 1)
        piece = window(first, first + count * length)[:, 0].reshape(count, length)
        energies.append(np.einsum("ij,ij->i", piece, piece))
    loudest = np.sort(np.argsort(-np.concatenate(energies), kind="stable")[:_EXCERPTS])
    pieces = [window(int(k - 1) * length, int(k + 1) * length + REACH)[:, 0] for k in loudest]
    excerpts = np.stack(pieces, axis=1)
    lead = judged_part(len(excerpts)).start
    excerpts[:lead] *= np.sin(0.5 * math.pi * np.arange(lead)[:, None] / max(lead, 1)) ** 2
    return excerpts


def judged_part(samples: int) -> slice:
    """Samples of an excerpt that count: after its fade-in, before the reach of its end."""
    return slice((samples - REACH) // 2, samples - REACH)


def _combined(excerpt: Excerpt, method: Method) -> Matrix:
    return np.asarray(sum(weight * excerpt(factor) for factor, weight in method.terms))


def estimate_error_db(excerpt: Excerpt, method: Method) -> list[float | None]:
    """Estimated error-to-signal ratio of a method on the excerpts, dB, one a candidate.

    A plain run is held against the run at half its factor by (y_2N - y_N)/3. An extrapolated one
    is held against the extrapolation one octave lower, whole, which errs on the careful side. At
    a factor that cannot be halved the run at twice the factor tells: 4/3 (y_2N - y_N).
    """
    mine = _combined(excerpt, method)
    halved = method.oversample // 2
    if method.extrapolated and halved >= 2 and halved % 2 == 0:
        error = mine - _combined(excerpt, Method(halved, True))
    elif method.extrapolated:
        error = mine - excerpt(method.oversample)
    elif method.oversample % 2 == 0:
        error = (mine - excerpt(halved)) / 3.0
    else:
        error = (excerpt(2 * method.oversample) - mine) * 4.0 / 3.0
    return [_ratio_db(e, m) for e, m in zip(error, mine, strict=True)]


def _ratio_db(error: NDArray[np.float64], signal: NDArray[np.float64]) -> float | None:
    centred = signal - signal.mean()
    power = float(np.dot(centred, centred))
    if power <= 1e-24 * len(signal):
        return None
    return 10.0 * math.log10(max(float(np.dot(error, error)) / power, 1e-30))


def choose_method(excerpt: Excerpt, accuracy_db: float) -> Method:
    """Return the cheapest method whose estimate meets a wanted error on every candidate.

    Raises
    ------
    UsageError
        If none does, with the best figure reached.
    """
    if not accuracy_db < 0.0:
        raise UsageError(f"accuracy must be below 0 dB, like -90dB (got {accuracy_db:g})")
    seen: dict[int, Matrix] = {}

    def remembered(factor: int) -> Matrix:
        if factor not in seen:
            seen[factor] = excerpt(factor)
        return seen[factor]

    best = math.inf
    for method in METHODS:
        figures = estimate_error_db(remembered, method)
        worst = max((f for f in figures if f is not None), default=-math.inf)
        if worst <= accuracy_db:
            return method
        best = min(best, worst)
    raise UsageError(
        f"accuracy {accuracy_db:g} dB is out of reach: "
        f"the best estimate, {METHODS[-1]}, is {best:.1f} dB"
    )
