"""Figures that are found of one board at a time, by the code that inspects a single design."""

from collections.abc import Sequence
from functools import cached_property

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.noise import Noise, find_noise
from vadist.analysis.resting import supply_current
from vadist.population.figure_names import DEVICE_FIGURES, Figure

ALONE = ("supply current", *DEVICE_FIGURES, "noise", "input noise")
"""Kinds of figures that are found so."""


def figures_of_board(solved: SolvedDesign, figures: Sequence[Figure]) -> list[float]:
    """Figures of one board.

    Parameters
    ----------
    solved : SolvedDesign
    figures : sequence of Figure
        Of the kinds in :data:`ALONE`.
    """
    board = _Board(solved)
    return [board.figure(figure) for figure in figures]


class _Board:
    """One board, each analysis made once and when it is asked for."""

    def __init__(self, solved: SolvedDesign) -> None:
        self._solved = solved

    def figure(self, figure: Figure) -> float:
        if figure.kind == "supply current":
            return supply_current(self._solved).total_a
        if figure.kind == "noise":
            return self._noise.output_v
        if figure.kind == "input noise":
            return self._noise.input_v
        return self._devices.get(figure.place, {}).get(figure.kind, (float("nan"), ""))[0]

    @cached_property
    def _noise(self) -> Noise:
        return find_noise(self._solved)

    @cached_property
    def _devices(self) -> dict[str, dict[str, tuple[float, str]]]:
        return {
            placed.device.part: dict(placed.device.record.figures(placed.resting))
            for placed in self._solved.resting_devices()
        }
