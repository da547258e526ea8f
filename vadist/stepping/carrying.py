"""What a lane remembers, carried over to another rate.

States are charges and volts at one moment, and so are port currents: they mean the same at every
rate. Samples of the past lie closer together at a finer rate and are read off the curve through
the known ones.
"""

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.kernel.structure import TAPS, Program

_VOLTS = ("x", "h", "g")


def volts_remembered(program: Program) -> NDArray[np.bool_]:
    """Which memories are volts; the others are currents, charges, shares and lost roundings."""
    rails = len(program.parts)
    return np.array(
        [name.startswith(("v",) if p == rails else _VOLTS) for p, name in program.memory]
    )


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
