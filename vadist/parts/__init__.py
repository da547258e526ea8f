"""Device data: models of the devices, pot tapers, and a library of parts."""

from vadist.parts.diodes import DIODE_FAMILIES, DiodeModel
from vadist.parts.fets import JfetModel, MosfetModel
from vadist.parts.library import (
    DIODES,
    JFETS,
    LIBRARY,
    MOSFETS,
    OPAMPS,
    TRANSISTORS,
    ZENERS,
    PartModel,
    find_diode,
    find_jfet,
    find_mosfet,
    find_opamp,
    find_transistor,
    find_zener,
)
from vadist.parts.opamps import OpAmpModel
from vadist.parts.tapers import TAPERS, wiper_fraction
from vadist.parts.transistors import TransistorModel
from vadist.parts.zeners import ZenerModel

__all__ = [
    "DIODES",
    "DIODE_FAMILIES",
    "JFETS",
    "LIBRARY",
    "MOSFETS",
    "OPAMPS",
    "TAPERS",
    "TRANSISTORS",
    "ZENERS",
    "DiodeModel",
    "JfetModel",
    "MosfetModel",
    "OpAmpModel",
    "PartModel",
    "TransistorModel",
    "ZenerModel",
    "find_diode",
    "find_jfet",
    "find_mosfet",
    "find_opamp",
    "find_transistor",
    "find_zener",
    "wiper_fraction",
]
