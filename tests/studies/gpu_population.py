"""Thousands of boards, heard on a graphics card: how long it takes, and how near the processor is.

Run by hand where there is a card::

    python tests/studies/gpu_population.py --boards 10000 --seconds 10
    python tests/studies/gpu_population.py --boards 1000 --seconds 60
    python tests/studies/gpu_population.py --boards 1000 --seconds 10 --agree 1000 --processes 16
    python tests/studies/gpu_population.py --boards 0 --seconds 2 --choose
"""

import argparse
import itertools
import math
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from vadist import load_design
from vadist.audition.files import read_excerpt
from vadist.gpu.cards import count_cards
from vadist.population.boards import Boards
from vadist.population.figure_names import parse_figure
from vadist.population.sound import (
    Hearing,
    hearing_against,
    hearing_of,
    rendered,
    sound_figures,
)
from vadist.population.tabled import made_ready_together
from vadist.questions.sampling import boards_at, points
from vadist.questions.tolerances import variations
from vadist.stepping.resampling import default_oversample

TAKE = Path(__file__).parents[2] / "demo_audio" / "chords.wav"
FIGURES = ("loudness", "null depth", "band change", "band at 1kHz")
TOGETHER = 16


def drawn(name: str, count: int) -> Boards:
    """Boards with every part anywhere within its tolerance."""
    design = load_design(name)
    varied = variations(design)
    return boards_at(design, varied, points(varied, count, "normal", 0))


def long_take(seconds: float) -> tuple[np.ndarray, float]:
    """The chords, over and over."""
    excerpt = read_excerpt(TAKE, 0.0, None)
    frames = round(seconds * excerpt.sample_rate_hz)
    times = -(-frames // len(excerpt.samples))
    return np.tile(excerpt.samples, (times, 1))[:frames], excerpt.sample_rate_hz


def main(words: Sequence[str] | None = None) -> None:
    """Print times, and how near the processor is."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--design", default="boosted_hard_clipper")
    parser.add_argument("--boards", type=int, default=10_000)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--real", default="float32")
    parser.add_argument("--here", type=int, default=0, help="boards timed on two cores as well")
    parser.add_argument("--agree", type=int, default=0, help="boards rendered on the processor")
    parser.add_argument("--first", type=int, default=0, help="the first of those")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--choose", action="store_true", help="one of 10 000 values by ear")
    options = parser.parse_args(words)
    count_cards()
    from numba import cuda

    cards = [str(cuda.gpus[k].name, "utf-8") if isinstance(cuda.gpus[k].name, bytes)
             else cuda.gpus[k].name for k in range(len(cuda.gpus))]  # fmt: skip
    print(f"cards: {', '.join(cards)}; {os.cpu_count()} cores", flush=True)
    samples, rate = long_take(options.seconds)
    if options.choose:
        chosen_by_ear(options.design, samples, rate)
    if not options.boards:
        return
    boards = drawn(options.design, options.boards)
    hearing = hearing_of(load_design(options.design), samples, rate)
    if not options.first:
        timed_on_cards(boards, hearing, options)
    if options.here:
        here(boards, hearing, options)
    if options.agree:
        agreement(boards, hearing, options)


VARIED = (
    "clipper.series_resistor=1k2,1k5,1k8,2k2", "clipper.shunt_capacitor=10n,12n,15n,18n,22n",
    "blend.low_resistor=15k,18k,22k,27k,33k", "blend.low_capacitor=10n,12n,15n,18n,22n",
    "blend.high_capacitor=4n7,5n6,6n8,8n2,10n", "gain.leg_capacitor=680n,820n,1u,1u2",
)  # fmt: skip
TRUTH = (2, 3, 1, 0, 4, 1)
SMALL_SIGNAL = ("gain at 1kHz", "bass cut", "treble cut")


def chosen_by_ear(name: str, samples: np.ndarray, rate: float) -> None:
    """A recording of one of 10 000 combinations of six parts, found again by listening."""
    from vadist.population.work import measure_population
    from vadist.questions.choose import choose
    from vadist.questions.choose_values import changes_of, read_lists, with_place
    from vadist.questions.wishes import read_wish, slacks_between

    design = load_design(name)
    lists = read_lists(design, VARIED)
    sizes = [len(each.values) for each in lists]
    recorded = rendered([with_place(design, lists, TRUTH)], samples, rate, None)[0]
    hearing = hearing_against(0.3 * recorded, samples, rate)
    begun = time.perf_counter()
    choice = choose(design, [read_wish("sounds like it", design)], lists, hearing=hearing,
                    device="gpu")  # fmt: skip
    spent = time.perf_counter() - begun
    print(f"{choice.measured} of {math.prod(sizes)} combinations heard in {spent:.1f} s")
    for option in choice.options:
        print("  ", option.wished, option.changes)
    print(
        "the recorded one found:", choice.options[0].changes == changes_of(lists, TRUTH), flush=True
    )
    figures = [parse_figure(text, design) for text in SMALL_SIGNAL]
    places = list(itertools.product(*(range(n) for n in sizes)))
    table = measure_population([with_place(design, lists, p) for p in places], figures)
    own = table.values[places.index(TRUTH)]
    apart = [slacks_between(f, v, c) for f, v, c in zip(figures, own, table.values.T, strict=True)]
    near = int((np.max(apart, axis=0) <= 1.0).sum())
    print(f"{near} combinations share its {', '.join(SMALL_SIGNAL)} within a slack", flush=True)


def timed_on_cards(boards: Boards, hearing: Hearing, options: argparse.Namespace) -> None:
    """All figures of all boards, and what part of the time which work has."""
    from numba import cuda

    from vadist.gpu import stepper
    from vadist.gpu.hearing import hear
    from vadist.gpu.lane_tables import LaneTables
    from vadist.population.on_cards import figures_of_sums

    figures = [parse_figure(text, boards.design) for text in FIGURES]
    rate, frames = hearing.sample_rate_hz, len(hearing.volts)
    begun = time.perf_counter()
    ready = made_ready_together(boards, rate * default_oversample(rate), options.processes)
    made = time.perf_counter() - begun
    assert len(ready.groups) == 1
    numbers, lanes = ready.groups[0]
    marks: list[tuple[object, object]] = []
    advance = stepper._DeviceBank.advance

    def marked(bank: object, ticks: int, stuck: object, stream: object) -> None:
        first, last = cuda.event(), cuda.event()
        first.record(stream)
        advance(bank, ticks, stuck, stream)
        last.record(stream)
        marks.append((first, last))

    def heard(some: LaneTables, until: int) -> object:
        return hear(some, np.zeros(len(some), dtype=int), hearing.volts[:until], rate,
                    hearing.reference[:until], bands=True, real=options.real)  # fmt: skip

    begun = time.perf_counter()
    heard(lanes.only(slice(0, 32)), round(0.1 * rate))
    compiled = time.perf_counter() - begun
    if len(cuda.gpus) == 1:  # an event is known to its own card alone
        stepper._DeviceBank.advance = marked
    begun = time.perf_counter()
    found = heard(lanes, frames)
    values = figures_of_sums(found.sums, hearing, figures)
    listened = time.perf_counter() - begun
    stepper._DeviceBank.advance = advance
    stepped = sum(cuda.event_elapsed_time(a, b) for a, b in marks) / 1e3
    total, units = made + listened, len(lanes) * frames
    print(
        f"{len(numbers)} boards of {frames / rate:g} s through {options.design}, {options.real}: "
        f"{total:.1f} s in all ({1e9 * total / units:.2f} ns a frame and board), of it made ready "
        f"{made:.1f} s, rendered and heard {listened:.1f} s, kernels that step {stepped:.1f} s "
        f"({100 * stepped / total:.0f} %); compiled before in {compiled:.1f} s; "
        f"stuck {int(found.stuck.sum())}, faults {len(ready.faults)}",
        flush=True,
    )
    for figure, column in zip(figures, values.T, strict=True):
        low, middle, high = np.nanpercentile(column, (5, 50, 95))
        print(f"  {figure}: {low:.3f} {middle:.3f} {high:.3f} {figure.unit} (5, 50, 95 %)")


def here(boards: Boards, hearing: Hearing, options: argparse.Namespace) -> None:
    """The same figures of some boards on two cores of this machine."""
    figures = [parse_figure(text, boards.design) for text in FIGURES]
    shares = [boards[k : k + TOGETHER] for k in range(0, options.here, TOGETHER)]
    sound_figures(list(shares[0]), hearing, figures)  # kernels are compiled
    begun = time.perf_counter()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        list(pool.map(_figures, shares, [hearing] * len(shares), [figures] * len(shares)))
    spent = time.perf_counter() - begun
    units = options.here * len(hearing.volts)
    each = 1e9 * spent / units
    print(f"two cores: {options.here} boards in {spent:.1f} s, {each:.1f} ns a frame and board",
          flush=True)  # fmt: skip


def _figures(boards: Boards, hearing: Hearing, figures: list) -> np.ndarray:
    return sound_figures(list(boards), hearing, figures)[0]


def agreement(boards: Boards, hearing: Hearing, options: argparse.Namespace) -> None:
    """Error of every board's track against the processor's, energy over energy."""
    from vadist.gpu.hearing import hear

    rate = hearing.sample_rate_hz
    boards = boards[options.first : options.first + options.agree]
    ready = made_ready_together(boards, rate * default_oversample(rate), options.processes)
    numbers, lanes = ready.groups[0]
    found = hear(lanes, np.zeros(len(lanes), dtype=int), hearing.volts, rate, hearing.reference,
                 bands=False, real=options.real, tracks=True)  # fmt: skip
    folder = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with tempfile.NamedTemporaryFile(dir=folder, suffix=".npy") as file:
        np.save(file.name, np.ascontiguousarray(found.tracks.T))
        shares = [numbers[k : k + TOGETHER] for k in range(0, len(numbers), TOGETHER)]
        begun = time.perf_counter()
        with ProcessPoolExecutor(options.processes, mp_context=get_context("spawn")) as pool:
            work = [(boards, share, hearing, file.name) for share in shares]
            errors = np.concatenate(list(pool.map(_apart, work)))
    spent = time.perf_counter() - begun
    print(
        f"{len(errors)} boards rendered on {options.processes} cores in {spent:.0f} s: the card is "
        f"within {errors.max():.1f} dB of every one (median {np.median(errors):.1f} dB; "
        f"{int((errors > -120.0).sum())} above -120 dB)",
        flush=True,
    )


def _apart(work: tuple[Boards, np.ndarray, Hearing, str]) -> np.ndarray:
    boards, share, hearing, name = work
    tracks = np.load(name, mmap_mode="r")
    exact = rendered([boards[int(k)] for k in share], hearing.volts, hearing.sample_rate_hz, None)
    found = []
    for board, track in zip(share, exact, strict=True):
        error = tracks[board] - track[:, 0]
        found.append(10.0 * np.log10(np.sum(error**2) / np.sum(track**2)))
    return np.array(found)


if __name__ == "__main__":
    main(sys.argv[1:])
