"""Common-emitter transistor boost with collector-to-base feedback."""

from dataclasses import dataclass
from typing import ClassVar

from vadist.circuits.network import GROUND, SUPPLY, Network
from vadist.parts import TransistorModel
from vadist.stages.sketch import Place, along, hang, over
from vadist.stages.stage import Stage, device, optional_part, part


@dataclass(frozen=True, kw_only=True)
class TransistorBoost(Stage):
    """Transistor boost.

    ::

                             supply
                               |
                               Rc
                +----Rf--------+-- output
                |   Croll      |
        source -||--+--Rb----|< Q
               Cin  |          |
                   Rg          Re
                    |          |
                  ground     ground

    The feedback resistor sets the operating point and closes the loop that gives the gain; cut-off
    and saturation of the transistor limit the output to the rails, each in its own way.
    """

    kind: ClassVar[str] = "transistor_boost"
    job: ClassVar[str] = "raises the level; past its rails it cuts off or saturates"

    input_capacitor: float = part("F", "blocks DC; with the input resistance it sets the bass cut")
    feedback_resistor: float = part("ohm", "collector to base: bias and gain")
    collector_resistor: float = part("ohm", "collector load")
    transistor: TransistorModel = device("transistor", "the gain", "npn")
    emitter_resistor: float = part("ohm", "emitter degeneration: less gain, less distortion", 0.0)
    base_resistor: float = part("ohm", "in series with the input: sets gain and input load", 0.0)
    ground_resistor: float | None = optional_part("ohm", "base to ground: raises the collector")
    rolloff_capacitor: float | None = optional_part("F", "collector to base: treble roll-off")

    drawing: ClassVar[tuple[Place, ...]] = (
        along("input_capacitor", "base_resistor", "transistor"),
        hang("emitter_resistor"),
        over("feedback_resistor"),
        hang("collector_resistor"),
        hang("ground_resistor"),
        over("rolloff_capacitor"),
    )

    def wire(self, network: Network, source: str, output: str) -> None:  # noqa: D102
        coupled, base, emitter = (network.node(n) for n in ("coupled", "base", "emitter"))
        network.capacitor("input_capacitor", source, coupled, self.input_capacitor)
        network.resistor("base_resistor", coupled, base, self.base_resistor)
        network.resistor("emitter_resistor", emitter, GROUND, self.emitter_resistor)
        network.resistor("feedback_resistor", output, base, self.feedback_resistor)
        network.resistor("collector_resistor", SUPPLY, output, self.collector_resistor)
        network.transistor("transistor", output, base, emitter, self.transistor)
        if self.ground_resistor is not None:
            network.resistor("ground_resistor", base, GROUND, self.ground_resistor)
        if self.rolloff_capacitor is not None:
            network.capacitor("rolloff_capacitor", output, base, self.rolloff_capacitor)
