"""Parts found by type, each with the source of its numbers.

Diodes and transistors are fits to points of makers' data sheets; ``python
tests/studies/fit_parts.py`` makes them again and prints every point, its document and what the fit
leaves, :mod:`vadist.parts.records` tells them. A sheet promises limits and few typical values, and
no two specimens agree: a design should not depend on where in its limits a part lies.
"""

from collections.abc import Mapping
from typing import Any

from vadist.names import find_by_name
from vadist.parts.diodes import DiodeModel
from vadist.parts.fets import JfetModel, MosfetModel
from vadist.parts.opamps import OpAmpModel
from vadist.parts.records import fitted
from vadist.parts.transistors import TransistorModel
from vadist.parts.zeners import ZenerModel

PartModel = DiodeModel | ZenerModel | TransistorModel | JfetModel | MosfetModel | OpAmpModel
"""Model of any device that is chosen by its type."""


def _table(kind: str, model: Any) -> dict[str, Any]:
    return {
        name: model(name=name, source=part["source"], **part["numbers"])
        for name, part in fitted()[kind].items()
    }


DIODES: dict[str, DiodeModel] = _table("diodes", DiodeModel)
ZENERS: dict[str, ZenerModel] = _table("Zener diodes", ZenerModel)
TRANSISTORS: dict[str, TransistorModel] = _table("transistors", TransistorModel)
JFETS: dict[str, JfetModel] = _table("JFETs", JfetModel)
MOSFETS: dict[str, MosfetModel] = _table("MOSFETs", MosfetModel)
OPAMPS: dict[str, OpAmpModel] = _table("op-amps", OpAmpModel)

LIBRARY: dict[str, Mapping[str, PartModel]] = {
    "diodes": DIODES,
    "Zener diodes": ZENERS,
    "transistors": TRANSISTORS,
    "JFETs": JFETS,
    "MOSFETs": MOSFETS,
    "op-amps": OPAMPS,
}
"""Every table, by the name that a kind of device calls its own."""


def find_diode(name: str) -> DiodeModel:
    """Diode of the library by its type.

    Raises
    ------
    DesignError
        If there is none; the message suggests the nearest names.

    Examples
    --------
    >>> find_diode("1n4148").saturation_current_a
    9.223e-09
    """
    return find_by_name("diode", name, DIODES)


def find_transistor(name: str) -> TransistorModel:
    """Transistor of the library by its type; raises DesignError with the nearest names.

    Examples
    --------
    >>> find_transistor("BC547B").forward_beta
    296.6
    """
    return find_by_name("transistor", name, TRANSISTORS)


def find_opamp(name: str) -> OpAmpModel:
    """Op-amp of the library by its type; raises DesignError with the nearest names.

    Examples
    --------
    >>> find_opamp("TL072").gain_bandwidth_hz
    3000000.0
    """
    return find_by_name("op-amp", name, OPAMPS)


def find_jfet(name: str) -> JfetModel:
    """JFET of the library by its type; raises DesignError with the nearest names.

    Examples
    --------
    >>> find_jfet("2N5460").polarity
    'p'
    """
    return find_by_name("JFET", name, JFETS)


def find_mosfet(name: str) -> MosfetModel:
    """MOSFET of the library by its type; raises DesignError with the nearest names.

    Examples
    --------
    >>> find_mosfet("2N7000").threshold_v
    1.727
    """
    return find_by_name("MOSFET", name, MOSFETS)


def find_zener(name: str) -> ZenerModel:
    """Zener diode of the library by its type; raises DesignError with the nearest names.

    Examples
    --------
    >>> find_zener("BZX55C9V1").breakdown_v
    9.1
    """
    return find_by_name("Zener diode", name, ZENERS)
