"""What a lane remembers, carried over to another rate and other paces.

States are charges and volts at one moment, and so are port currents: they mean the same at every
rate. Samples of the past lie closer together at a finer rate and are read off the curve through
the known ones.
"""

from collections.abc import Sequence

import numpy as np

from vadist.arrays import FloatArray
from vadist.kernel.structure import TAPS, Program, Structure
from vadist.stepping.discretize import DiscreteSection


def volts_remembered(
    memory: FloatArray, program: Program, sections: Sequence[Sequence[DiscreteSection]]
) -> FloatArray:
    """Volts in a memory: across capacitors, of the past of signals, of rails.

    States themselves are shares of modes, which may be large and all but cancel.

    Parameters
    ----------
    memory : (memory, lanes)
    program : Program
    sections : of each lane, those of the program

    Returns
    -------
    (volts, lanes)
    """
    rails = len(program.parts)
    found = [
        row[None]
        for row, (p, name) in zip(memory, program.memory, strict=True)
        if name.startswith("v" if p == rails else ("h", "g"))
    ]
    for part in range(rails):
        rows = [k for k, (p, name) in enumerate(program.memory) if p == part and name[0] == "x"]
        seen = np.array([own[part].seen for own in sections])
        found.append(np.einsum("lvx,xl->vl", seen, memory[rows]))
    return np.concatenate(found)


def carried_over(
    memory: FloatArray, coarse: Program, fine: Program, coarse_s: float, fine_s: float
) -> FloatArray:
    """Memory with which a lane goes on at other paces and a rate no coarser.

    Parameters
    ----------
    memory : (memory, ...)
        At the coarse rate.
    coarse, fine : of the same sections
    coarse_s, fine_s : float
        Seconds in a tick of each.
    """
    held = dict(zip(coarse.memory, memory, strict=True))
    found = np.zeros((len(fine.memory), *memory.shape[1:]))
    rails = len(fine.parts)
    for row, (part, name) in zip(found, fine.memory, strict=True):
        word, place = name[0], name[1:]
        if part == rails:
            row[:] = _rail_before(held, part, name, coarse_s / fine_s)
            continue
        before, after = coarse.parts[part], fine.parts[part]
        if word in ("x", "i"):
            row[:] = held[part, name]
        elif word in ("h", "g"):
            signal, age = (int(number) for number in place.split("_"))
            source = word if before.stretch[signal] > 1 else "h"
            count = TAPS if source == "g" else TAPS - 1
            past = np.stack([held[part, f"{source}{signal}_{k}"] for k in range(count)])
            apart = coarse_s / _samples(before, source, signal)
            row[:] = _read_off(past, age * fine_s / _samples(after, word, signal) / apart)
        elif word == "j":
            now = held[part, f"i{place}"]
            steps = coarse_s / before.steps * after.steps / fine_s
            row[:] = now + (held[part, name] - now) / steps
    return found


def _samples(part: Structure, word: str, signal: int) -> int:
    """Samples in a tick of a signal as it comes, or of what is remembered of it step by step."""
    count = part.samples[signal]
    return count if word == "g" else max(count, part.steps)


def _rail_before(
    held: dict[tuple[int, str], FloatArray], part: int, name: str, ratio: float
) -> FloatArray:
    """What is kept of a rail: its volts a tick ago lie closer by at a finer rate."""
    if name.startswith("q_lost"):
        return np.zeros_like(held[part, name])
    if name.startswith("v_old"):
        now = held[part, name.replace("_old", "")]
        return np.asarray(now + (held[part, name] - now) / ratio)
    return held[part, name]


def _read_off(past: FloatArray, age: float) -> FloatArray:
    """The polynomial through samples of ages 0, 1, 2, ... at an age between."""
    ages = np.arange(len(past), dtype=float)
    weights = [
        np.prod([(age - other) / (own - other) for other in ages if other != own]) for own in ages
    ]
    return np.asarray(np.tensordot(weights, past, axes=1))
