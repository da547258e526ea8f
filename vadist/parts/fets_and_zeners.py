"""Field-effect transistors and Zener diodes of the library, calculated from their sheets."""

from vadist.parts.fets import JfetModel, MosfetModel
from vadist.parts.zeners import ZenerModel

JFETS = {
    model.name: model
    for model in (
        JfetModel(
            "2N5457",
            2.85e-3,
            3.058,
            3.51e-3,
            1e-11,
            source="Motorola 2N5457, typical: IDSS 3 mA at 15 V, gos 10 uS, so lambda "
            "10 uS/(3 mA - 15 V 10 uS); VGS 2.5 V at 100 uA, so Vp 2.5 V/(1 - sqrt(0.1/3)). Gate "
            "current a hundredth of its maximum of 1 nA, assumed",
        ),
        JfetModel(
            "2N5460",
            1.673e-3,
            1.793,
            2.24e-2,
            5e-11,
            "p",
            source="Motorola 2N5460, geometric middle of its limits: IDSS 1 to 5 mA at 15 V, VGS "
            "0.5 to 4 V at 100 uA (that current from memory); gos half of its maximum of 75 uS; "
            "gate current a hundredth of its maximum of 5 nA, assumed",
        ),
    )
}

MOSFETS = {
    model.name: model
    for model in (
        MosfetModel(
            "2N7000",
            1.707,
            53.85e-3,
            source="Calogic 2N7000, typical: 1 mA at VGS 1.9 V, 210 mA at 4.5 V, both exactly "
            "met. Body diode: 0.85 V at 200 mA (Supertex 2N7000)",
        ),
        MosfetModel(
            "BS250",
            1.811,
            56.25e-3,
            polarity="p",
            source="General Semiconductor BS250, typical: gfs 150 mS at 0.2 A, so k gfs^2/(2 Id); "
            "1 mA at VGS 2.0 V. Body diode that of the 2N7000",
        ),
    )
}

ZENERS = {
    model.name: model
    for model in (
        ZenerModel(
            "BZX55C5V1",
            7.23e-11,
            1.5,
            5.1,
            5e-3,
            0.175,
            source="Vishay 85604 Rev. 1: the nominal 5.1 V at 5 mA; knee 5 mA times the most that "
            "its 35 ohm at 5 mA can be. At 1 mA that makes 175 ohm (550 at most). Forward 0.70 V "
            "at 5 mA and n 1.5 from memory",
        ),
        ZenerModel(
            "BZX55C9V1",
            7.23e-11,
            1.5,
            9.1,
            5e-3,
            0.05,
            breakdown_per_k=6e-4,
            source="Vishay 85604 Rev. 1: the nominal 9.1 V at 5 mA; knee by the maxima of 10 ohm "
            "at 5 mA and 50 ohm at 1 mA, both exactly met; drift the middle of 0.03 to 0.09 % a "
            "kelvin. Forward 0.70 V at 5 mA and n 1.5 from memory",
        ),
    )
}
