"""What a lane remembers, and has given out, shortly after its circuit was switched on.

The first moments are :mod:`vadist.stepping.switching_on`'s, on the undivided circuit. Their end is
put into the terms in which lanes are stepped: states from charges, remainders of port currents
from the laws, the past of every signal, rails and what they hold.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vadist.arrays import FloatArray, IndexArray
from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import OperatingPoint, SolvedNetwork
from vadist.circuits.sections import Section
from vadist.devices.evaluate import currents_and_slopes
from vadist.kernel.structure import TAPS, Structure
from vadist.stepping.circuit import Circuit, Tap
from vadist.stepping.rails import rippling, tear
from vadist.stepping.state_space import StateSpace, state_space
from vadist.stepping.switching_on import SwitchOn


class PowerUp:
    """One circuit just after it was switched on, for any rate of steps.

    Parameters
    ----------
    solved : SolvedNetwork
    seconds : float
        From switch-on to where lanes go on.

    Raises
    ------
    ConvergenceError
    """

    def __init__(self, solved: SolvedNetwork, seconds: float) -> None:
        self._torn, self._rest_v = tear(solved), solved.node_v
        self._still = {INPUT, *rippling(solved)}
        self._path, self._end_s = SwitchOn(solved, seconds), seconds

    def volts(self, circuit: Circuit, tap: Tap, ages_s: FloatArray) -> FloatArray:
        """Deviation of an output from rest, so long before lanes go on; nothing was on earlier."""
        section = circuit.sections[tap.section]
        return self._moved(section.output_nodes[tap.row], ages_s)

    def memory(self, circuit: Circuit, number: int) -> FloatArray:
        """What a lane of a program goes on from; NaN for the past of what comes in, (memory,)."""
        program, own = circuit.program(number), circuit.programs[number]
        found: dict[tuple[int, str], float] = {}
        flows, held = (np.zeros(program.rails) for _ in range(2))
        for place, k in enumerate(own):
            found |= self._past(circuit, k, place, program.parts[place])
            if k >= len(self._torn.sections):
                continue  # wires, and a ripple that is still: nothing is kept there
            space, step_s = self._space(circuit, k), 1.0 / circuit.sections[k].step_rate_hz
            states, now, outputs = self._section(circuit, k, space, 0.0)
            if circuit.sections[k].turns is not None:  # whose states have a basis of their own
                basis = circuit.sections[k].basis
                states = np.asarray(np.linalg.solve(basis, space.basis @ states), dtype=float)
            _, before, _ = self._section(circuit, k, space, step_s)
            for word, values in (("x", states), ("i", now), ("j", before)):
                found |= {(place, f"{word}{j}"): float(v) for j, v in enumerate(values)}
            first = program.flows[place]
            if first >= 0:
                # As the kernel has it: what one of the tick's steps takes.
                flows += outputs[first : first + program.rails] / program.parts[place].steps
                held += outputs[first + program.rails :]
        if program.rails:
            found |= self._rails(circuit, len(program.parts), flows, held)
        zero = ("e", "theta", "q_lost")
        return np.array(
            [0.0 if name.startswith(zero) else found[p, name] for p, name in program.memory]
        )

    def _moved(self, node: str, ages_s: FloatArray) -> FloatArray:
        """Deviation of a node from rest at some ages."""
        return self._path.at([node], self._end_s - ages_s)[:, 0] - self._rest_v[node]

    def _space(self, circuit: Circuit, k: int) -> StateSpace:
        section, point = self._torn.sections[k]
        found = circuit.sections[k]
        return state_space(
            section, point, found.port_slopes, found.output_nodes, self._torn.flows[k]
        )

    def _section(
        self, circuit: Circuit, k: int, space: StateSpace, age_s: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """States, remainders and outputs at an age."""
        section, point = self._torn.sections[k]
        nodes = self._deviations(section.unknowns, age_s)
        signals = self._deviations(section.signals, age_s)
        coils = self._coils(section, point, age_s)
        x = space.from_nodes @ nodes + space.from_signals @ signals + space.from_coils @ coils
        moved = section.control @ nodes + section.control_known[:, : len(signals)] @ signals
        devices = section.devices
        currents, _ = currents_and_slopes(
            [d.kind for d in devices], [d.parameters for d in devices], point.control_v + moved
        )
        r = currents - point.port_a - circuit.sections[k].port_slopes @ moved
        return x, r, space.L @ x + space.M @ signals + space.N @ r

    def _deviations(self, nodes: Sequence[str], age_s: float) -> FloatArray:
        found = [0.0 if n in self._still else self._moved(n, np.array([age_s]))[0] for n in nodes]
        return np.array(found)

    def _coils(self, section: Section, point: OperatingPoint, age_s: float) -> FloatArray:
        """Currents less those at rest, which no node tells: Kirchhoff's law does."""
        parts = section.inductors.parts
        if not parts:
            return np.zeros(0)
        now = self._path.at(parts, np.array([self._end_s - age_s]))[0]
        left = section.port_into @ point.port_a - section.drawn
        left = left - section.conductance @ point.node_v
        left = left - section.conductance_known @ point.known_v
        return np.asarray(now - np.linalg.lstsq(section.inductors.into, left, rcond=None)[0])

    def _past(
        self, circuit: Circuit, k: int, place: int, part: Structure
    ) -> dict[tuple[int, str], float]:
        """Samples of its signals before now."""
        found: dict[tuple[int, str], float] = {}
        step_s = 1.0 / circuit.sections[k].step_rate_hz
        for s, node in enumerate(circuit.sections[k].signals):
            if s in part.slow_signals:
                continue
            for word, count, apart_s in (
                ("h", TAPS - 1, step_s / part.taken[s]),
                ("g", TAPS, step_s * part.stretch[s]),
            ):
                ages = apart_s * np.arange(count, dtype=float)
                past = np.full(count, np.nan) if node in self._still else self._moved(node, ages)
                found |= {(place, f"{word}{s}_{a}"): float(v) for a, v in enumerate(past)}
        return found

    def _rails(
        self, circuit: Circuit, part: int, flows: FloatArray, held: FloatArray
    ) -> dict[tuple[int, str], float]:
        """Volts of the rails, and the charges that make them."""
        rails = circuit.rails
        assert rails is not None
        now = self._deviations(rails.names, 0.0)
        before = self._deviations(rails.names, rails.tick_s)
        charge = np.linalg.solve(rails.R, now) + held
        return {
            (part, f"{word}{k}"): float(value)
            for word, values in (("v", now), ("v_old", before), ("q", charge), ("flow", flows))
            for k, value in enumerate(values)
        }


@dataclass(frozen=True)
class Powered:
    """Lanes some of which go on from a power-up.

    Attributes
    ----------
    frame : int
        Of the window, at which they go on.
    sources : sequence of PowerUp or None
        One a lane; None for a lane that is on already.
    """

    frame: int
    sources: Sequence[PowerUp | None]

    def memory(self, circuits: Sequence[Circuit]) -> list[FloatArray]:
        """What the lanes remember, (memory, lanes), one array a program; NaN to be left alone.

        Parameters
        ----------
        circuits : one a lane
        """
        found = []
        for number in range(len(circuits[0].programs)):

            def find(source: PowerUp, circuit: Circuit, number: int = number) -> FloatArray:
                return source.memory(circuit, number)

            found.append(self._spread(circuits, find))
        return found

    def before(self, circuits: Sequence[Circuit], tap: Tap, ages_s: FloatArray) -> FloatArray:
        """Deviations of an output before that, (ages, lanes); NaN for lanes that are on already."""
        return self._spread(circuits, lambda p, c: p.volts(c, tap, ages_s))

    @classmethod
    def of(
        cls,
        frame: int,
        power: Sequence[PowerUp],
        candidates: IndexArray,
        begin: Sequence[bool] | NDArray[np.bool_],
    ) -> "Powered | None":
        """Those lanes that begin a take, if it begins with the supply.

        Parameters
        ----------
        frame : int
        power : one a candidate; empty for a take that begins at rest
        candidates, begin : of each lane, its candidate and whether it begins the take
        """
        if not power or not any(begin):
            return None
        return cls(frame, [power[c] if b else None for c, b in zip(candidates, begin, strict=True)])

    def _spread(
        self, circuits: Sequence[Circuit], find: Callable[[PowerUp, Circuit], FloatArray]
    ) -> FloatArray:
        """One column a lane; lanes of one source and circuit share the work."""
        known: dict[tuple[int, int], FloatArray] = {}
        for source, circuit in zip(self.sources, circuits, strict=True):
            key = id(source), id(circuit)
            if source is not None and key not in known:
                known[key] = find(source, circuit)
        blank = np.full_like(next(iter(known.values())), np.nan)
        return np.stack(
            [known.get((id(s), id(c)), blank) for s, c in zip(self.sources, circuits, strict=True)],
            axis=1,
        )
