"""Kernels that do for a design whatever its values: a change of value compiles nothing.

A kernel leaves out coefficients that are zero and makes up for the rounding of slow states. Which
these are depends on values, and on rounding. For a loop that is turned the kernels leave out only
what is zero in every design met so far, and make up for the rounding of all states.
"""

import dataclasses
import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.designs.design import Design
from vadist.errors import VadistError
from vadist.kernel.structure import Program
from vadist.stages.stage import Pot
from vadist.stepping.circuit import Circuit
from vadist.stepping.discretize import DiscreteSection

_TRIED, _SPREAD, _SEED = 16, 8.0, 1
# Designs with values by chance, within this ratio, from which shapes are learned to begin with.

Zeros = frozenset[int]


@dataclass(frozen=True)
class SturdyCircuit(Circuit):
    """A circuit whose kernels do for others of its kind.

    Attributes
    ----------
    left_out : tuple of frozenset
        Coefficients of each section that its kernel may leave out.
    """

    left_out: tuple[Zeros, ...] = ()

    def program(
        self,
        number: int,
        width: int = 1,
        real: str = "float32",
        zeros: Sequence[Zeros] | None = None,
        turning: Sequence[Zeros] | None = None,
    ) -> Program:
        """What the kernel sees of a program; see :class:`vadist.stepping.circuit.Circuit`."""
        found = super().program(number, width, real, zeros, turning)
        parts = tuple(
            dataclasses.replace(part, slow=part.states, zeros=part.zeros & self.left_out[k])
            for part, k in zip(found.parts, self.programs[number], strict=True)
        )
        return dataclasses.replace(found, parts=parts)


class Shapes:
    """What was learned of sections by their structure."""

    def __init__(self) -> None:
        self._held: dict[tuple[Any, ...], Zeros] = {}

    @property
    def any(self) -> bool:
        """Whether anything was learned."""
        return bool(self._held)

    def sturdy(self, circuit: Circuit) -> SturdyCircuit:
        """Learn a circuit, and make it one whose kernels do for all of its kind so far."""
        left_out = tuple(self._learned(section) for section in circuit.sections)
        fields = {f.name: getattr(circuit, f.name) for f in dataclasses.fields(Circuit)}
        return SturdyCircuit(**fields, left_out=left_out)

    def _learned(self, section: DiscreteSection) -> Zeros:
        key = (section.stages, section.kinds, section.states, section.outputs, section.samples,
               section.curved)  # fmt: skip
        zeros = frozenset(np.flatnonzero(section.coefficients == 0.0).tolist())
        self._held[key] = self._held.get(key, zeros) & zeros
        return self._held[key]


def designs_by_chance(design: Design) -> list[Design]:
    """Designs of the same drawing with all values moved by chance, always the same ones."""
    generator, found = np.random.default_rng(_SEED), []
    for _ in range(_TRIED):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                found.append(_moved(design, generator))
        except VadistError:
            continue
    return found


def _moved(design: Design, generator: np.random.Generator) -> Design:
    for path in design.paths:
        kind, value = design.field_info(path).kind, design.value(path)
        ratio = float(math.exp(generator.uniform(-1.0, 1.0) * math.log(_SPREAD)))
        if kind == "position":
            design = design.with_value(path, float(generator.uniform(0.1, 0.9)))
        elif kind == "pot" and isinstance(value, Pot):
            moved = dataclasses.replace(value, resistance=value.resistance * ratio)
            design = design.with_value(path, moved)
        elif kind == "part" and value:
            design = design.with_value(path, value * ratio)
    return design
