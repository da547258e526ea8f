"""Chains of stages as a person could draw them, from a seed."""

import numpy as np

from vadist.circuits.network import DiodeString
from vadist.designs.design import Design, Source
from vadist.designs.supply import Supply
from vadist.parts.library import DIODES, OPAMPS, TRANSISTORS
from vadist.stages import STAGES, DiodePair, Pot
from vadist.stages.opamp_gain import RAILS

# IEC 60063, transcribed.
E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
POT_STEPS = (10, 20, 25, 50)
# Decades that a part may come from: wider than a working circuit needs, as a slip would have it.
OHM_DECADES, FARAD_DECADES = (0, 5), (-12, -6)
ZERO_OHMS = 0.12
LEFT_OUT = 0.4
AT_AN_END = 0.4


class ChainMaker:
    """Draws designs; the same seed draws the same ones."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)

    def chance(self, probability: float) -> bool:
        return bool(self.rng.random() < probability)

    def pick(self, choices):
        return choices[int(self.rng.integers(len(choices)))]

    def preferred(self, decades: tuple[int, int]) -> float:
        return float(self.pick(E12)) * 10.0 ** int(self.rng.integers(*decades))

    def part(self, unit: str) -> float:
        if unit == "H":
            return self.preferred((-2, 0))
        if unit == "F":
            return self.preferred(FARAD_DECADES)
        return 0.0 if self.chance(ZERO_OHMS) else self.preferred(OHM_DECADES)

    def pot(self) -> Pot:
        resistance = float(self.pick(POT_STEPS)) * 10.0 ** int(self.rng.integers(2, 5))
        ends = (0.0, 1.0)
        wiper = self.pick(ends) if self.chance(AT_AN_END) else float(self.rng.random())
        return Pot(resistance, wiper)

    def string(self) -> DiodeString:
        model = DIODES[self.pick(sorted(DIODES))]
        return DiodeString(model, int(self.rng.integers(1, 4)), int(self.rng.integers(1, 3)))

    def diodes(self) -> DiodePair:
        kept = self.rng.integers(6)
        forward, reverse = self.string(), self.string()
        if kept < 2:
            return DiodePair(forward, forward)
        return DiodePair(None if kept == 2 else forward, None if kept == 3 else reverse)

    def value(self, info):
        if info.kind == "part":
            return self.part(info.unit)
        if info.kind == "choice":
            # Where blocked diodes alone lead to either rail, an input rests nowhere.
            return self.pick([c for c in info.choices if c != RAILS])
        if info.kind == "transistor":
            taken = [n for n, t in TRANSISTORS.items() if t.polarity in info.choices]
            return TRANSISTORS[self.pick(sorted(taken))]
        if info.kind == "opamp":
            return OPAMPS[self.pick(sorted(OPAMPS))]
        return self.pot() if info.kind == "pot" else self.diodes()

    def values(self, fields):
        return {
            name: self.value(info)
            for name, info in fields.items()
            if not (info.optional and self.chance(LEFT_OUT))
        }

    def stage(self, kind: str):
        return STAGES[kind](**self.values(STAGES[kind].fields()))

    def design(self) -> Design:
        """One to eight stages between a source and a load, on 3 to 30 V."""
        kinds = [self.pick(sorted(STAGES)) for _ in range(int(self.rng.integers(1, 9)))]
        stages = {f"stage_{k + 1}": self.stage(kind) for k, kind in enumerate(kinds)}
        volts = round(float(np.exp(self.rng.uniform(np.log(3.0), np.log(30.0)))), 1)
        bias = 0.5 if self.chance(0.7) else round(float(self.rng.uniform(0.2, 0.8)), 2)
        source = Source(**self.values(Source.fields())) if self.chance(0.5) else Source()
        first = next(iter(stages.values()))
        return Design(
            "random", stages, self.supply(volts, bias), source, self.preferred((3, 6)),
            input_at_bias=first.driven_at_bias and self.chance(0.8),
        )  # fmt: skip

    def supply(self, volts: float, bias: float) -> Supply:
        """Stiff, behind a resistance, with a divider, buffered or not, in every combination."""
        found = Supply(volts, bias)
        if self.chance(0.5):
            found = found.with_value("resistance", self.preferred((-1, 2)))
        if self.chance(0.5):
            found = found.with_value("bias_upper", self.preferred((2, 4)))
            if self.chance(0.3):
                found = found.with_value("bias_buffer", OPAMPS[self.pick(sorted(OPAMPS))])
        return found
