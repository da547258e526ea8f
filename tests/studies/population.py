"""How long populations take: figures of boards, boards with a take, threads against a cluster.

Run by hand::

    python tests/studies/population.py --boards 1000 10000
    python tests/studies/population.py --heard 100
    python tests/studies/population.py --heard 64 --workers 2
"""

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from vadist import load_design
from vadist.audition.files import read_excerpt
from vadist.population.cluster import shipment
from vadist.population.figure_names import Figure, parse_figure
from vadist.population.measure import measure
from vadist.population.sound import Hearing, hearing_of
from vadist.population.table import Table
from vadist.population.work import measure_population, pieces_of
from vadist.questions.sampling import boards_at, points
from vadist.questions.spread import spread_figures
from vadist.questions.tolerances import variations

DESIGN = "boosted_hard_clipper"
TAKE = Path(__file__).parents[2] / "demo_audio" / "chords.wav"
SECONDS = 5.0


def timed(told: str, work: Callable[[], Table]) -> Table:
    """Do some work and print what it took."""
    wall, cpu = time.perf_counter(), time.process_time()
    table = work()
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    print(f"{told}: {wall:.1f} s, {cpu:.1f} CPU s here; {len(table.faults)} faults", flush=True)
    return table


def main(words: Sequence[str] | None = None) -> None:
    """Print times."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--boards", type=int, nargs="*", default=[], help="figures only")
    parser.add_argument("--heard", type=int, default=0, help="boards with a 5-second take")
    parser.add_argument("--workers", type=int, default=0, help="the same on so many processes")
    parser.add_argument("--threads", type=int, default=2)
    options = parser.parse_args(words)
    design = load_design(DESIGN)
    varied = variations(design)
    figures = spread_figures(design)

    def boards(count: int):
        return boards_at(design, varied, points(varied, count, "normal", 0))

    small = [parse_figure("rest", design), parse_figure("gain at 1kHz", design)]
    for count in options.boards:
        made = list(boards(count))
        timed(
            f"{count} boards, rest and gain",
            partial(measure_population, made, small, threads=1),
        )
        timed(
            f"{count} boards made, {len(figures)} usual figures",
            lambda count=count: measure_population(boards(count), figures, threads=options.threads),
        )
    if options.heard:
        excerpt = read_excerpt(TAKE, 0.0, SECONDS)
        hearing = hearing_of(design, excerpt.samples, excerpt.sample_rate_hz)
        heard(options, boards(options.heard), [*figures, *sound(design)], hearing)


def sound(design) -> list[Figure]:
    """Figures of a rendered take."""
    return [parse_figure(text, design) for text in ("loudness", "null depth", "band change")]


def heard(options, boards, figures: list[Figure], hearing: Hearing) -> None:
    """Boards with a take, on threads and on worker processes."""
    count = len(boards)
    here = timed(f"{count} boards with a {SECONDS:g}-second take, {options.threads} threads",
                 lambda: measure_population(boards, figures, hearing=hearing,
                                            threads=options.threads))  # fmt: skip
    if not options.workers:
        return
    import dask
    from distributed import Client, LocalCluster

    # Dask's nanny makes workers hand memory back at every turn: half as much CPU time again.
    keep = {f"distributed.nanny.pre-spawn-environ.MALLOC_{which}_THRESHOLD_": 1 << 28
            for which in ("TRIM", "MMAP")}  # fmt: skip
    workers = {"threads_per_worker": 1, "processes": True, "dashboard_address": None}
    with (
        dask.config.set(keep),
        LocalCluster(options.workers, **workers) as cluster,
        Client(cluster) as client,
    ):
        for address in client.scheduler_info()["workers"]:  # imports and kernels, on each
            client.submit(measure, boards[:16], figures, hearing, workers=[address]).result()
        before = sum(client.run(time.process_time).values())
        print(shipment(client, pieces_of(boards, figures), hearing))
        there = timed(
            f"{count} boards with a {SECONDS:g}-second take, {options.workers} workers",
            lambda: measure_population(boards, figures, hearing=hearing, cluster=client),
        )
        spent = sum(client.run(time.process_time).values()) - before
        print(f"workers: {spent:.1f} CPU s")
    print("same bits:", np.array_equal(here.values, there.values))


if __name__ == "__main__":
    main(sys.argv[1:])
