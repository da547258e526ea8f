"""Signals of a loop at the rates of the circuit, kept so that what follows them can be run again.

A circuit is a row of programs, each fed by those before it. Where one signal alone crosses from the
programs before a place to those behind it, the circuit can be cut there: the rest of it is a
circuit of its own, which hears that signal instead of the take.
"""

from dataclasses import dataclass, replace

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.stepping.circuit import RIPPLE, Circuit, Tap
from vadist.stepping.resampling import REACH, resampler
from vadist.turning.shapes import SturdyCircuit


@dataclass(frozen=True)
class Strip:
    """A signal over the whole loop, from ``REACH`` frames before its first; before that it rests.

    Attributes
    ----------
    volts : (frames * rate, channels)
        Deviations from rest, in single precision, as the kernels hand them on.
    rate : int
        Samples in a frame.
    """

    volts: FloatArray
    rate: int

    def columns(
        self, begins: IndexArray, channels: IndexArray, first: int, count: int
    ) -> FloatArray:
        """Samples ``first`` to ``first + count`` of windows that begin at frames; C-ordered."""
        block = np.zeros((count, len(begins)), dtype=self.volts.dtype)
        for lane, (begin, channel) in enumerate(zip(begins, channels, strict=True)):
            at = (int(begin) + REACH) * self.rate + first
            low, high = max(at, 0), min(at + count, len(self.volts))
            if low < high:
                block[low - at : high - at, lane] = self.volts[low:high, channel]
        return block


def strip_of_take(volts: FloatArray, sample_rate_hz: float, factor: int) -> Strip:
    """The take at the oversampled rate.

    Parameters
    ----------
    volts : (frames, channels)
    sample_rate_hz : float
    factor : int
    """
    silence = np.zeros((REACH, volts.shape[1]))
    convert = resampler(sample_rate_hz, factor, volts.shape[1])
    fast = convert(np.concatenate([silence, volts, silence]), True)
    return Strip(fast.astype(np.float32), factor)


def as_take(strip: Strip, sample_rate_hz: float, pace: int, frames: int) -> FloatArray:
    """A signal at the rate of the take again, (frames, channels) deviations from rest.

    Parameters
    ----------
    strip : Strip
        Of an output with ``pace`` steps in a sample: of the first tick only the last step counts.
    """
    convert = resampler(sample_rate_hz, strip.rate, strip.volts.shape[1], down=True)
    slow = convert(strip.volts[pace - 1 :].astype(float), True)
    return slow[REACH : REACH + frames]


def crossing(circuit: Circuit, first: int) -> tuple[Tap | None, ...]:
    """Signals that programs from a number on hear from before it; None is the take."""
    behind = {k for program in circuit.programs[first:] for k in program}
    heard = (tap for number in range(first, len(circuit.programs)) for tap in circuit.heard(number))
    return tuple(dict.fromkeys(t for t in heard if t is None or t.section not in behind))


def cuts(circuit: Circuit) -> dict[int, Tap]:
    """Programs before which the circuit can be cut, with the signal that crosses there."""
    found = {}
    for first in range(1, len(circuit.programs)):
        signals = crossing(circuit, first)
        if len(signals) == 1 and signals[0] is not None and signals[0].section != RIPPLE:
            found[first] = signals[0]
    return found


def behind(circuit: SturdyCircuit, first: int) -> SturdyCircuit:
    """The circuit from a cut on; what crosses there is its take."""
    if first == 0:
        return circuit
    tap = cuts(circuit)[first]
    kept = sorted(k for program in circuit.programs[first:] for k in program)
    place = {k: number for number, k in enumerate(kept)}

    def moved(signal: Tap | None) -> Tap | None:
        if signal is None or signal.section < 0:
            return signal
        return None if signal == tap else Tap(place[signal.section], signal.row)

    output = moved(circuit.output)
    assert output is not None
    return replace(
        circuit,
        sections=tuple(circuit.sections[k] for k in kept),
        written=tuple(circuit.written[k] for k in kept),
        inputs=tuple(tuple(moved(t) for t in circuit.inputs[k]) for k in kept),
        taps={
            name: Tap(place[t.section], t.row)
            for name, t in circuit.taps.items()
            if t.section in place
        },
        output=output,
        sample_rate_hz=circuit.rate_hz(tap),
        entry_pace=circuit.paces[tap.section],
        paces=tuple(circuit.paces[k] for k in kept),
        programs=tuple(tuple(place[k] for k in own) for own in circuit.programs[first:]),
        left_out=tuple(circuit.left_out[k] for k in kept),
    )


def first_unlike(before: Circuit, after: Circuit) -> int:
    """Program from which on two circuits step otherwise; 0 where they are drawn otherwise."""
    if _drawn(before) != _drawn(after):
        return 0
    count = len(after.programs)
    return next((k for k in range(count) if before.bundle(k).key != after.bundle(k).key), count)


def _drawn(circuit: Circuit) -> tuple[object, ...]:
    return (
        circuit.written, circuit.inputs, circuit.output, circuit.entry_pace, circuit.paces,
        circuit.programs, circuit.ripple, circuit.rails and circuit.rails.names,
        tuple((s.stages, s.states, s.samples, s.outputs, s.kinds) for s in circuit.sections),
    )  # fmt: skip
