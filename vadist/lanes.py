"""Running a window of a take through a circuit: up to the oversampled rate, step, and back."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.engine import Circuit, Stepper, Tap
from vadist.sections import Matrix

REACH = 256
"""Frames after which the resampling filters have forgotten: the impulse response of up and down
together is below 1e-8 beyond 187 frames (measured with soxr's VHQ at factors 2 to 32)."""

_UP_FRAMES = 256
_STEP_SAMPLES = 1024
# Blocks that keep inputs and outputs of a few dozen lanes inside a core's second-level cache.


@dataclass(frozen=True)
class LaneResult:
    """What came of a window.

    Attributes
    ----------
    volts : (frames, taps, lanes)
        Output volts at the take's rate; rest included.
    marks : list of list of (states, lanes)
        States of all sections at the marked frames.
    peaks : mapping of stage -> (2, lanes)
        Smallest and largest deviation from rest after the first mark.
    statistics : (sections, 3)
        Newton iterations, samples, rescued lane-samples.
    """

    volts: Matrix
    marks: list[list[Matrix]]
    peaks: dict[str, Matrix]
    statistics: NDArray[np.int64]


def run_lanes(
    circuits: Sequence[Circuit],
    volts: Matrix,
    sample_rate_hz: float,
    taps: Sequence[Tap],
    marks: Sequence[int] = (),
    enter: Sequence[Matrix] | None = None,
    tick: Callable[[int], None] = lambda amount: None,
) -> LaneResult:
    """Run windows of equal length side by side.

    Parameters
    ----------
    circuits : one for all lanes or one a lane
    volts : (frames, lanes)
        Input volts.
    sample_rate_hz : float
        Rate of the take.
    taps : sequence of Tap
        Outputs to hear.
    marks : frames whose states are wanted
    enter : states to be put in place at the first mark, instead of those reached there
    tick : called with the lane-frames done since the last call; may raise to stop
    """
    frames, lanes = volts.shape
    factor = round(circuits[0].sample_rate_hz / sample_rate_hz)
    stepper = Stepper(circuits, lanes)
    up, down = (
        _resampler(sample_rate_hz, factor, lanes),
        _resampler(sample_rate_hz * factor, 1.0 / factor, lanes * len(taps)),
    )
    rest = np.array([[c.sections[t.section].output_v[t.row] for c in circuits] for t in taps])
    waiting = [mark * factor for mark in marks]
    snapshots: list[list[Matrix]] = []
    slow: list[Matrix] = []
    for first in range(0, frames, _UP_FRAMES):
        last = first + _UP_FRAMES >= frames
        fast = up(np.ascontiguousarray(volts[first : first + _UP_FRAMES]), last)
        heard = np.empty((len(fast), len(taps), lanes))
        done = 0
        while done < len(fast):
            until = min(done + _STEP_SAMPLES, len(fast))
            if waiting:
                if stepper.samples == waiting[0]:
                    if not snapshots:
                        if enter is not None:
                            stepper.set_states(enter)
                        stepper.reset_peaks()
                    snapshots.append(stepper.states())
                    waiting.pop(0)
                    continue
                until = min(until, done + waiting[0] - stepper.samples)
            results = stepper.process(fast[done:until])
            for k, tap in enumerate(taps):
                heard[done:until, k] = results[tap.section][:, tap.row]
            done = until
        slow.append(down(heard.reshape(len(fast), len(taps) * lanes), last))
        tick(lanes * min(_UP_FRAMES, frames - first))
    while waiting:
        snapshots.append(stepper.states())
        waiting.pop(0)
    output = np.concatenate(slow).reshape(-1, len(taps), lanes)
    return LaneResult(
        output + np.broadcast_to(rest, output.shape[1:]),
        snapshots,
        {stage: peak.copy() for stage, peak in stepper.peaks().items()},
        stepper.statistics(),
    )


def _resampler(rate_hz: float, factor: float, channels: int) -> Callable[[Matrix, bool], Matrix]:
    if factor == 1:
        return lambda chunk, last: chunk
    import soxr

    stream = soxr.ResampleStream(
        rate_hz, rate_hz * factor, channels, dtype="float64", quality="VHQ"
    )
    return lambda chunk, last: np.asarray(stream.resample_chunk(chunk, last=last))
