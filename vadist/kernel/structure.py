"""The shape of sections as a kernel sees them, and where their numbers lie in memory."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from vadist.devices import KINDS

CONTROLS = {name: len(kind.controls) for name, kind in KINDS.items()}
CURRENTS = {name: kind.ports for name, kind in KINDS.items()}
CONSTANTS = {name: kind.constants for name, kind in KINDS.items()}

TAPS = 4
"""Samples of a signal that a cubic goes through."""

LONGEST_TEXT = 700
"""Terms up to which a program is written out straight."""

LONGEST_PART = 400
"""Terms up to which a part of a longer program is."""

LAW_TERMS = 20
"""Of a port, about."""


@dataclass(frozen=True)
class Structure:
    """Everything that fixes a kernel's code.

    A *beat* is the time between the slowest of what goes in, comes out or steps.

    Attributes
    ----------
    kinds : tuple of str
        Devices, by the names of :data:`vadist.devices.KINDS`.
    states, outputs, written : int
        ``written`` outputs leave the kernel, the others only have their extremes kept.
    steps : int
        Of a beat.
    samples : tuple of int
        Of each signal, that come in a beat; 0 for a rail, which moves by a line, and for a one.
    curved : tuple of int
        Ports whose current may be a parabola over a step.
    slow : int
        Leading states whose rounding is made up for.
    zeros : frozenset of int
        Positions in :attr:`grid` of coefficients that are zero in every lane; the code leaves
        them out.
    turning : frozenset of int
        Positions of those that every step adds a number to: a knob is being turned.
    """

    kinds: tuple[str, ...]
    states: int
    outputs: int
    written: int
    steps: int
    samples: tuple[int, ...]
    curved: tuple[int, ...]
    slow: int
    zeros: frozenset[int] = frozenset()
    turning: frozenset[int] = frozenset()

    @property
    def signals(self) -> int:
        """Number of signals."""
        return len(self.samples)

    @property
    def ports(self) -> int:
        """Number of port currents."""
        return sum(CURRENTS[k] for k in self.kinds)

    @property
    def controls(self) -> int:
        """Number of control voltages."""
        return sum(CONTROLS[k] for k in self.kinds)

    @cached_property
    def slow_signals(self) -> tuple[int, ...]:
        """Signals that are rails: a step takes where they are in its middle and at its end."""
        return tuple(k for k, count in enumerate(self.samples) if not count)

    @cached_property
    def taken(self) -> tuple[int, ...]:
        """Samples of each signal that a step takes; a slower signal is drawn out to one."""
        return tuple(max(count // self.steps, 1) for count in self.samples)

    @cached_property
    def stretch(self) -> tuple[int, ...]:
        """Steps between two samples of each signal."""
        return tuple(max(self.steps // count, 1) if count else 1 for count in self.samples)

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
    def taps(self) -> tuple[str, ...]:
        """Names of the samples a step knows, oldest first, signal by signal."""
        names: list[str] = []
        for k, taken in enumerate(self.taken):
            if k in self.slow_signals:
                names.append(f"m{k}")
                continue
            names += [f"h{k}_{age}" for age in range(TAPS - 2, -1, -1)]
            names += [f"u{k}_{age}" for age in range(taken)]
        return tuple(names)

    @cached_property
    def grid(self) -> tuple[str, ...]:
        """Names of all coefficients, zeros included, matrix by matrix and row by row."""
        x, m, c, y = self.states, self.ports, self.controls, self.outputs
        matrices = (
            ("A", x, x), ("B", x, len(self.taps)), ("C0", x, m), ("C1", x, m), ("CQ", x, m),
            ("D", c, x), ("E", c, self.signals), ("K", c, m), ("KQ", c, m),
            ("L", y, x), ("M", y, self.signals), ("N", y, m),
        )  # fmt: skip
        return tuple(
            f"{name}_{row}_{column}"
            for name, rows, columns in matrices
            for row in range(rows)
            for column in range(columns)
        )

    @cached_property
    def coefficients(self) -> tuple[str, ...]:
        """Names of the coefficients the kernel holds."""
        return tuple(name for k, name in enumerate(self.grid) if k not in self.zeros)

    @cached_property
    def turned(self) -> tuple[str, ...]:
        """Names of those that turn; a number of the name ``turn_`` and theirs tells how fast."""
        return tuple(self.grid[k] for k in sorted(self.turning - self.zeros))

    @cached_property
    def memory(self) -> tuple[str, ...]:
        """Names of what a lane goes on from: volts first, then currents and their shares."""
        names = [f"x{k}" for k in range(self.states)]
        for k, stretch in enumerate(self.stretch):
            if k not in self.slow_signals:
                names += [f"h{k}_{age}" for age in range(TAPS - 1)]
            if stretch > 1:
                names += [f"g{k}_{age}" for age in range(TAPS)]
        names += [f"e{k}" for k in range(self.slow)]
        names += [f"i{k}" for k in range(self.ports)]
        names += [f"theta{k}" for k in range(self.ports)]
        names += [f"j{k}" for k in self.curved]
        return tuple(names)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of every per-lane number besides the memory."""
        names = [f"s{k}" for k in range(self.states)]
        names += [f"u{k}_{age}" for k, taken in enumerate(self.taken) for age in range(taken)]
        names += [f"m{k}" for k in self.slow_signals]
        names += [f"r{k}" for k in range(self.ports)]
        names += [f"steep{k}" for k in range(self.ports)]
        for word in CONTROL_WORDS:
            names += [f"{word}{c}" for c in range(self.controls)]
        names += [f"slope{a}_{k}" for a in range(self.ports) for k in self.controls_of[a]]
        for d, kind in enumerate(self.kinds):
            names += [f"par{d}_{k}" for k in range(CONSTANTS[kind])]
        names += [f"y{k}" for k in range(self.outputs)]
        names += [f"{word}{k}" for k in range(self.outputs) for word in ("least", "most")]
        turns = (f"turn_{name}" for name in self.turned)
        return (*names, "live", "change", *self.coefficients, *turns)

    @cached_property
    def loop_names(self) -> tuple[str, ...]:
        """Names of the per-lane numbers besides that loops keep and straight text does not."""
        ports = range(self.ports)
        names = [f"t{k}" for k in range(self.states)]
        names += [f"bend{a}" for a in ports]
        names += [f"excess{a}_{k}" for a in ports for k in self.controls_of[a]]
        names += [f"b{a}" for a in ports]
        return (*names, *(f"m{a}_{b}" for a in ports for b in ports))

    @property
    def work(self) -> int:
        """Terms of a step written out straight, about, whatever of them is zero.

        Lanes that keep company share their zeros, and must not be told by how many.
        """
        x, m, c, y = self.states, self.ports, self.controls, self.outputs
        sums = x * 3 * m + c * (x + 2 * m) + y * (x + m)
        return sums + LAW_TERMS * m + 2 * m**3 // 3


Source = tuple[str, int, int]
"""Where a signal comes from: ``("take", slot, 0)``, ``("part", part, output)`` of an earlier part
of the same program, ``("rail", rail, 0)``, or ``("one", 0, 0)``, which is 1 at all times."""


@dataclass(frozen=True)
class Program:
    """Parts that step together, one after the other within each tick, and the rails they share.

    Attributes
    ----------
    parts : tuple of Structure
    sources : tuple of tuple of Source
        Of every signal of each part.
    takes : tuple of int
        Samples in a tick of every signal that comes from outside.
    rails : int
    flows : tuple of int
        First of each part's outputs that are currents out of the rails, followed by as many that
        are charges; -1 for a part that no rail feeds.
    lanes : int
    real : str
        ``float32`` or ``float64``.
    """

    parts: tuple[Structure, ...]
    sources: tuple[tuple[Source, ...], ...]
    takes: tuple[int, ...]
    rails: int
    flows: tuple[int, ...]
    lanes: int
    real: str = "float32"

    @cached_property
    def inner(self) -> frozenset[tuple[int, int]]:
        """Outputs of parts that other parts of the program read."""
        return frozenset(
            (source[1], source[2])
            for sources in self.sources
            for source in sources
            if source[0] == "part"
        )

    @property
    def most_steps(self) -> int:
        """Steps of the fastest part in a tick."""
        return max(part.steps for part in self.parts)

    @property
    def large(self) -> bool:
        """Whether LLVM is spared what it takes the square of a text's length for."""
        return sum(part.work for part in self.parts) > LONGEST_TEXT

    @cached_property
    def looped(self) -> tuple[bool, ...]:
        """Which parts are loops over what they hold."""
        return tuple(self.large and part.work > LONGEST_PART for part in self.parts)

    @cached_property
    def memory(self) -> tuple[tuple[int, str], ...]:
        """Part and name of what a lane goes on from; the rails are one part more."""
        names = [(p, name) for p, part in enumerate(self.parts) for name in part.memory]
        rail = len(self.parts)
        names += [(rail, f"{word}{k}") for word in RAIL_WORDS for k in range(self.rails)]
        return tuple(names)

    @cached_property
    def rows(self) -> dict[tuple[int, str], int]:
        """Row of every per-lane number in the flat workspace, which is ``row * lanes + lane``."""
        names = [*self.memory]
        for p, part in enumerate(self.parts):
            names += [(p, name) for name in part.names]
            names += [(p, name) for name in part.loop_names if self.looped[p]]
            names += [
                (p, f"o{output}_{step}")
                for output in range(part.outputs)
                if (p, output) in self.inner
                for step in range(part.steps)
            ]
        rail, count = len(self.parts), self.rails
        names += [(rail, f"{word}{k}") for word in ("u", "spent", "tick") for k in range(count)]
        pairs = [f"{a}_{b}" for a in range(count) for b in range(count)]
        names += [(rail, f"{matrix}_{pair}") for matrix in RAIL_MATRICES for pair in pairs]
        return {name: row for row, name in enumerate(names)}

    def at_rails(self, name: str) -> str:
        """A number of the rails, of lane ``l``, in the text."""
        return f"s[{self.rows[len(self.parts), name] * self.lanes} + l]"

    def row_range(self, part: int, names: Iterable[str]) -> list[int]:
        """Rows of several names of a part."""
        return [self.rows[part, name] for name in names]


RAIL_WORDS = ("v", "v_old", "q", "q_lost", "flow")
"""What is kept of every rail: volts now and a tick before, its charge, what rounding has lost of
it, and the current out of it."""

RAIL_MATRICES = ("G", "R")
"""Of the rails: charge that conductances take in a tick, and volts from charge."""

CONTROL_WORDS = (
    "v", "w", "w_old", "w_older", "w_oldest", "p", "p_old", "rest_v", "low", "high", "step", "grow"
)  # fmt: skip
"""What is kept of every control voltage; see :mod:`vadist.kernel.generate`."""
