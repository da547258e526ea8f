"""Emitter follower."""

from dataclasses import dataclass
from typing import ClassVar

from vadist.circuits.network import BIAS, GROUND, SUPPLY, Network
from vadist.parts import TransistorModel
from vadist.stages.sketch import Place, along, hang
from vadist.stages.stage import Stage, device, part


@dataclass(frozen=True, kw_only=True)
class EmitterFollower(Stage):
    """Emitter-follower buffer.

    ::

                              supply
                                |
        source --||--+--Rb----|< Q
              Cin    |          |
                    Rbias       +-- output
                     |          |
                    bias        Re -- ground

    The output rests a junction below the bias rail: the next stage brings its own capacitor.
    """

    kind: ClassVar[str] = "emitter_follower"
    job: ClassVar[str] = "takes little from what drives it and gives it on with low resistance"

    input_capacitor: float = part("F", "blocks DC at the base")
    bias_resistor: float = part("ohm", "feeds the base from the bias rail; most of the input load")
    emitter_resistor: float = part("ohm", "sets the emitter current")
    transistor: TransistorModel = device("transistor", "the follower", "npn")
    base_resistor: float = part("ohm", "base stopper: keeps radio and ringing out", 1e3)

    drawing: ClassVar[tuple[Place, ...]] = (
        along("input_capacitor"),
        hang("bias_resistor"),
        along("base_resistor", "transistor"),
        hang("emitter_resistor"),
    )

    def wire(self, network: Network, source: str, output: str) -> None:  # noqa: D102
        coupled, base = network.node("coupled"), network.node("base")
        network.capacitor("input_capacitor", source, coupled, self.input_capacitor)
        network.resistor("bias_resistor", coupled, BIAS, self.bias_resistor)
        network.resistor("base_resistor", coupled, base, self.base_resistor)
        network.transistor("transistor", SUPPLY, base, output, self.transistor)
        network.resistor("emitter_resistor", output, GROUND, self.emitter_resistor)
