"""A design made ready to step at one rate: sections as difference equations, and their links."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import SolvedNetwork
from vadist.kernel.structure import Structure
from vadist.stepping.batch import structure_of
from vadist.stepping.discretize import DiscreteSection, difference_equations, through


@dataclass(frozen=True)
class Tap:
    """Where a stage's output is found: section index, row among its outputs."""

    section: int
    row: int


@dataclass(frozen=True)
class Circuit:
    """A design at one rate: its sections as difference equations and how they are chained.

    Attributes
    ----------
    sections : tuple of DiscreteSection
        In signal order.
    written : tuple of int
        How many outputs of each section go on as a signal; they come first.
    inputs : tuple of tuple of Tap or None
        What feeds each signal of each section; None is the take.
    taps : mapping of stage name -> Tap
    output : Tap
    sample_rate_hz : float
        Of what comes in.
    entry_pace : int
        Samples that come in within a tick.
    paces : tuple of int
        Steps of each section within a tick.
    """

    sections: tuple[DiscreteSection, ...]
    written: tuple[int, ...]
    inputs: tuple[tuple[Tap | None, ...], ...]
    taps: dict[str, Tap]
    output: Tap
    sample_rate_hz: float
    entry_pace: int
    paces: tuple[int, ...]

    @property
    def likeness(self) -> tuple[object, ...]:
        """What two circuits must share to run as lanes of one batch."""
        return (
            self.written,
            self.inputs,
            self.output,
            tuple(self.taps.items()),
            self.entry_pace,
            self.paces,
            tuple((s.states, s.slow, s.samples, s.outputs, s.kinds) for s in self.sections),
        )

    def beat(self, section: int) -> tuple[int, tuple[int, ...]]:
        """Steps of a section in its beat, and samples of each of its signals."""
        own = self.paces[section]
        heard = [self.pace(tap) for tap in self.inputs[section]]
        unit = math.gcd(own, *heard)
        return own // unit, tuple(pace // unit for pace in heard)

    def structure(self, section: int) -> Structure:
        """What the kernel sees of a section."""
        return structure_of(self.sections[section], self.beat(section))

    def pace(self, tap: Tap | None) -> int:
        """Samples of a signal within a tick; None is the take."""
        return self.entry_pace if tap is None else self.paces[tap.section]

    def rate_hz(self, tap: Tap) -> float:
        """Samples a second of a signal."""
        return self.sample_rate_hz * self.paces[tap.section] / self.entry_pace

    @property
    def rest_v(self) -> float:
        """DC volts of the output."""
        return float(self.sections[self.output.section].output_v[self.output.row])


def build_circuit(
    solved: SolvedNetwork,
    sample_rate_hz: float,
    listen: Sequence[str] = (),
    paces: Sequence[float] | None = None,
) -> Circuit:
    """Make a network ready to step at a rate.

    Parameters
    ----------
    solved : SolvedNetwork
    sample_rate_hz : float
        The oversampled rate.
    listen : sequence of stage names
        Stages whose output volts are to leave the kernel besides the final output.
    paces : sequence of float, optional
        Steps of each section in a sample of the oversampled rate, powers of two; one by default.
    """
    wanted_paces = [Fraction(p) for p in (paces or [1] * len(solved.sections))]
    entry_pace = math.lcm(*(p.denominator for p in wanted_paces)) if wanted_paces else 1
    steps = [int(p * entry_pace) for p in wanted_paces]
    tick_hz = sample_rate_hz / entry_pace
    node_of = solved.stage_nodes
    stage_nodes = tuple(dict.fromkeys(node_of.values()))
    read = {signal for section, _ in solved.sections for signal in section.signals}
    wanted = read | {solved.output} | {node_of[stage] for stage in listen}
    outputs: list[tuple[str, ...]] = []
    written: list[int] = []
    place: dict[str, Tap] = {}
    for index, (section, _) in enumerate(solved.sections):
        here = [n for n in stage_nodes if n in section.unknowns]
        here += [n for n in section.unknowns if n in read and n not in stage_nodes]
        nodes = sorted(here, key=lambda n: n not in wanted)
        place |= {node: Tap(index, row) for row, node in enumerate(nodes)}
        written.append(sum(n in wanted for n in nodes))
        outputs.append(tuple(nodes))
    inputs = [
        tuple(None if s == INPUT else place[s] for s in section.signals)
        for section, _ in solved.sections
    ]
    sections = []
    for index, (section, point) in enumerate(solved.sections):
        own = steps[index]
        heard = (entry_pace if tap is None else steps[tap.section] for tap in inputs[index])
        samples = tuple(max(pace // own, 1) for pace in heard)
        sections.append(
            difference_equations(section, point, tick_hz * own, outputs[index], samples)
        )
    if fixed := tuple(node for node in stage_nodes if node not in place):
        # A wire leads a stage's output to the input or to a rail.
        place |= {node: Tap(len(sections), row) for row, node in enumerate(fixed)}
        stages = tuple(stage for stage, node in node_of.items() if node in fixed)
        written.append(len(fixed))
        steps.append(entry_pace)
        inputs.append((None,))
        sections.append(through(fixed, solved.node_v, stages, sample_rate_hz))
    taps = {stage: place[node] for stage, node in node_of.items()}
    return Circuit(
        tuple(sections), tuple(written), tuple(inputs), taps, place[solved.output],
        sample_rate_hz, entry_pace, tuple(steps),
    )  # fmt: skip
