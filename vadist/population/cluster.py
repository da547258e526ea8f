"""A population on a Dask cluster; the only importer of ``distributed``.

The take is sent to every worker once, before the first piece; a piece carries the design, numbers
and names of figures. A piece whose worker dies is measured by another: its result is the same.
"""

import logging
import pickle
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from vadist.errors import UsageError
from vadist.population.sound import Hearing
from vadist.population.table import Table

if TYPE_CHECKING:
    from vadist.population.work import Piece

_LOG = logging.getLogger(__name__)

PATIENCE_S = 10.0
"""How long a scheduler is given to answer."""

_ALLOWED_DEATHS = 5
# Workers that may die under one piece before it is held to be the cause.


@dataclass(frozen=True)
class Shipment:
    """Bytes a population sends.

    Attributes
    ----------
    take : int
        The take with the reference's output, to each worker once.
    workers : int
    pieces : int
        All pieces together.
    """

    take: int
    workers: int
    pieces: int

    def __str__(self) -> str:
        return (
            f"{self.take / 1e6:.2f} MB of take to each of {self.workers} workers, "
            f"{self.pieces / 1e6:.2f} MB of boards in all"
        )


@contextmanager
def connected(cluster: Any) -> Iterator[Any]:
    """A client of a cluster while the block runs: the one given, or one for an address.

    Parameters
    ----------
    cluster : str, distributed.Client or None

    Raises
    ------
    UsageError
        If ``distributed`` is not installed, or no scheduler answers.
    """
    if not isinstance(cluster, str):
        yield cluster
        return
    try:
        from distributed import Client
    except ImportError:
        raise UsageError("a cluster needs Dask: pip install 'vadist[cluster]'") from None
    try:
        client = Client(cluster, timeout=PATIENCE_S)
    except (OSError, ValueError) as error:
        raise UsageError(f"--cluster {cluster}: no scheduler answers ({error})") from None
    try:
        yield client
    finally:
        client.close()


def on_cluster(
    cluster: Any, pieces: Sequence["Piece"], hearing: Hearing | None
) -> Iterator[tuple[int, Table]]:
    """Measure pieces on a cluster, in the order in which they are finished.

    Parameters
    ----------
    cluster : str or distributed.Client
    pieces : sequence of Piece
    hearing : Hearing, optional
    """
    with connected(cluster) as client:
        from distributed import as_completed

        if hearing is not None:
            _LOG.info("cluster: %s", shipment(client, pieces, hearing))
        held = None if hearing is None else client.scatter(hearing, broadcast=True, hash=False)
        numbers = {
            client.submit(_measured, piece, held, pure=False, retries=_ALLOWED_DEATHS): piece.first
            for piece in pieces
        }
        try:
            for future, table in as_completed(numbers, with_results=True):
                yield numbers[future], table
        finally:
            client.cancel(list(numbers))


def _measured(piece: "Piece", hearing: Hearing | None) -> Table:
    return piece.measured(hearing)


def shipment(client: Any, pieces: Sequence["Piece"], hearing: Hearing | None) -> Shipment:
    """Bytes that :func:`on_cluster` sends for some pieces."""
    return Shipment(
        0 if hearing is None else len(pickle.dumps(hearing)),
        len(client.scheduler_info()["workers"]),
        sum(len(pickle.dumps(piece)) for piece in pieces),
    )
