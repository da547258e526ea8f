"""The device laws of the kernel, callable on one set of control voltages.

Analysis and time stepping must not hold two copies of the physics: this is the door through which
the operating point and the small-signal response use the kernel's own laws.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vadist.kernel.lanes import DIODES, OPAMP, PARAMETERS_PER_DEVICE, TRANSISTOR, evaluate

KINDS = {"diodes": DIODES, "transistor": TRANSISTOR, "opamp": OPAMP}
CURRENTS = {"diodes": 1, "transistor": 2, "opamp": 1}
CONTROLS = {"diodes": 1, "transistor": 2, "opamp": 2}

Table = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]


def device_table(kinds: Sequence[str]) -> Table:
    """Integer tables of a device list: kind, first current, first control, controls of a current.

    Parameters
    ----------
    kinds : sequence of str
        ``diodes``, ``transistor`` or ``opamp``, one a device.
    """
    first_current = np.cumsum([0, *(CURRENTS[k] for k in kinds)])
    first_control = np.cumsum([0, *(CONTROLS[k] for k in kinds)])
    pairs = [
        (first_control[d], first_control[d + 1] - 1)
        for d, kind in enumerate(kinds)
        for _ in range(CURRENTS[kind])
    ]
    return (
        np.array([KINDS[k] for k in kinds], dtype=np.int64),
        first_current[:-1].astype(np.int64),
        first_control[:-1].astype(np.int64),
        np.array(pairs, dtype=np.int64).reshape(-1, 2),
    )


def parameter_array(parameters: Sequence[Sequence[float]]) -> NDArray[np.float64]:
    """Device parameters as the kernel reads them, (devices, 5), padded with zeros."""
    rows = [[*p, *[0.0] * (PARAMETERS_PER_DEVICE - len(p))] for p in parameters]
    return np.array(rows, dtype=float).reshape(-1, PARAMETERS_PER_DEVICE)


def currents_and_slopes(
    kinds: Sequence[str],
    parameters: NDArray[np.float64],
    control_v: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Port currents and their derivatives at given control voltages.

    Parameters
    ----------
    kinds : sequence of str, one a device
    parameters : (devices, 5)
    control_v : (controls,) volts

    Returns
    -------
    currents : (ports,) amperes
    slopes : (ports, controls) siemens
    """
    table = device_table(kinds)
    ports = len(table[3])
    current, slope = np.zeros((ports, 1)), np.zeros((ports, 2, 1))
    v = np.ascontiguousarray(control_v, dtype=float).reshape(-1, 1)
    evaluate(*table[:3], np.ascontiguousarray(parameters[:, :, None]), v, current, slope)
    full = np.zeros((ports, len(v)))
    for a, (c0, c1) in enumerate(table[3]):
        full[a, c0] += slope[a, 0, 0]
        full[a, c1] += slope[a, 1, 0]
    return current[:, 0], full
