"""The device laws on one set of control voltages, as plain Python, for analysis."""

from collections.abc import Sequence

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
    parameters : sequence of the parameters of each device, as its law lists them
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
        found = kind.law(*control_v[control : control + count], *values)
        for a in range(kind.ports):
            first = a * (1 + count)
            currents[port + a] = found[first]
            slopes[port + a, control : control + count] = found[first + 1 : first + 1 + count]
        control += count
        port += kind.ports
    return currents, slopes
