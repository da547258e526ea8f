"""What a lane remembers, carried over to another rate.

States are charges and volts at one moment, and so are port currents: they mean the same at every
rate. Samples of the past lie closer together at a finer rate and are read off the curve through
the known ones.
"""

from collections.abc import Sequence

import numpy as np

from vadist.arrays import FloatArray
from vadist.kernel.structure import TAPS, Program
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


def carried_over(memory: FloatArray, coarse: Program, fine: Program, ratio: float) -> FloatArray:
    """Memory with which a lane goes on at a finer rate.

    Parameters
    ----------
    memory : (memory, ...)
        At the coarse rate.
    coarse, fine : of the same sections
    ratio : float
        Of the rates, at least 1.
    """
    held = dict(zip(coarse.memory, memory, strict=True))
    found = np.zeros((len(fine.memory), *memory.shape[1:]))
    rails = len(fine.parts)
    for row, (part, name) in zip(found, fine.memory, strict=True):
        word, place = name[0], name[1:]
        if part == rails:
            row[:] = _rail_before(held, part, name, ratio)
        elif word in ("x", "i"):
            row[:] = held[part, name]
        elif word in ("h", "g"):
            signal, age = place.split("_")
            count = TAPS - 1 if word == "h" else TAPS
            past = np.stack([held[part, f"{word}{signal}_{k}"] for k in range(count)])
            row[:] = _read_off(past, int(age) / ratio)
        elif word == "j":
            now = held[part, f"i{place}"]
            row[:] = now + (held[part, name] - now) / ratio
    return found


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
