"""Boards drawn from tolerances: quasi-random points, and the designs they stand for."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.designs.models import is_model_path, model_value
from vadist.errors import UsageError
from vadist.population.boards import Boards
from vadist.questions.tolerances import Variation
from vadist.questions.variance import Moments
from vadist.stages.stage import Pot

DISTRIBUTIONS = ("normal", "uniform")
"""Of a part within its tolerance: cut off at it, which is two standard deviations; or flat."""

NORMAL_SIGMA = 0.5
"""Standard deviation over the tolerance: 95 % of an uncut production would lie within it (common
practice, no published source)."""


def supply_range(volts: tuple[float, float]) -> Variation:
    """A supply anywhere between two voltages."""
    return _range("supply.volts", volts, "V")


def temperature_range(celsius: tuple[float, float]) -> Variation:
    """A temperature anywhere between two, degrees Celsius."""
    return _range("ambient.temperature", celsius, "degC")


def _range(path: str, span: tuple[float, float], unit: str) -> Variation:
    if not span[0] < span[1]:
        raise UsageError(f"{path} must range from less to more (got {span[0]:g}..{span[1]:g})")
    shown = f"{span[0]:g}..{span[1]:g} {unit}"
    return Variation(path, "", 1.0, 1.0, ((path, 1.0),), shown, "asked for", span=span)


def points(varied: Sequence[Variation], boards: int, distribution: str, seed: int) -> FloatArray:
    """Points in the space of what varies, -1 (least) to 1 (most) in each.

    Parameters
    ----------
    varied : sequence of Variation
    boards : int
    distribution : str
        One of :data:`DISTRIBUTIONS`; of ranges always uniform.
    seed : int

    Returns
    -------
    (boards, varied)

    References
    ----------
    Sobol' points with Owen's scrambling, as :class:`scipy.stats.qmc.Sobol` makes them.
    """
    from scipy.stats import qmc

    if not varied:
        return np.zeros((boards, 0))
    sampler = qmc.Sobol(len(varied), scramble=True, seed=seed)
    uniform = sampler.random_base2(max(boards - 1, 1).bit_length())[:boards]
    flat = [v.span is not None or distribution == "uniform" for v in varied]
    spread = np.where(flat, 2.0 * uniform - 1.0, _law().ppf(uniform))
    return np.asarray(spread)


def moments(varied: Sequence[Variation], distribution: str) -> Moments:
    """Moments of each coordinate of :func:`points`."""
    flat = np.array([v.span is not None or distribution == "uniform" for v in varied], dtype=bool)
    law = _law()
    return Moments(
        np.where(flat, 1.0 / 3.0, float(law.moment(2))),
        np.where(flat, 1.0 / 5.0, float(law.moment(4))),
    )


def _law() -> Any:
    from scipy.stats import truncnorm

    return truncnorm(-1.0 / NORMAL_SIGMA, 1.0 / NORMAL_SIGMA, scale=NORMAL_SIGMA)


def boards_at(design: Design, varied: Sequence[Variation], x: FloatArray) -> Boards:
    """Boards at some points.

    Parameters
    ----------
    design : Design
    varied : sequence of Variation
    x : (boards, varied)
    """
    paths = list(dict.fromkeys(path for v in varied for path, _ in v.targets))
    values = np.tile([_number(design, path) for path in paths], (len(x), 1))
    for k, v in enumerate(varied):
        for path, power in v.targets:
            column = paths.index(path)
            if v.span is not None:
                low, high = v.span
                values[:, column] = low + (high - low) * 0.5 * (x[:, k] + 1.0)
            else:
                values[:, column] *= v.factor(x[:, k]) ** power
    return Boards(design, tuple(paths), values)


def _number(design: Design, path: str) -> float:
    value = model_value(design, path)[0] if is_model_path(path) else design.value(path)
    return float(value.resistance if isinstance(value, Pot) else value or 0.0)
