"""What a lane remembers, carried over to another rate.

States are charges and volts at one moment, and so are port currents: they mean the same at every
rate. Samples of the past lie closer together at a finer rate and are read off the curve through
the known ones.
"""

import numpy as np

from vadist.arrays import FloatArray
from vadist.kernel.structure import TAPS, Structure

_VOLTS = ("x", "h", "g")


def volts_remembered(structure: Structure) -> int:
    """How many of the leading memories are volts; what follows are currents and shares."""
    return sum(name.startswith(_VOLTS) for name in structure.memory)


def carried_over(
    memory: FloatArray, coarse: Structure, fine: Structure, ratio: float
) -> FloatArray:
    """Memory with which a lane goes on at a finer rate.

    Parameters
    ----------
    memory : (memory, ...)
        At the coarse rate.
    coarse, fine : of the same section
    ratio : float
        Of the rates, at least 1.
    """
    held = dict(zip(coarse.memory, memory, strict=True))
    found = np.zeros((len(fine.memory), *memory.shape[1:]))
    for row, name in zip(found, fine.memory, strict=True):
        word, place = name[0], name[1:]
        if word in ("x", "i"):
            row[:] = held[name]
        elif word in ("h", "g"):
            signal, age = place.split("_")
            count = TAPS - 1 if word == "h" else TAPS
            past = np.stack([held[f"{word}{signal}_{k}"] for k in range(count)])
            row[:] = _read_off(past, int(age) / ratio)
        elif word == "j":
            row[:] = held[f"i{place}"] + (held[name] - held[f"i{place}"]) / ratio
    return found


def _read_off(past: FloatArray, age: float) -> FloatArray:
    """The polynomial through samples of ages 0, 1, 2, ... at an age between."""
    ages = np.arange(len(past), dtype=float)
    weights = [
        np.prod([(age - other) / (own - other) for other in ages if other != own]) for own in ages
    ]
    return np.asarray(np.tensordot(weights, past, axes=1))
