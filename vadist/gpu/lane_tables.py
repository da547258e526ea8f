"""Lanes of one structure as arrays: what their threads begin with."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray
from vadist.kernel.structure import Program
from vadist.stepping.batch import filled
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.ripple import Sine


@dataclass(frozen=True)
class LaneTables:
    """Lanes whose circuits are alike but for their numbers.

    Attributes
    ----------
    circuit : Circuit
        One of them: how sections are linked, and at what paces they step.
    slow : tuple of int
        Of each section, states whose rounding is made up for: as many as of any lane.
    tables : list of (rows, lanes)
        Of each program with nothing left out.
    ripples : list of Sine or None
        Of each lane's supply.
    rest_v : mapping of Tap -> (lanes,)
        DC volts of outputs.
    """

    circuit: Circuit
    slow: tuple[int, ...]
    tables: list[FloatArray]
    ripples: list[Sine | None]
    rest_v: dict[Tap, FloatArray]

    def __len__(self) -> int:
        return len(self.ripples)

    @staticmethod
    def of(circuits: Sequence[Circuit], taps: Sequence[Tap] = ()) -> "LaneTables":
        """Those of circuits of one :func:`kin`, one a lane; the output and some taps are heard."""
        first = circuits[0]
        sections = zip(*(c.sections for c in circuits), strict=True)
        slow = tuple(max(s.slow for s in same) for same in sections)
        tables = [
            filled(_program(first, slow, k), [c.bundle(k) for c in circuits])
            for k in range(len(first.programs))
        ]
        heard = dict.fromkeys([first.output, *taps])
        rest_v = {
            tap: np.array([c.sections[tap.section].output_v[tap.row] for c in circuits])
            for tap in heard
        }
        return LaneTables(first, slow, tables, [c.ripple for c in circuits], rest_v)

    @staticmethod
    def joined(every: Sequence["LaneTables"]) -> "LaneTables":
        """Lanes of several of one :func:`kin`, in their order."""
        first = every[0].circuit
        slow = tuple(map(max, zip(*(each.slow for each in every), strict=True)))
        return LaneTables(
            first,
            slow,
            [
                np.concatenate([each._as(slow, k) for each in every], axis=1)
                for k in range(len(first.programs))
            ],
            [sine for e in every for sine in e.ripples],
            {tap: np.concatenate([e.rest_v[tap] for e in every]) for tap in every[0].rest_v},
        )

    def _as(self, slow: tuple[int, ...], number: int) -> FloatArray:
        """Rows of a program as others of its kin have them."""
        own = _program(self.circuit, self.slow, number).rows
        wanted = _program(self.circuit, slow, number).rows
        table = np.zeros((len(wanted), len(self)))
        table[[wanted[key] for key in own]] = self.tables[number]
        return table

    def only(self, lanes: NDArray[np.int_] | slice) -> "LaneTables":
        """Some of the lanes."""
        return LaneTables(
            self.circuit,
            self.slow,
            [table[:, lanes] for table in self.tables],
            np.array(self.ripples, dtype=object)[lanes].tolist(),
            {tap: volts[lanes] for tap, volts in self.rest_v.items()},
        )

    def reduced(self, number: int, real: str) -> tuple[Program, FloatArray]:
        """A program without what is zero in all lanes, and its rows."""
        whole, table = _program(self.circuit, self.slow, number), self.tables[number]
        zeros = [
            frozenset(k for k, name in enumerate(part.grid) if not table[whole.rows[p, name]].any())
            for p, part in enumerate(whole.parts)
        ]
        program = _program(self.circuit, self.slow, number, real, zeros)
        return program, table[[whole.rows[key] for key in program.rows]]


def kin(circuit: Circuit) -> object:
    """What circuits share that can be lanes of one card.

    As :attr:`vadist.stepping.circuit.Circuit.likeness`, but for how many states have their rounding
    made up for: boards of one design may differ in it, and too many do no harm.
    """
    *others, _ = circuit.likeness
    return (*others, tuple((s.states, s.samples, s.outputs, s.kinds) for s in circuit.sections))


def _program(
    circuit: Circuit,
    slow: tuple[int, ...],
    number: int,
    real: str = "float64",
    zeros: Sequence[frozenset[int]] | None = None,
) -> Program:
    found = circuit.program(number, 1, real, zeros)
    own = [slow[k] for k in circuit.programs[number]]
    parts = zip(found.parts, own, strict=True)
    return dataclasses.replace(
        found, parts=tuple(dataclasses.replace(part, slow=count) for part, count in parts)
    )
