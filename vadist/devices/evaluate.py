"""The device laws on one set of control voltages, as plain Python, for analysis."""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vadist.devices import KINDS


def currents_and_slopes(
    kinds: Sequence[str],
    parameters: Sequence[Sequence[float]],
    control_v: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Port currents and their derivatives at given control voltages.

    Parameters
    ----------
    kinds : sequence of str, one a device
    parameters : sequence of the parameters of each device, as its record lists them
    control_v : (controls,) volts

    Returns
    -------
    currents : (ports,) amperes
    slopes : (ports, controls) siemens
    """
    ports = sum(KINDS[k].ports for k in kinds)
    currents, slopes = np.zeros(ports), np.zeros((ports, len(control_v)))
    control = port = 0
    for name, values in zip(kinds, parameters, strict=True):
        kind = KINDS[name]
        count = len(kind.controls)
        origin, constants = _from_origin(name, tuple(values))
        found = kind.law(*(control_v[control : control + count] - origin), *constants)
        for a in range(kind.ports):
            first = a * (1 + count)
            currents[port + a] = found[first]
            slopes[port + a, control : control + count] = found[first + 1 : first + 1 + count]
        control += count
        port += kind.ports
    return currents, slopes


@lru_cache(maxsize=4096)
def _from_origin(
    name: str, values: tuple[float, ...]
) -> tuple[NDArray[np.float64], tuple[float, ...]]:
    """Control volts without currents, and the law's constants about them."""
    kind = KINDS[name]
    named = dict(zip(kind.parameters, values, strict=True))
    origin = kind.origin(named) or (0.0,) * len(kind.controls)
    return np.array(origin), kind.at_rest(named, origin)


def rest_constants(
    kinds: Sequence[str], parameters: Sequence[Sequence[float]], control_v: NDArray[np.float64]
) -> tuple[tuple[float, ...], ...]:
    """Constants of each device's law about an operating point."""
    found, control = [], 0
    for name, values in zip(kinds, parameters, strict=True):
        kind = KINDS[name]
        volts = control_v[control : control + len(kind.controls)]
        named = dict(zip(kind.parameters, values, strict=True))
        found.append(tuple(kind.at_rest(named, [float(v) for v in volts])))
        control += len(kind.controls)
    return tuple(found)
