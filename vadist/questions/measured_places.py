"""Places of a choice and their figures, each measured once."""

from collections.abc import Sequence

import numpy as np

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.designs.trials import Trial
from vadist.population.figure_names import Figure
from vadist.population.measure import CPU
from vadist.population.sound import Hearing
from vadist.population.work import measure_population
from vadist.questions.choose_search import Place
from vadist.questions.choose_values import with_place


class MeasuredPlaces:
    """Figures of places, kept as they come.

    Parameters
    ----------
    design : Design
    lists : sequence of Trial
    figures : sequence of Figure
    threads : int, optional
        All cores by default.
    hearing : Hearing, optional
        The take, for figures of sound.
    device : str
        What hears it.
    """

    def __init__(
        self,
        design: Design,
        lists: Sequence[Trial],
        figures: Sequence[Figure],
        threads: int | None = None,
        hearing: Hearing | None = None,
        device: str = CPU,
    ) -> None:
        self._design, self._lists, self._figures = design, lists, figures
        self._threads, self._hearing, self._device = threads, hearing, device
        self._rows: dict[Place, FloatArray] = {}
        self.unsolved = 0
        """Places whose circuit has no operating point; their figures are NaN."""

    def __call__(self, places: Sequence[Place]) -> FloatArray:
        """Figures of places, (places, figures); NaN where a design has none."""
        new = [place for place in dict.fromkeys(places) if place not in self._rows]
        if new:
            designs = [with_place(self._design, self._lists, place) for place in new]
            table = measure_population(
                designs, self._figures, hearing=self._hearing, threads=self._threads,
                device=self._device,
            )  # fmt: skip
            self.unsolved += len(table.faults)
            done = [new[board] for board in table.boards]
            self._rows |= dict(zip(done, table.values, strict=True))
            if len(done) < len(new):
                raise KeyboardInterrupt  # what was measured is kept
        return np.array([self._rows[place] for place in places])

    def __len__(self) -> int:
        return len(self._rows)

    def every(self) -> tuple[list[Place], FloatArray]:
        """All places measured so far, in order of their values, with their figures."""
        places = sorted(self._rows)
        return places, np.array([self._rows[place] for place in places])
