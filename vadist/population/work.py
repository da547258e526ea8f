"""A population measured in pieces: on threads here, or on a cluster; stopped, it keeps what it has.

Pieces are cut by the figures asked for and nothing else, and every row depends on its own board
alone, so a table has the same bits whoever did the work.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from typing import Any

from vadist.designs.design import Design
from vadist.errors import UsageError
from vadist.names import whole
from vadist.pool import stoppable_pool
from vadist.population.figure_names import Figure
from vadist.population.measure import measure
from vadist.population.sines import SINES
from vadist.population.sound import Hearing
from vadist.population.table import Table

PIECE = 64
"""Boards solved side by side."""

LANES_PIECE = 16
"""Boards rendered as lanes of one batch."""

_NAP_S = 0.1


def piece_size(figures: Sequence[Figure]) -> int:
    """Boards in a piece of the work."""
    kinds = {figure.kind for figure in figures}
    slow = kinds & {*SINES, "noise", "input noise"}
    return LANES_PIECE if slow or any(figure.is_sound for figure in figures) else PIECE


@dataclass(frozen=True)
class Piece:
    """Some boards to be measured.

    Attributes
    ----------
    first : int
        Number of the first.
    designs : sequence of Design
    figures : tuple of Figure
    """

    first: int
    designs: Sequence[Design]
    figures: tuple[Figure, ...]

    def measured(self, hearing: Hearing | None) -> Table:
        """Measure them, in one thread."""
        return measure(self.designs, self.figures, hearing)


def pieces_of(designs: Sequence[Design], figures: Sequence[Figure]) -> list[Piece]:
    """Cut a population into pieces."""
    size = piece_size(figures)
    return [
        Piece(first, designs[first : first + size], tuple(figures))
        for first in range(0, len(designs), size)
    ]


def measure_population(
    designs: Sequence[Design],
    figures: Sequence[Figure],
    *,
    hearing: Hearing | None = None,
    threads: int | None = None,
    cluster: Any = None,
    progress: Callable[[float], None] = lambda done: None,
) -> Table:
    """Measure many designs.

    Parameters
    ----------
    designs : sequence of Design
        A list, or :class:`vadist.population.boards.Boards`, which are made where they are
        measured.
    figures : sequence of Figure
    hearing : Hearing, optional
        What figures of a rendered take need.
    threads : int, optional
        All cores by default.
    cluster : str or distributed.Client, optional
        Address of a Dask scheduler, or a client, to do the work instead of threads.
    progress : function of the fraction done

    Returns
    -------
    Table
        Of every board; interrupted (Ctrl-C), of those that were finished, told by ``boards``.

    Raises
    ------
    UsageError
        For figures of sound without a take, or a cluster that cannot be reached.

    Examples
    --------
    >>> from vadist import load_design
    >>> from vadist.population.figure_names import parse_figure
    >>> design = load_design("treble_boost")
    >>> table = measure_population([design] * 3, [parse_figure("supply current", design)])
    >>> len(table), table.faults
    (3, {})
    """
    asked = [str(figure) for figure in figures if figure.is_sound]
    if asked and hearing is None:
        raise UsageError(f"{asked[0]} is heard: it needs a take")
    if threads is not None:
        threads = whole("threads", threads)
    pieces, found = pieces_of(designs, figures), dict[int, Table]()
    if cluster is not None:
        from vadist.population.cluster import on_cluster

        results = on_cluster(cluster, pieces, hearing)
    else:
        results = _on_threads(pieces, hearing, threads or os.cpu_count() or 1)
    try:
        for first, table in results:
            found[first] = table
            progress(sum(map(len, found.values())) / max(len(designs), 1))
    except KeyboardInterrupt:
        pass  # what is done is kept; the table tells which boards that is
    return Table.joined(figures, found)


def _on_threads(
    pieces: Sequence[Piece], hearing: Hearing | None, threads: int
) -> Iterator[tuple[int, Table]]:
    """Pieces in the order in which they are finished."""
    with stoppable_pool(threads) as pool:
        waiting: dict[Future[Table], int] = {
            pool.executor.submit(piece.measured, hearing): piece.first for piece in pieces
        }
        while waiting:
            done, _ = wait(waiting, timeout=_NAP_S, return_when=FIRST_COMPLETED)
            for future in done:
                yield waiting.pop(future), future.result()
