"""A take through candidates on graphics cards: what a span of one thread a lane comes to."""

import logging
from collections.abc import Callable, Sequence

import numpy as np

from vadist.arrays import FloatArray
from vadist.gpu.kernels import copied_ring
from vadist.gpu.lane_tables import LaneTables
from vadist.gpu.takes import DeviceTake, copied
from vadist.pool import StoppablePool
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.plan import Plan
from vadist.stepping.resampling import REACH
from vadist.stepping.segments import Span, SpanResult

_LOG = logging.getLogger(__name__)

Window = Callable[[int, int], FloatArray]


def card_span(
    circuits: Sequence[Circuit],
    window: Window,
    heard: FloatArray,
    sample_rate_hz: float,
    taps: Sequence[Tap],
    grain: int,
    pool: StoppablePool,
) -> SpanResult:
    """Render a whole take through candidates of one structure, each a lane from its first frame.

    A candidate with a step that its thread found no solution of is rendered on the processor, which
    has a rescue; such candidates are named in the log.

    Parameters
    ----------
    circuits : sequence of Circuit
    window : callable (first, last) -> (frames, channels) volts
        The take, zero outside its ends.
    heard : (candidates, frames, channels, taps)
        Filled with output volts, rest included.
    sample_rate_hz : float
    taps : sequence of Tap
    grain : int
        Frames of the passages whose memories are kept; 0 for none.
    pool : StoppablePool
        Told of lane-frames done.
    """
    candidates, frames, channels, _ = heard.shape
    lanes = LaneTables.of(circuits, taps).only(np.tile(np.arange(candidates), channels))
    columns = np.repeat(np.arange(channels), candidates)
    firsts = range(0, frames, grain) if grain else ()
    take = DeviceTake(
        lanes, columns, window, frames, sample_rate_hz, taps, with_rest=True,
        watch=[first - REACH for first in firsts],
    )  # fmt: skip
    shape = (channels, candidates)
    for first, count in take.blocks():
        take.stream.synchronize()
        for k, track in enumerate(take.tracks):
            block = copied_ring(track, first, count).reshape(count, *shape)
            heard[:, first : first + count, :, k] = block.transpose(2, 0, 1)
        pool.tick(count * len(lanes))
    watched = [
        np.moveaxis(np.stack(every).reshape(len(every), -1, *shape), 1, 0)
        for every in zip(*take.watched, strict=True)
    ]
    peaks = {
        stage: np.stack(
            [peak[0].reshape(shape).min(axis=0), peak[1].reshape(shape).max(axis=0)], axis=1
        ).astype(float)
        for stage, peak in take.stepper.peaks().items()
    }
    nothing = np.zeros(candidates, dtype=int)
    found = SpanResult(
        peaks, take.stepper.statistics(), 0, nothing, np.zeros(candidates), [], watched
    )
    stuck = (copied(take.stepper.stuck) >= 0).reshape(shape).any(axis=0)
    if stuck.any():
        again = np.flatnonzero(stuck)
        named = ", ".join(str(k + 1) for k in again)
        _LOG.warning("candidate %s: no solution on the card, rendered on the processor", named)
        own = [circuits[int(k)] for k in again]
        room = np.empty((len(own), *heard.shape[1:]))
        plan = Plan(1, frames, 0)
        told = Span(own, window, 0, room, sample_rate_hz, taps, plan, grain).render(pool)
        heard[again] = room
        for stage, reach in told.peaks.items():
            found.peaks[stage][again] = reach
        for kept, states in zip(found.watched, told.watched, strict=True):
            kept[..., again] = states
        found.statistics[:, 2] += told.statistics[:, 2]
    return found
