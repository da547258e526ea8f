"""A design made ready to step at one rate: sections as difference equations, and their links."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import SolvedNetwork
from vadist.circuits.sections import Section
from vadist.kernel.structure import Program, Source
from vadist.stepping.batch import Bundle, structure_of
from vadist.stepping.discretize import (
    DiscreteSection,
    linear,
    rest_modes,
    through,
)
from vadist.stepping.moving import Course, Discretising, refuse_between_rails
from vadist.stepping.rails import Rails, Torn, rippling, tear
from vadist.stepping.ripple import Sine


@dataclass(frozen=True)
class Tap:
    """Where a stage's output is found: section index, row among its outputs."""

    section: int
    row: int


RAIL = -1
"""Section of a tap that hears a torn rail."""

RIPPLE = -2
"""Section of a tap that hears the ripple of the supply, which comes in beside the take."""

ONE = -3
"""Section of a tap that is one volt at all times: by it a turned knob moves what rests."""


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
    programs : tuple of tuple of int
        Sections that step together; each alone, but for those between which rails lead back.
    rails : Rails or None
        Torn rails, which one of the programs shares.
    ripple : Sine or None
        Of the supply.
    """

    sections: tuple[DiscreteSection, ...]
    written: tuple[int, ...]
    inputs: tuple[tuple[Tap | None, ...], ...]
    taps: dict[str, Tap]
    output: Tap
    sample_rate_hz: float
    entry_pace: int
    paces: tuple[int, ...]
    programs: tuple[tuple[int, ...], ...]
    rails: Rails | None = None
    ripple: Sine | None = None

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
            self.programs,
            self.rails and self.rails.names,
            tuple((s.states, s.slow, s.samples, s.outputs, s.kinds) for s in self.sections),
        )

    def bundle(self, number: int) -> Bundle:
        """Sections of a program."""
        sections = tuple(self.sections[k] for k in self.programs[number])
        return Bundle(sections, self.rails if self.feeds_rails(number) else None)

    def feeds_rails(self, number: int) -> bool:
        """Whether a program's sections draw on the torn rails."""
        taps = (tap for k in self.programs[number] for tap in self.inputs[k])
        return any(tap is not None and tap.section == RAIL for tap in taps)

    def heard(self, number: int) -> tuple[Tap | None, ...]:
        """Signals that reach a program from outside; None is the take."""
        own = {*self.programs[number], RAIL, ONE}
        taps = (tap for k in self.programs[number] for tap in self.inputs[k])
        return tuple(dict.fromkeys(t for t in taps if t is None or t.section not in own))

    def program(
        self,
        number: int,
        width: int = 1,
        real: str = "float32",
        zeros: Sequence[frozenset[int]] | None = None,
        turning: Sequence[frozenset[int]] | None = None,
    ) -> Program:
        """What the kernel sees of a program.

        Parameters
        ----------
        width : lanes of the kernel
        real : ``float32`` or ``float64``
        zeros : of each section, positions of coefficients that are zero in every lane
        turning : of each section, positions of those that change along the take
        """
        own, heard = self.programs[number], self.heard(number)
        unit = self.ticks(number)
        parts, sources, flows = [], [], []
        rails = self.rails if self.feeds_rails(number) else None
        count = len(rails.names) if rails else 0
        for place, k in enumerate(own):
            section = self.sections[k]
            samples = tuple(self.pace(tap) // unit for tap in self.inputs[k])
            nothing: frozenset[int] = frozenset()
            parts.append(
                structure_of(
                    section, self.written[k], (self.paces[k] // unit, samples),
                    zeros[place] if zeros else nothing, turning[place] if turning else nothing,
                )
            )  # fmt: skip
            sources.append(tuple(self._source(tap, own, heard) for tap in self.inputs[k]))
            named = len(section.output_nodes)
            flows.append(named if section.outputs > named else -1)
        takes = tuple(self.pace(tap) // unit for tap in heard)
        return Program(tuple(parts), tuple(sources), takes, count, tuple(flows), width, real)

    def ticks(self, number: int) -> int:
        """Ticks of a program in one of the circuit; rails move once in that."""
        own = self.programs[number]
        heard = [self.pace(tap) for tap in self.heard(number)]
        paces = [self.paces[k] for k in own]
        inner = [1] if self.feeds_rails(number) else []
        return math.gcd(*paces, *heard, *inner)

    def tick_s(self, number: int) -> float:
        """Seconds in a tick of a program."""
        return self.entry_pace / self.sample_rate_hz / self.ticks(number)

    @staticmethod
    def _source(tap: Tap | None, own: Sequence[int], heard: Sequence[Tap | None]) -> Source:
        if tap is not None and tap.section == RAIL:
            return "rail", tap.row, 0
        if tap is not None and tap.section == ONE:
            return "one", 0, 0
        if tap is not None and tap.section in own:
            return "part", own.index(tap.section), tap.row
        return "take", heard.index(tap), 0

    def pace(self, tap: Tap | None) -> int:
        """Samples of a signal within a tick; None is the take."""
        if tap is None or tap.section == RIPPLE:
            return self.entry_pace
        return 0 if tap.section in (RAIL, ONE) else self.paces[tap.section]

    def rate_hz(self, tap: Tap) -> float:
        """Samples a second of a signal."""
        return self.sample_rate_hz * self.paces[tap.section] / self.entry_pace

    @property
    def turns(self) -> bool:
        """Whether knobs are turned in it along the take."""
        return any(section.turns is not None for section in self.sections)

    @property
    def rest_v(self) -> float:
        """DC volts of the output."""
        return float(self.sections[self.output.section].output_v[self.output.row])


def build_circuit(
    solved: SolvedNetwork,
    sample_rate_hz: float,
    listen: Sequence[str] = (),
    paces: Callable[[Section], int | Fraction] = lambda section: 1,
    course: Course | None = None,
) -> Circuit:
    """Make a network ready to step at a rate.

    Parameters
    ----------
    solved : SolvedNetwork
    sample_rate_hz : float
        The oversampled rate.
    listen : sequence of stage names
        Stages whose output volts are to leave the kernel besides the final output.
    paces : callable
        Steps of a section in a sample of the oversampled rate, a power of two.
    course : Course, optional
        Of resistors that are moved along the take.

    Raises
    ------
    DesignError
        If such a resistor lies between a rail that moves and what is held.
    """
    torn = tear(solved)
    if course is not None:
        refuse_between_rails(torn, solved, course)
    node_of = solved.stage_nodes
    stage_nodes = tuple(dict.fromkeys(node_of.values()))
    read = {signal for section, _ in torn.sections for signal in section.signals}
    wanted = read | {solved.output} | {node_of[stage] for stage in listen}
    outputs: list[tuple[str, ...]] = []
    written: list[int] = []
    place: dict[str, Tap | None] = {INPUT: None}
    for index, (section, _) in enumerate(torn.sections):
        here = [n for n in stage_nodes if n in section.unknowns]
        here += [n for n in section.unknowns if n in read and n not in stage_nodes]
        nodes = sorted(here, key=lambda n: n not in wanted)
        place |= {node: Tap(index, row) for row, node in enumerate(nodes)}
        written.append(sum(n in wanted for n in nodes))
        outputs.append(tuple(nodes))
    place |= {rail: Tap(RAIL, row) for row, rail in enumerate(torn.rails)}
    driven = rippling(solved)
    place |= {node: Tap(RIPPLE, 0) for node in driven}
    inputs = [tuple(place[s] for s in section.signals) for section, _ in torn.sections]
    entry_pace, steps = _paces_along([paces(section) for section, _ in torn.sections], inputs)
    tick_hz = sample_rate_hz / entry_pace
    sections = []
    for index, ((section, point), flows) in enumerate(zip(torn.sections, torn.flows, strict=True)):
        own = steps[index]
        heard = [
            entry_pace if t is None or t.section == RIPPLE else steps[t.section]
            for t in inputs[index]
        ]
        samples = tuple(
            0 if tap is not None and tap.section == RAIL else max(pace // own, 1)
            for tap, pace in zip(inputs[index], heard, strict=True)
        )
        own_hz = tick_hz * own
        at = Discretising(section, point, own_hz, outputs[index], samples, flows, torn.rails)
        if course is not None and course.touches(section):
            inputs[index] = (*inputs[index], Tap(ONE, 0))
            sections.append(at.moved(course, tick_hz, entry_pace))
        else:
            sections.append(at.still())
    programs = _programs(torn)
    # Wires lead a stage's output to the input, to a held rail, to one that ripples, or a torn one.
    fixed = tuple(node for node in stage_nodes if place.get(node) is None)
    humming = tuple(node for node in stage_nodes if node in driven)
    moving = tuple(node for node in stage_nodes if node in torn.rails)
    for leads, feeding in ((fixed, (INPUT,)), (humming, driven), (moving, torn.rails)):
        if not leads:
            continue
        number = len(sections)
        inputs.append(tuple(place[signal] for signal in feeding))
        programs = _joined(programs, number, torn) if leads is moving else [*programs, (number,)]
        place |= {node: Tap(number, row) for row, node in enumerate(leads)}
        stages = tuple(stage for stage, node in node_of.items() if node in leads)
        written.append(len(leads))
        steps.append(entry_pace)
        slow = leads is moving
        sections.append(
            through(leads, feeding, solved.node_v, stages, sample_rate_hz, 0 if slow else 1)
        )
    if torn.drives.any():
        # What a rippling supply drives into the torn rails.
        inputs.append((place[driven[0]],))
        programs = _joined(programs, len(sections), torn)
        written.append(0)
        steps.append(entry_pace)
        pulled = -torn.drives[:, None]
        sections.append(linear(pulled, (), np.zeros(0), driven, ("supply",), sample_rate_hz, 1))
    taps = {stage: _tap(place[node]) for stage, node in node_of.items()}
    return Circuit(
        tuple(sections), tuple(written), tuple(inputs), taps, _tap(place[solved.output]),
        sample_rate_hz, entry_pace, tuple(steps), tuple(programs),
        torn.discretised(1.0 / tick_hz, _slowest_s(solved) if torn.rails else 0.0),
        Sine(solved.network.ripple_v, solved.network.ripple_hz) if driven else None,
    )  # fmt: skip


def _tap(found: Tap | None) -> Tap:
    assert found is not None
    return found


def _paces_along(
    own: Sequence[int | Fraction], inputs: Sequence[Sequence[Tap | None]]
) -> tuple[int, list[int]]:
    """Samples that come in within a tick, and steps of each section.

    A section takes at least half the steps of what it hears: fewer would fold the rough output of
    an op-amp at its limits into what it hands on at once.
    """
    found: list[Fraction] = []
    for pace, taps in zip(own, inputs, strict=True):
        heard = [found[tap.section] / 2 for tap in taps if tap is not None and tap.section >= 0]
        found.append(max([Fraction(pace), *heard]))
    entry_pace = math.lcm(*(pace.denominator for pace in found))
    return entry_pace, [int(pace * entry_pace) for pace in found]


def _slowest_s(solved: SolvedNetwork) -> float:
    """Longest time constant of the undivided circuit at rest."""
    modes = [rest_modes(section, point) for section, point in solved.sections]
    decays = -np.concatenate(modes).real
    return float(np.max(1.0 / np.maximum(decays, 1e-9), initial=0.0))


def _joined(programs: list[tuple[int, ...]], number: int, torn: Torn) -> list[tuple[int, ...]]:
    """Programs, with one section more in the one that steps the rails."""
    fed = next(k for k, flows in enumerate(torn.flows) if flows is not None)
    return [(*own, number) if fed in own else own for own in programs]


def _programs(torn: Torn) -> list[tuple[int, ...]]:
    """Sections that step together: from the first that a torn rail feeds to the last."""
    fed = [k for k, flows in enumerate(torn.flows) if flows is not None]
    together = tuple(range(fed[0], fed[-1] + 1)) if fed else ()
    found: list[tuple[int, ...]] = []
    for k in range(len(torn.sections)):
        if k not in together:
            found.append((k,))
        elif k == together[0]:
            found.append(together)
    return found
