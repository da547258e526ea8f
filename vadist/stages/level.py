"""Level control."""

from dataclasses import dataclass
from typing import ClassVar

from vadist.circuits.network import BIAS, GROUND, Network
from vadist.stages.sketch import Place, along
from vadist.stages.stage import Pot, Stage, choice, part, pot


@dataclass(frozen=True, kw_only=True)
class LevelControl(Stage):
    """Coupling capacitor into a pot.

    ::

        source --||--+
             C       |
                    pot <-- output
                     |
                   ground or bias
    """

    kind: ClassVar[str] = "level_control"
    job: ClassVar[str] = "sets how loud the whole is"

    input_capacitor: float = part("F", "blocks DC; with the pot it sets the bass cut")
    level_pot: Pot = pot("the wiper is the output")
    returns_to: str = choice("rail the pot goes to", GROUND, BIAS)

    drawing: ClassVar[tuple[Place, ...]] = (along("input_capacitor", "level_pot"),)

    def wire(self, network: Network, source: str, output: str) -> None:  # noqa: D102
        top = network.node("top")
        network.capacitor("input_capacitor", source, top, self.input_capacitor)
        track = self.level_pot
        network.potentiometer(
            "level_pot", top, output, self.returns_to, track.resistance, track.wiper
        )
