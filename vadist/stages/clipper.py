"""Diode clipper: series resistor, shunt capacitor, diodes to a rail."""

from dataclasses import dataclass
from typing import ClassVar

from vadist.circuits.network import BIAS, GROUND, Network
from vadist.stages.sketch import Place, along, hang
from vadist.stages.stage import DiodePair, Stage, choice, device, optional_part, part


@dataclass(frozen=True, kw_only=True)
class DiodeClipper(Stage):
    """Hard clipping by diodes across the signal.

    ::

        source --(Cin)--R--+-----+-----+-- output
                           |     |     |
                           C    D>|   |<D
                           |     |     |
                           +-----+-----+-- bias or ground
    """

    kind: ClassVar[str] = "diode_clipper"
    job: ClassVar[str] = "hard clipping: diodes hold the signal within their forward voltage"

    series_resistor: float = part(
        "ohm", "limits the diode current; treble corner with the capacitor"
    )
    diodes: DiodePair = device("diodes", "clip; forward holds the upper half-wave")
    shunt_capacitor: float | None = optional_part("F", "softens the edges the diodes make")
    input_capacitor: float | None = optional_part("F", "blocks an offset of what drives it")
    returns_to: str = choice("rail that diodes and capacitor go to", BIAS, GROUND)

    @property
    def driven_at_bias(self) -> bool:  # noqa: D102
        return self.returns_to == BIAS

    drawing: ClassVar[tuple[Place, ...]] = (
        along("input_capacitor", "series_resistor"),
        hang("shunt_capacitor"),
        hang("diodes"),
    )

    def wire(self, network: Network, source: str, output: str) -> None:  # noqa: D102
        driven = source
        if self.input_capacitor is not None:
            driven = network.node("coupled")
            network.capacitor("input_capacitor", source, driven, self.input_capacitor)
        network.resistor("series_resistor", driven, output, self.series_resistor)
        if self.shunt_capacitor is not None:
            network.capacitor("shunt_capacitor", output, self.returns_to, self.shunt_capacitor)
        network.diodes("diodes", output, self.returns_to, self.diodes.forward, self.diodes.reverse)
