"""Nonlinear elements: one file and one record a kind, from which everything else is derived."""

from vadist.devices.diodes import DIODES
from vadist.devices.kind import DeviceKind, NoiseSource, Resting, Varied
from vadist.devices.opamp import OPAMP
from vadist.devices.opamp_on_rail import OPAMP_ON_RAIL
from vadist.devices.transistor import TRANSISTOR

KINDS: dict[str, DeviceKind] = {
    kind.name: kind for kind in (DIODES, TRANSISTOR, OPAMP, OPAMP_ON_RAIL)
}
"""All kinds of device by name."""

__all__ = ["KINDS", "DeviceKind", "NoiseSource", "Resting", "Varied"]
