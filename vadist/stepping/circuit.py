"""A design made ready to step at one rate: sections as difference equations, and their links."""

from collections.abc import Sequence
from dataclasses import dataclass

from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import SolvedNetwork
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
    """

    sections: tuple[DiscreteSection, ...]
    written: tuple[int, ...]
    inputs: tuple[tuple[Tap | None, ...], ...]
    taps: dict[str, Tap]
    output: Tap
    sample_rate_hz: float

    @property
    def likeness(self) -> tuple[object, ...]:
        """What two circuits must share to run as lanes of one batch."""
        return (
            self.written,
            self.inputs,
            self.output,
            tuple(self.taps.items()),
            tuple((s.states, s.inputs, s.outputs, s.kinds) for s in self.sections),
        )

    @property
    def rest_v(self) -> float:
        """DC volts of the output."""
        return float(self.sections[self.output.section].output_v[self.output.row])


def build_circuit(
    solved: SolvedNetwork,
    sample_rate_hz: float,
    listen: Sequence[str] = (),
) -> Circuit:
    """Make a network ready to step at a rate.

    Parameters
    ----------
    solved : SolvedNetwork
    sample_rate_hz : float
        The oversampled rate.
    listen : sequence of stage names
        Stages whose output volts are to leave the kernel besides the final output.
    """
    node_of = solved.stage_nodes
    stage_nodes = tuple(dict.fromkeys(node_of.values()))
    read = {signal for section, _ in solved.sections for signal in section.signals}
    wanted = read | {solved.output} | {node_of[stage] for stage in listen}
    sections, written = [], []
    place: dict[str, Tap] = {}
    for index, (section, point) in enumerate(solved.sections):
        here = [n for n in stage_nodes if n in section.unknowns]
        here += [n for n in section.unknowns if n in read and n not in stage_nodes]
        nodes = sorted(here, key=lambda n: n not in wanted)
        for row, node in enumerate(nodes):
            place[node] = Tap(index, row)
        written.append(sum(n in wanted for n in nodes))
        sections.append(difference_equations(section, point, sample_rate_hz, tuple(nodes)))
    if fixed := tuple(node for node in stage_nodes if node not in place):
        # A wire leads a stage's output to the input or to a rail.
        place |= {node: Tap(len(sections), row) for row, node in enumerate(fixed)}
        stages = tuple(stage for stage, node in node_of.items() if node in fixed)
        written.append(len(fixed))
        sections.append(through(fixed, solved.node_v, stages, sample_rate_hz))
    inputs = tuple(
        tuple(None if s == INPUT else place[s] for s in section.signals) for section in sections
    )
    taps = {stage: place[node] for stage, node in node_of.items()}
    return Circuit(
        tuple(sections), tuple(written), inputs, taps, place[solved.output], sample_rate_hz
    )
