"""The shape of a section as the kernel sees it, and where its numbers lie in memory."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

CONTROLS = {"diodes": 1, "transistor": 2, "opamp": 2}
CURRENTS = {"diodes": 1, "transistor": 2, "opamp": 1}
PARAMETERS = {"diodes": 4, "transistor": 8, "opamp": 5}


@dataclass(frozen=True)
class Structure:
    """Everything that fixes a kernel's code.

    Attributes
    ----------
    kinds : tuple of str
        Devices: ``diodes``, ``transistor``, ``opamp``.
    states, inputs, outputs, written : int
        ``written`` outputs leave the kernel, the others only have their extremes kept.
    lanes : int
    zeros : frozenset of int
        Positions in :attr:`grid` of coefficients that are zero in every lane; the code leaves
        them out.
    """

    kinds: tuple[str, ...]
    states: int
    inputs: int
    outputs: int
    written: int
    lanes: int
    zeros: frozenset[int] = frozenset()

    @property
    def ports(self) -> int:
        """Number of port currents."""
        return sum(CURRENTS[k] for k in self.kinds)

    @property
    def controls(self) -> int:
        """Number of control voltages."""
        return sum(CONTROLS[k] for k in self.kinds)

    @property
    def known(self) -> int:
        """Columns known before Newton: states and inputs."""
        return self.states + self.inputs

    @cached_property
    def controls_of(self) -> tuple[tuple[int, ...], ...]:
        """Controls that each port current depends on."""
        table: list[tuple[int, ...]] = []
        first = 0
        for kind in self.kinds:
            own = tuple(range(first, first + CONTROLS[kind]))
            table += [own] * CURRENTS[kind]
            first += CONTROLS[kind]
        return tuple(table)

    @cached_property
    def grid(self) -> tuple[str, ...]:
        """Names of all coefficients, zeros included: P, W and K, row by row."""
        matrices = (
            ("P", self.controls, self.known),
            ("W", self.states + self.outputs, self.known + self.ports),
            ("K", self.controls, self.ports),
        )
        return tuple(
            f"{m}{r}_{c}"
            for m, rows, columns in matrices
            for r in range(rows)
            for c in range(columns)
        )

    @cached_property
    def coefficients(self) -> tuple[str, ...]:
        """Names of the coefficients the kernel holds."""
        return tuple(name for k, name in enumerate(self.grid) if k not in self.zeros)

    @cached_property
    def rows(self) -> dict[str, int]:
        """Row of every per-lane number in the flat workspace, which is ``row * lanes + lane``."""
        names = [f"x{k}" for k in range(self.states)]
        names += [f"u{k}" for k in range(self.inputs)]
        names += [f"i{k}" for k in range(self.ports)]
        for c in range(self.controls):
            names += [
                f"v{c}",
                f"w{c}",
                f"w_old{c}",
                f"w_older{c}",
                f"w_oldest{c}",
                f"p{c}",
                f"p_old{c}",
            ]
            names += [f"rest_v{c}", f"low{c}", f"high{c}", f"step{c}", f"grow{c}"]
        names += [f"rest_i{k}" for k in range(self.ports)]
        for d, kind in enumerate(self.kinds):
            names += [f"par{d}_{k}" for k in range(PARAMETERS[kind])]
        names += [f"{word}{k}" for k in range(self.outputs) for word in ("least", "most")]
        names += ["live", "change", *self.coefficients]
        return {name: row for row, name in enumerate(names)}

    def row_range(self, names: Iterable[str]) -> list[int]:
        """Rows of several names."""
        return [self.rows[name] for name in names]
