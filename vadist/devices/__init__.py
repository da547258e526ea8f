"""Nonlinear elements: one file and one record a kind, from which everything else is derived."""

from vadist.devices.diodes import DIODES
from vadist.devices.jfet import JFET
from vadist.devices.kind import DeviceKind, NoiseSource, Resting, Varied
from vadist.devices.mosfet import MOSFET
from vadist.devices.opamp import OPAMP
from vadist.devices.opamp_on_rail import OPAMP_ON_RAIL
from vadist.devices.transistor import TRANSISTOR
from vadist.devices.zener import ZENER

KINDS: dict[str, DeviceKind] = {
    kind.name: kind for kind in (DIODES, ZENER, TRANSISTOR, JFET, MOSFET, OPAMP, OPAMP_ON_RAIL)
}
"""All kinds of device by name."""

__all__ = ["KINDS", "DeviceKind", "NoiseSource", "Resting", "Varied"]
