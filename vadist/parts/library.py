"""Parts found by type, each with the source of its numbers.

Model cards in circulation conflict with each other, so an entry says which one it took, and the
rival cards stand beside it: a design should not depend on the difference. Values quoted from
memory say so.
"""

from vadist.parts.diodes import DiodeModel
from vadist.parts.names import find_by_name
from vadist.parts.opamps import OpAmpModel
from vadist.parts.transistors import TransistorModel

_CARDS_CONFLICT = "circulating model cards conflict, this one taken"

DIODES = {
    model.name: model
    for model in (
        DiodeModel(
            "1N4148",
            "silicon",
            2.52e-9,
            1.752,
            0.568,
            f"model card A for 1N4148, IS 2.52n N 1.752 RS .568; {_CARDS_CONFLICT}",
        ),
        DiodeModel(
            "1N4148 card B",
            "silicon",
            4.352e-9,
            1.906,
            0.6458,
            "model card B for 1N4148, IS 4.352n N 1.906 RS .6458; a rival of card A",
        ),
        DiodeModel(
            "1N4148 card C",
            "silicon",
            5.84e-9,
            1.94,
            0.7017,
            "model card C for 1N4148, IS 5.84n N 1.94 RS .7017; a rival of card A",
        ),
        DiodeModel(
            "1N34A",
            "germanium",
            200e-9,
            1.3,
            7.0,
            "model card A for 1N34A, IS 200n N 1.3 RS 7; circulating cards span IS from 1 nA to "
            "2 uA, this one taken",
        ),
        DiodeModel(
            "1N34A card B",
            "germanium",
            500e-9,
            1.08,
            1.5,
            "model card B for 1N34A, IS 500n N 1.08 RS 1.5; a rival of card A",
        ),
        DiodeModel(
            "BAT41",
            "schottky",
            1.907e-10,
            1.0,
            0.0,
            "no card: IS set so that VF is the data sheet's typical 400 mV at 1 mA, with N 1 "
            "(ideal Schottky) and RS 0 assumed; only that one point is the data sheet's",
        ),
        DiodeModel(
            "1N5817",
            "schottky",
            31.7e-6,
            1.373,
            0.051,
            "model card for 1N5817, IS 31.7u N 1.373 RS .051; VF at 1 A agrees with the data sheet",
        ),
        DiodeModel(
            "red LED",
            "led",
            93.2e-12,
            3.73,
            0.042,
            "model card for a red LED, IS 93.2p N 3.73 RS .042; VF at 20 mA as on data sheets",
        ),
    )
}

# Early voltages belong to the cards; high-current roll-off of the gain (IKF), ohmic and junction
# capacitance terms are left out with the effects they describe.
TRANSISTORS = {
    model.name: model
    for model in (
        TransistorModel(
            "2N3904",
            6.734e-15,
            416.4,
            0.7371,
            74.03,
            "model card for 2N3904, IS 6.734f BF 416.4 BR .7371 VAF 74.03; "
            "IKF 66.78m, RB, RC, CJC and CJE left out",
        ),
        TransistorModel(
            "2N5088",
            5.911e-15,
            1122.0,
            1.271,
            62.37,
            "model card for 2N5088, IS 5.911f BF 1122 BR 1.271 VAF 62.37; "
            "IKF 14.92m, CJC and CJE left out",
        ),
        TransistorModel(
            "BC547B",
            23.9e-15,
            294.3,
            7.946,
            63.2,
            "model card for BC547B, IS 23.9f BF 294.3 BR 7.946 VAF 63.2; "
            "NF 1.008 taken as 1, IKF .1357 left out",
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


def find_diode(name: str) -> DiodeModel:
    """Diode of the library by its type.

    Raises
    ------
    DesignError
        If there is none; the message suggests the nearest names.

    Examples
    --------
    >>> find_diode("1n4148").saturation_current_a
    2.52e-09
    """
    return find_by_name("diode", name, DIODES)


def find_transistor(name: str) -> TransistorModel:
    """Transistor of the library by its type; raises DesignError with the nearest names.

    Examples
    --------
    >>> find_transistor("BC547B").forward_beta
    294.3
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
