"""A population measured in pieces: on threads here, or on a cluster; stopped, it keeps what it has.

Pieces are cut by the figures asked for and nothing else, and every row depends on its own board
alone, so a table has the same bits whoever did the work.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.designs.design import Design
from vadist.errors import UsageError
from vadist.gpu.cards import count_cards
from vadist.names import whole
from vadist.pool import stoppable_pool
from vadist.population.figure_names import Figure
from vadist.population.measure import CPU, GPU, measure
from vadist.population.sines import SINES
from vadist.population.sound import Hearing
from vadist.population.table import Table

PIECE = 64
"""Boards solved side by side."""

LANES_PIECE = 16
"""Boards rendered as lanes of one batch."""

CARD_PIECE = 2048
"""Boards that a worker with a graphics card hears at once."""

_NAP_S = 0.1


def piece_size(figures: Sequence[Figure], device: str = CPU) -> int:
    """Boards in a piece of the work."""
    if device == GPU and any(figure.is_sound for figure in figures):
        return CARD_PIECE
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
    device : str
    """

    first: int
    designs: Sequence[Design]
    figures: tuple[Figure, ...]
    device: str = CPU

    def measured(self, hearing: Hearing | None) -> Table:
        """Measure them, in one thread."""
        return measure(self.designs, self.figures, hearing, self.device)


def pieces_of(
    designs: Sequence[Design], figures: Sequence[Figure], device: str = CPU
) -> list[Piece]:
    """Cut a population into pieces."""
    size = piece_size(figures, device)
    return [
        Piece(first, designs[first : first + size], tuple(figures), device)
        for first in range(0, len(designs), size)
    ]


def measure_population(
    designs: Sequence[Design],
    figures: Sequence[Figure],
    *,
    hearing: Hearing | None = None,
    threads: int | None = None,
    cluster: Any = None,
    device: str = CPU,
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
    device : str
        ``gpu`` to hear boards on every graphics card there is, here or at each worker; all other
        figures are the processor's.
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
    if device == GPU and asked and cluster is None:
        return _heard_here(designs, figures, hearing, threads, progress)
    pieces, found = pieces_of(designs, figures, device), dict[int, Table]()
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


def _heard_here(
    designs: Sequence[Design],
    figures: Sequence[Figure],
    hearing: Hearing | None,
    threads: int | None,
    progress: Callable[[float], None],
) -> Table:
    """Measure on threads what is not heard, and hear on graphics cards."""
    quick = [figure for figure in figures if not figure.is_sound]
    heard = [figure for figure in figures if figure.is_sound]
    assert hearing is not None
    count_cards()  # before anything is measured
    from vadist.population.on_cards import card_figures

    share = 0.3 if quick else 0.0
    table = measure_population(
        designs, quick, threads=threads, progress=lambda done: progress(share * done)
    )
    if len(table) < len(designs):
        return Table.joined(figures, {})
    there = [board for board in range(len(designs)) if board not in table.faults]
    whole = len(there) == len(designs)
    try:
        found, mute = card_figures(
            designs if whole else [designs[board] for board in there], hearing, heard, threads,
            lambda done: progress(share + (1.0 - share) * done),
        )  # fmt: skip
    except KeyboardInterrupt:
        return Table.joined(figures, {})
    values = np.full((len(designs), len(figures)), np.nan)
    values[:, [k for k, f in enumerate(figures) if not f.is_sound]] = table.values
    values[np.ix_(there, [k for k, f in enumerate(figures) if f.is_sound])] = found
    faults = {**table.faults, **{there[k]: text for k, text in mute.items()}}
    values[sorted(faults)] = np.nan
    return Table(tuple(figures), values, dict(sorted(faults.items())), table.boards)


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
