"""Figures that are found of one board at a time, by the code that inspects a single design."""

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.noise import Noise, find_noise
from vadist.analysis.resting import supply_current
from vadist.large_signal.headroom import Ladder, headroom_ladder
from vadist.large_signal.steady_sine import SineRunner, SteadySines
from vadist.population.figure_names import DEVICE_FIGURES, Figure

SINE_HZ = 220.0
"""A3, in the middle of the fretboard, as :mod:`vadist.inspection.figures` takes it."""

ALONE = (
    "supply current", *DEVICE_FIGURES, "noise", "input noise", "THD", "level", "1 % level",
)  # fmt: skip


def figure_of_board(solved: SolvedDesign, figures: Sequence[Figure]) -> list[float]:
    """Figures of one board.

    Parameters
    ----------
    solved : SolvedDesign
    figures : sequence of Figure
        Of the kinds in :data:`ALONE`.

    Raises
    ------
    ConvergenceError
    """
    board = _Board(solved, sorted({f.at for f in figures if f.kind in ("THD", "level")}))
    return [board.figure(figure) for figure in figures]


class _Board:
    """One board, each analysis made once and when it is asked for."""

    def __init__(self, solved: SolvedDesign, levels_v: Sequence[float]) -> None:
        self._solved, self._levels = solved, list(levels_v)
        self._last = tuple(solved.design.stages)[-1]

    def figure(self, figure: Figure) -> float:
        kind, place = figure.kind, figure.place or self._last
        if kind == "supply current":
            return supply_current(self._solved).total_a
        if kind == "noise":
            return self._noise.output_v
        if kind == "input noise":
            return self._noise.input_v
        if kind == "1 % level":
            limits = {rung.stage: rung.input_v for rung in self._ladder.limits}
            return limits[place] if figure.place else self._ladder.output_input_v
        if kind in DEVICE_FIGURES:
            return self._devices.get(figure.place, {}).get(kind, (float("nan"), ""))[0]
        level = self._levels.index(figure.at)
        if kind == "THD":
            return 100.0 * float(self._sines.distortion(place)[level])
        low, high = self._sines.peaks(place)
        return float(high[level] - low[level]) / 2.0

    @cached_property
    def _noise(self) -> Noise:
        return find_noise(self._solved)

    @cached_property
    def _ladder(self) -> Ladder:
        return headroom_ladder(self._solved, SINE_HZ)

    @cached_property
    def _sines(self) -> SteadySines:
        return SineRunner(self._solved, SINE_HZ).run(np.array(self._levels))

    @cached_property
    def _devices(self) -> dict[str, dict[str, tuple[float, str]]]:
        return {
            placed.device.part: dict(placed.device.record.figures(placed.resting))
            for placed in self._solved.resting_devices()
        }
