"""Non-inverting op-amp gain, plain or with diodes in the feedback loop."""

from dataclasses import dataclass
from typing import ClassVar

from vadist.circuits.network import BIAS, GROUND, SUPPLY, Network
from vadist.parts import OpAmpModel
from vadist.stages.sketch import Place, along, hang, under
from vadist.stages.stage import DiodePair, Pot, Stage, choice, device, optional_part, part, pot

RAILS = "rails"
"""Where a clamp goes that conducts beyond supply and ground alone."""


@dataclass(frozen=True, kw_only=True)
class OpAmpGain(Stage):
    r"""Op-amp gain with a frequency-dependent feedback network.

    ::

        source ------- + \
                          >--+-- output      gain 1 + Zf/Zleg
                  +--- - /   |
                  |          |
                  +--Rf-pot--+
                  |    Cf    |
                 Rleg
                 Cleg
                  |
                bias or ground

    The source must rest at the bias rail (a coupling high-pass, or an op-amp before it).
    """

    kind: ClassVar[str] = "opamp_gain"
    job: ClassVar[str] = "main gain; its bandwidth, slew rate and swing shape what it passes"

    opamp: OpAmpModel = device("opamp", "gain-bandwidth, slew rate and swing come from here")
    feedback_resistor: float = part("ohm", "fixed part of the feedback: gain at minimum drive")
    leg_resistor: float = part(
        "ohm", "from the inverting input: gain and, with its capacitor, bass"
    )
    leg_capacitor: float = part("F", "bass corner of the gain; unity at DC")
    feedback_capacitor: float | None = optional_part("F", "across the feedback: treble roll-off")
    drive_pot: Pot | None = pot("rheostat in series with the feedback resistor", optional=True)
    input_clamp: DiodePair | None = device(
        "diodes", "at the input: guards against large input", optional=True
    )
    returns_to: str = choice("rail the leg goes to", BIAS, GROUND)
    clamp_returns_to: str = choice(
        "bias clips beyond a diode; rails: forward to supply, reverse from ground", BIAS, RAILS
    )

    @property
    def driven_at_bias(self) -> bool:  # noqa: D102
        return True

    drawing: ClassVar[tuple[Place, ...]] = (
        along("opamp"),
        under("drive_pot", "feedback_resistor"),
        under("feedback_capacitor"),
        hang("leg_resistor", "leg_capacitor"),
        hang("input_clamp", "input_clamp.forward", "input_clamp.reverse"),
    )

    def wire(self, network: Network, source: str, output: str) -> None:  # noqa: D102
        inverting, leg = network.node("inverting"), network.node("leg")
        network.opamp("opamp", source, inverting, output, self.opamp)
        wiper = output
        if self.drive_pot is not None:
            wiper = network.node("drive")
            ohm = self.drive_pot.resistance * self.drive_pot.wiper
            network.resistor("drive_pot", output, wiper, ohm)
        network.resistor("feedback_resistor", wiper, inverting, self.feedback_resistor)
        if self.feedback_capacitor is not None:
            network.capacitor("feedback_capacitor", output, inverting, self.feedback_capacitor)
        network.resistor("leg_resistor", inverting, leg, self.leg_resistor)
        network.capacitor("leg_capacitor", leg, self.returns_to, self.leg_capacitor)
        if self.input_clamp is not None:
            self._clamp(network, source, self.input_clamp)

    def _clamp(self, network: Network, source: str, pair: DiodePair) -> None:
        if self.clamp_returns_to == BIAS:
            network.diodes("input_clamp", source, BIAS, pair.forward, pair.reverse)
            return
        if pair.forward is not None:
            network.diodes("input_clamp.forward", source, SUPPLY, pair.forward, None)
        if pair.reverse is not None:
            network.diodes("input_clamp.reverse", source, GROUND, None, pair.reverse)


@dataclass(frozen=True, kw_only=True)
class FeedbackClipper(OpAmpGain):
    """Op-amp gain with diodes across its feedback: soft clipping.

    The clean signal always passes with unity gain; the diodes limit only what is added to it.
    """

    kind: ClassVar[str] = "feedback_clipper"
    job: ClassVar[str] = "soft clipping: diodes limit what the gain adds to the clean signal"

    diodes: DiodePair = device("diodes", "across the feedback; forward clips the upper half-wave")

    drawing: ClassVar[tuple[Place, ...]] = (
        *OpAmpGain.drawing,
        under("diodes"),
    )

    def wire(self, network: Network, source: str, output: str) -> None:  # noqa: D102
        OpAmpGain.wire(self, network, source, output)
        inverting = network.node("inverting")
        network.diodes("diodes", output, inverting, self.diodes.forward, self.diodes.reverse)
