"""Device data: models of diodes, transistors and op-amps, pot tapers, and a library of parts."""

from vadist.parts.diodes import DIODE_FAMILIES, DiodeModel
from vadist.parts.library import (
    DIODES,
    LIBRARY,
    OPAMPS,
    TRANSISTORS,
    find_diode,
    find_opamp,
    find_transistor,
)
from vadist.parts.opamps import OpAmpModel
from vadist.parts.tapers import TAPERS, wiper_fraction
from vadist.parts.transistors import TransistorModel

__all__ = [
    "DIODES",
    "DIODE_FAMILIES",
    "LIBRARY",
    "OPAMPS",
    "TAPERS",
    "TRANSISTORS",
    "DiodeModel",
    "OpAmpModel",
    "TransistorModel",
    "find_diode",
    "find_opamp",
    "find_transistor",
    "wiper_fraction",
]
