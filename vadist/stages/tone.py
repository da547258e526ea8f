"""Tone blend: a low-pass and a high-pass arm with a pot between them."""

from dataclasses import dataclass
from typing import ClassVar

from vadist.circuits.network import BIAS, GROUND, Network
from vadist.stages.sketch import Place, along, beside, hang
from vadist.stages.stage import Pot, Stage, choice, part, pot


@dataclass(frozen=True, kw_only=True)
class ToneBlend(Stage):
    """Tone blend.

    ::

                  +--Rlow--+------ pot bottom
                  |       Clow        |
        source ---+        |        wiper -- output
                  |      return       |
                  +--||----+------ pot top
                    Chigh Rhigh
                           |
                         return         return: bias or ground

    The wiper at the bottom hears the low arm, at the top the high arm; between them the two
    leave a scoop in the middle of the spectrum.
    """

    kind: ClassVar[str] = "tone_blend"
    job: ClassVar[str] = "blends a bass arm and a treble arm"

    low_resistor: float = part("ohm", "low-pass arm, with its capacitor the treble cut")
    low_capacitor: float = part("F", "low-pass arm")
    high_capacitor: float = part("F", "high-pass arm, with its resistor the bass cut")
    high_resistor: float = part("ohm", "high-pass arm")
    blend_pot: Pot = pot("between the arms; the wiper is the output")
    returns_to: str = choice("rail that either arm goes to", BIAS, GROUND)

    @property
    def driven_at_bias(self) -> bool:  # noqa: D102
        return self.returns_to == BIAS

    drawing: ClassVar[tuple[Place, ...]] = (
        beside("low_resistor"),
        hang("low_capacitor"),
        along("high_capacitor", "blend_pot"),
        hang("high_resistor"),
    )

    def wire(self, network: Network, source: str, output: str) -> None:  # noqa: D102
        low, high = network.node("low_arm"), network.node("high_arm")
        network.resistor("low_resistor", source, low, self.low_resistor)
        network.capacitor("low_capacitor", low, self.returns_to, self.low_capacitor)
        network.capacitor("high_capacitor", source, high, self.high_capacitor)
        network.resistor("high_resistor", high, self.returns_to, self.high_resistor)
        network.potentiometer(
            "blend_pot", high, output, low, self.blend_pot.resistance, self.blend_pot.wiper
        )
