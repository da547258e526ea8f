"""Parts found by type, each with the source of its numbers.

Diodes and transistors are fits to points of makers' data sheets; ``python
tests/studies/fit_parts.py`` makes them again and prints every point, its document and what the fit
leaves. A sheet promises limits and few typical values, and no two specimens agree: a design should
not depend on where in its limits a part lies. Values from memory say so.
"""

from collections.abc import Mapping

from vadist.names import find_by_name
from vadist.parts.diodes import DiodeModel
from vadist.parts.fets import JfetModel, MosfetModel
from vadist.parts.fets_and_zeners import JFETS, MOSFETS, ZENERS
from vadist.parts.opamps import OpAmpModel
from vadist.parts.transistors import TransistorModel
from vadist.parts.zeners import ZenerModel

PartModel = DiodeModel | ZenerModel | TransistorModel | JfetModel | MosfetModel | OpAmpModel
"""Model of any device that is chosen by its type."""

DIODES = {
    model.name: model
    for model in (
        DiodeModel(
            "1N4148",
            "silicon",
            9.223e-9,
            1.935,
            1.886,
            "fit, worst 6 mV: 0.67 V at 5 mA, the middle of the limits of the 1N4448 (NXP 1N4148; "
            "1N4448, 2004), and the run of the BAS16's maxima at 1, 10, 50 and 150 mA (Siemens "
            "BAS 16, 1994), a diode of the same class in another case; 1 V at most at 10 mA",
        ),
        DiodeModel(
            "1N34A",
            "germanium",
            1.344e-6,
            1.479,
            47.12,
            "fit to three points from memory, exactly met: 0.17 V at 0.1 mA and 0.30 V at 1 mA "
            "within 50 mV, 0.55 V at 5 mA within 200 mV; no sheet at hand. Point contacts differ "
            "from one to the next more than any other diode: measure yours",
        ),
        DiodeModel(
            "BAT41",
            "schottky",
            2.066e-10,
            1.0,
            2.076,
            "fit, exactly met: 0.40 V at 1 mA, typical, and 0.95 V at 200 mA, 50 mV under the "
            "maximum as at 1 mA (STMicroelectronics DS4884 Rev. 3); N 1 assumed",
        ),
        DiodeModel(
            "1N5817",
            "schottky",
            3.93e-6,
            1.0,
            0.1209,
            "fit, worst 23 mV: 30 mV under the maxima of 0.45 V at 1 A and 0.75 V at 3 A (Diodes "
            "Incorporated DS23001) and, from memory, of 0.32 V at 0.1 A; N 1 assumed. Milliamperes "
            "are far outside what its sheet states",
        ),
        DiodeModel(
            "red LED",
            "led",
            3.14e-11,
            3.687,
            3.394,
            "fit, exactly met: 2.0 V at 20 mA, typical of the TLHR5400, red GaAsP on GaP (Vishay "
            "83012 Rev. 2.3); from memory 1.9 V at 10 mA and, within 100 mV, 1.65 V at 1 mA",
        ),
    )
}

TRANSISTORS = {
    model.name: model
    for model in (
        TransistorModel(
            "2N3904",
            6.257e-15,
            297.1,
            1.134,
            148.9,
            emitter_leakage_a=9.434e-12,
            knee_current_a=0.02566,
            base_resistance_ohm=9.796,
            source="fit to ON Semiconductor 2N3903/D Rev. 8, gains within 13 %: sqrt(3) times the "
            "guaranteed gains of 40, 70, 100, 60, 30 at 0.1, 1, 10, 50, 100 mA, as 100 to 300 "
            "are promised at 10 mA; the middle of its VBE(sat); VCE(sat) at 0.36 of its maximum "
            "(the BC547B's ratio); hoe the geometric middle of its limits (Rev. 3)",
        ),
        TransistorModel(
            "2N5088",
            2.028e-14,
            595.0,
            1.793,
            28.99,
            emitter_leakage_a=7.059e-13,
            knee_current_a=0.03119,
            base_resistance_ohm=60.72,
            source="fit to ON Semiconductor 2N5088/D Rev. 4, exactly met: sqrt(3) times the "
            "guaranteed gains of 300, 350, 300 at 0.1, 1, 10 mA, as 300 to 900 are promised at "
            "0.1 mA; VBE 0.1 V under its maximum (the MPSA18's distance). VBE(sat) and VCE(sat) "
            "of the BC549C (Motorola BC549B/D) and hoe of gain group C (Vishay 85115), types of "
            "like gain",
        ),
        TransistorModel(
            "BC547B",
            2.253e-14,
            296.6,
            0.7834,
            62.35,
            emitter_leakage_a=1.73e-12,
            knee_current_a=0.1259,
            base_resistance_ohm=25.67,
            source="fit to typical values, gains exactly met, volts within 11 mV: gain 150, 290, "
            "180 at 10 uA, 2 mA, 100 mA, VBE(sat), VCE(sat) (ON Semiconductor BC546B, BC547, "
            "BC548 Rev. 7), VBE at 2 mA (Fairchild BC546 to BC550 Rev. 1.1.1), hoe of gain group "
            "B (Vishay 85115 Rev. 1.2)",
        ),
    )
}

OPAMPS = {
    model.name: model
    for model in (
        OpAmpModel(
            "TL072",
            3e6,
            13e6,
            open_loop_gain=2e5,
            headroom_high_v=15.0 - 13.5,
            headroom_low_v=15.0 - 13.5,
            voltage_noise_v_rthz=18e-9,
            current_noise_a_rthz=0.01e-12,
            supply_current_a=1.4e-3,
            source="TI SLOS080N, legacy silicon, typical: GBW 3 MHz, SR 13 V/us, 18 nV/rtHz, "
            "swing +-13.5 V; from memory, not located: open-loop gain, current noise, supply "
            "current. Newer silicon of this type is faster (5.25 MHz, 20 V/us) and noisier",
        ),
        OpAmpModel(
            "NE5532",
            10e6,
            9e6,
            open_loop_gain=1e5,
            headroom_high_v=15.0 - 13.0,
            headroom_low_v=15.0 - 13.0,
            voltage_noise_v_rthz=5e-9,
            current_noise_a_rthz=0.7e-12,
            supply_current_a=4e-3,
            source="TI SLOS075J, legacy silicon, typical: GBW 10 MHz, SR 9 V/us, 5 nV/rtHz; from "
            "memory, not located: swing +-13 V, open-loop gain, current noise, supply current",
        ),
        OpAmpModel(
            "RC4558",
            3e6,
            1.7e6,
            open_loop_gain=3e5,
            headroom_high_v=15.0 - 14.0,
            headroom_low_v=15.0 - 14.0,
            voltage_noise_v_rthz=8e-9,
            # Shot noise sqrt(2 q I) of the typical input current, 150 nA.
            current_noise_a_rthz=0.22e-12,
            supply_current_a=1.25e-3,
            source="TI RC4558 Rev G, typical: GBW 3 MHz, SR 1.7 V/us; from memory, not located: "
            "8 nV/rtHz, swing +-14 V, open-loop gain, supply current, input current 150 nA, whose "
            "shot noise is the current noise. Rev H (2024) states 4 MHz, 2.2 V/us, 6.5 nV/rtHz",
        ),
    )
}

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
    1.707
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
