"""Many boards through one take, on all cards that are here: figures come back, not tracks."""

import gc
import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import BoolArray, FloatArray, IndexArray
from vadist.gpu.cards import count_cards, is_simulated
from vadist.gpu.ears import Ears, HeardSums, depth_of
from vadist.gpu.kernels import copied_ring
from vadist.gpu.lane_tables import LaneTables
from vadist.gpu.takes import DeviceTake, bytes_a_lane, copied
from vadist.pool import results, stoppable_pool

_SHARE_OF_MEMORY = 0.7
# Of a card's free memory; what is left is for spectra and for what the driver takes.

Progress = Callable[[int], None]


@dataclass(frozen=True)
class Heard:
    """What lanes sounded like.

    Attributes
    ----------
    sums : HeardSums
    stuck : (lanes,)
        Whether a lane met a step without a solution; its sums say nothing.
    tracks : (frames, lanes) or None
        Of lanes whose tracks were wanted.
    """

    sums: HeardSums
    stuck: BoolArray
    tracks: FloatArray | None


def hear(
    lanes: LaneTables,
    columns: IndexArray,
    volts: FloatArray,
    sample_rate_hz: float,
    reference: FloatArray,
    *,
    bands: bool,
    real: str = "float32",
    tracks: bool = False,
    tick: Progress = lambda frames: None,
) -> Heard:
    """Render a take through lanes and hear them, on every card at once.

    Parameters
    ----------
    lanes : LaneTables
    columns : (lanes,)
        Channel that each lane hears and is held against.
    volts, reference : (frames, channels)
        The take, and what lanes are held against.
    sample_rate_hz : float
    bands : bool
        Whether third octaves are wanted.
    real : str
        What lanes are stepped in.
    tracks : bool
        Whether to bring back what every lane sounds like.
    tick : called with the lane-frames that were heard; may raise to stop
    """
    cards = count_cards()
    factor = round(lanes.circuit.sample_rate_hz / sample_rate_hz)
    depth = depth_of(sample_rate_hz, bands=bands)
    each = bytes_a_lane(lanes, 1, factor, depth, real)
    shares = [
        part
        for card in np.array_split(np.arange(len(lanes)), cards)
        for part in _portions(card, each)
    ]

    def run(share: IndexArray, tick: Progress, card: int) -> Heard:
        return _on_card(
            card, lanes.only(share), columns[share], volts, sample_rate_hz, reference,
            bands, depth, real, tracks, tick,
        )  # fmt: skip

    lock, free = threading.Lock(), list(range(cards))

    with stoppable_pool(cards, tick) as pool:

        def on_a_free_card(share: IndexArray) -> Heard:
            with lock:
                card = free.pop()
            try:
                return run(share, pool.tick, card)
            finally:
                with lock:
                    free.append(card)

        return _joined(list(results(pool.executor, on_a_free_card, shares)))


def _portions(lanes: IndexArray, bytes_each: float) -> list[IndexArray]:
    """Lanes in as few portions as a card has memory for."""
    if not len(lanes):
        return []
    if is_simulated():
        return [lanes]
    from numba import cuda

    room = cuda.current_context().get_memory_info().free * _SHARE_OF_MEMORY
    return np.array_split(lanes, math.ceil(len(lanes) * bytes_each / room))


def _on_card(
    card: int,
    lanes: LaneTables,
    columns: IndexArray,
    volts: FloatArray,
    sample_rate_hz: float,
    reference: FloatArray,
    bands: bool,
    depth: int,
    real: str,
    tracks: bool,
    tick: Progress,
) -> Heard:
    from numba import cuda

    def window(first: int, last: int) -> FloatArray:
        held = np.zeros((last - first, volts.shape[1]))
        low, high = max(first, 0), min(last, len(volts))
        if low < high:
            held[low - first : high - first] = volts[low:high]
        return held

    kept: FloatArray | None = None
    if tracks:
        kept = np.zeros((len(volts), len(lanes)), dtype=np.float32)
    with cuda.gpus[card]:
        take = DeviceTake(
            lanes, columns, window, len(volts), sample_rate_hz, [lanes.circuit.output],
            depth=depth, real=real,
        )  # fmt: skip
        ears = Ears(
            take.tracks[0], reference, columns, sample_rate_hz, bands=bands, stream=take.stream
        )
        for first, count in take.blocks():
            ears.hear(first, count)
            if kept is not None:
                take.stream.synchronize()
                kept[first : first + count] = copied_ring(take.tracks[0], first, count)
            tick(count * len(lanes))
        found = Heard(ears.heard(), copied(take.stepper.stuck) >= 0, kept)
        # What was the card's goes back while it is at hand, and not when the program ends.
        del take, ears
        gc.collect()
        if not is_simulated():
            cuda.current_context().deallocations.clear()
    return found


def _joined(every: Sequence[Heard]) -> Heard:
    def join(name: str) -> FloatArray:
        return np.concatenate([getattr(h.sums, name) for h in every], axis=-1)

    bands = None if every[0].sums.bands is None else join("bands")
    sums = HeardSums(join("square"), join("product"), join("peak"), join("energies"), bands)
    tracks = None
    if every[0].tracks is not None:
        tracks = np.concatenate([h.tracks for h in every if h.tracks is not None], axis=1)
    return Heard(sums, np.concatenate([h.stuck for h in every]), tracks)
