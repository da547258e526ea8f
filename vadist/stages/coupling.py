"""Blocking capacitor into a bias resistor."""

from dataclasses import dataclass
from typing import ClassVar

from vadist.circuits.network import Network
from vadist.stages.sketch import Place, along, hang
from vadist.stages.stage import Stage, choice, part


@dataclass(frozen=True, kw_only=True)
class CouplingHighPass(Stage):
    """Coupling high-pass.

    ::

        source --||--+-- output
             C       |
                     R
                     |
                   bias or ground

    Unloaded corner: 1/(2 pi R C).
    """

    kind: ClassVar[str] = "coupling_high_pass"
    job: ClassVar[str] = "blocks DC and sets the level the next stage rests at"

    capacitor: float = part("F", "blocks DC; with the bias resistor it sets the bass cut")
    bias_resistor: float = part("ohm", "ties the output to its resting voltage")
    returns_to: str = choice("rail the resistor goes to", "bias", "ground")

    drawing: ClassVar[tuple[Place, ...]] = (
        along("capacitor"),
        hang("bias_resistor"),
    )

    def wire(self, network: Network, source: str, output: str) -> None:  # noqa: D102
        network.capacitor("capacitor", source, output, self.capacitor)
        network.resistor("bias_resistor", output, self.returns_to, self.bias_resistor)
