"""Worst cases: the corners of the box that tolerances span, searched and then verified.

A figure that rises or falls with every part has its extremes in two corners, which the signs of
its sensitivities name. Each corner is then tried with every part, one at a time, at its other end;
as long as one of them takes the figure further, it is moved there and all are tried again. What
ends so is the extreme among its neighbours; of figures that turn round inside the box nothing is
guaranteed.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.population.figure_names import Figure

ROUNDS = 6
"""Times that a corner is tried all round."""


@dataclass(frozen=True)
class WorstCase:
    """How far a figure goes when every part is at the end of its tolerance that takes it there.

    Attributes
    ----------
    figure : Figure
    least, most : float
    least_at, most_at : (inputs,)
        Corners, -1 and 1.
    verified : bool
        Whether no single part takes either of them further.
    """

    figure: Figure
    least: float
    most: float
    least_at: FloatArray
    most_at: FloatArray
    verified: bool


def worst_cases(
    measured: Callable[[FloatArray], FloatArray], slopes: FloatArray, figures: Sequence[Figure]
) -> list[WorstCase]:
    """Search the corners of every figure.

    Parameters
    ----------
    measured : function of points (n, inputs) to values (n, figures)
        NaN where a board has no such figure: such a corner is never moved to.
    slopes : (figures, inputs)
        Whose signs the search starts from.
    figures : sequence of Figure
    """
    count, inputs = slopes.shape
    # Two searches a figure, one for the most and one for the least: rows of ``corners``.
    sign = np.repeat([1.0, -1.0], count)
    rows = np.tile(np.arange(count), 2)
    corners = np.where(np.tile(slopes, (2, 1)) * sign[:, None] >= 0.0, 1.0, -1.0)
    best = measured(corners)[np.arange(2 * count), rows]
    settled = np.zeros(2 * count, dtype=bool)
    for _ in range(ROUNDS):
        open_ones = np.flatnonzero(~settled)
        if not len(open_ones) or not inputs:
            break
        flips = np.repeat(corners[open_ones], inputs, axis=0)
        flips[np.arange(len(flips)), np.tile(np.arange(inputs), len(open_ones))] *= -1.0
        found = measured(flips)[np.arange(len(flips)), np.repeat(rows[open_ones], inputs)]
        gain = sign[open_ones, None] * (
            found.reshape(len(open_ones), inputs) - best[open_ones, None]
        )
        gain = np.where(np.isnan(gain), -np.inf, gain)
        better = gain > 1e-9 * np.maximum(np.abs(best[open_ones]), 1e-12)[:, None]
        settled[open_ones] = ~better.any(axis=1)
        moved = open_ones[better.any(axis=1)]
        if not len(moved):
            continue
        corners[moved] = np.where(better[better.any(axis=1)], -1.0, 1.0) * corners[moved]
        every = measured(corners[moved])[np.arange(len(moved)), rows[moved]]
        # All that help at once may help less than the one that helps most.
        for k, number in enumerate(moved):
            place = int(np.flatnonzero(open_ones == number)[0])
            single = int(gain[place].argmax())
            alone = best[number] + sign[number] * gain[place, single]
            if not sign[number] * (every[k] - alone) >= 0.0:
                corners[number] = flips[place * inputs + single]
                every[k] = alone
            best[number] = every[k]
    return [
        WorstCase(
            figure, float(best[count + k]), float(best[k]), corners[count + k], corners[k],
            bool(settled[k] and settled[count + k]),
        )
        for k, figure in enumerate(figures)
    ]  # fmt: skip
