"""The table of figures that a population is measured into."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.population.figure_names import Figure


@dataclass(frozen=True)
class Table:
    """Figures of many boards.

    Attributes
    ----------
    figures : tuple of Figure
        Columns.
    values : (boards, figures)
        In each figure's unit; NaN where a board has no such figure, infinite for a level that is
        never reached.
    faults : mapping of board -> text
        Boards that could not be solved, and why; their rows are NaN.
    boards : (rows,)
        Which boards the rows are, counted from zero: all of them, in order, unless the work was
        stopped.
    """

    figures: tuple[Figure, ...]
    values: FloatArray
    faults: Mapping[int, str]
    boards: IndexArray

    def __len__(self) -> int:
        return len(self.values)

    def column(self, figure: Figure) -> FloatArray:
        """One figure of every board, (boards,)."""
        return np.asarray(self.values[:, self.figures.index(figure)])

    @staticmethod
    def joined(figures: Sequence[Figure], pieces: Mapping[int, "Table"]) -> "Table":
        """Rows of pieces of a population, by the number of each piece's first board."""
        faults: dict[int, str] = {}
        boards = [np.zeros(0, dtype=int)]
        values = [np.zeros((0, len(figures)))]
        for first, piece in sorted(pieces.items()):
            faults |= {first + board: text for board, text in piece.faults.items()}
            boards.append(first + piece.boards)
            values.append(piece.values)
        return Table(tuple(figures), np.concatenate(values), faults, np.concatenate(boards))

    def as_json(self) -> dict[str, Any]:
        """Return the table as plain data for :mod:`json`; what is not there is null."""
        rows = [[v if math.isfinite(v) else None for v in row] for row in self.values.tolist()]
        return {
            "figures": [{"name": str(f), "unit": f.unit} for f in self.figures],
            "boards": self.boards.tolist(),
            "rows": rows,
            "faults": {str(board): text for board, text in self.faults.items()},
        }
