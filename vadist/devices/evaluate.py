"""The device laws on control voltages, as plain Python, for analysis: of one device or many."""

import types
from collections.abc import Callable, Sequence
from functools import cache, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vadist.devices import KINDS
from vadist.devices.exponential import exponential_less_one


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


class LikeDevices:
    """Many devices of one kind, evaluated at once by the law that evaluates one.

    Parameters
    ----------
    kind : str
    parameters : sequence of the parameters of each device
    """

    def __init__(self, kind: str, parameters: Sequence[Sequence[float]]) -> None:
        self._kind = KINDS[kind]
        found = [_from_origin(kind, tuple(values)) for values in parameters]
        self._origin = np.array([origin for origin, _ in found])
        self._constants = np.array([constants for _, constants in found])

    def currents_and_slopes(
        self, control_v: NDArray[np.float64], which: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Port currents and their derivatives.

        Parameters
        ----------
        control_v : (devices, controls) volts
        which : (devices,)
            Places of the devices among those given.

        Returns
        -------
        currents : (devices, ports) amperes
        slopes : (devices, ports, controls) siemens
        """
        count, ports = control_v.shape[1], self._kind.ports
        growths = control_v - self._origin[which]
        found = _law_of_arrays(self._kind.name)(*growths.T, *self._constants[which].T)
        table = np.stack([np.broadcast_to(f, len(which)) for f in found], axis=1)
        table = table.reshape(len(which), ports, 1 + count)
        return table[:, :, 0], table[:, :, 1:]


def _of_arrays(function: Callable[..., Any], **names: Any) -> Callable[..., Any]:
    """Return a function of scalars as one of arrays: its code, with other names to look up."""
    known = {**function.__globals__, "min": np.minimum, "max": np.maximum, **names}
    return types.FunctionType(function.__code__, known)


@cache
def _law_of_arrays(kind: str) -> Callable[..., Any]:
    return _of_arrays(KINDS[kind].law, exponential_less_one=_of_arrays(exponential_less_one))


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
