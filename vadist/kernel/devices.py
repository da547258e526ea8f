"""The kernel's device laws on one set of control voltages, for analysis without compilation."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vadist.kernel.laws import diodes, opamp, transistor
from vadist.kernel.structure import CONTROLS, CURRENTS

_LAWS: dict[str, Callable[..., Any]] = {
    "diodes": diodes,
    "transistor": transistor,
    "opamp": opamp,
}


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
    ports = sum(CURRENTS[k] for k in kinds)
    currents, slopes = np.zeros(ports), np.zeros((ports, len(control_v)))
    control = port = 0
    for kind, values in zip(kinds, parameters, strict=True):
        count = CONTROLS[kind]
        found = _LAWS[kind](*control_v[control : control + count], *values)
        for a in range(CURRENTS[kind]):
            first = a * (1 + count)
            currents[port + a] = found[first]
            slopes[port + a, control : control + count] = found[first + 1 : first + 1 + count]
        control += count
        port += CURRENTS[kind]
    return currents, slopes
