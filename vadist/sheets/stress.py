"""What each part must bear: volts of capacitors and watts of resistors while it is played hard.

The circuit is stepped through a hot chord with its knobs low, half and high, every node told. A
chord stands for the hardest playing: a fifth over the lowest string, struck together and as loud
as asked.
"""

import dataclasses
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.elements import TwoTerminal
from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import SolvedNetwork, solve_network
from vadist.designs.design import Design
from vadist.stepping.circuit import Circuit, build_circuit
from vadist.stepping.rails import tear
from vadist.stepping.stepper import Stepper

HOT_V = 1.0
"""Peak of a hot pickup, struck hard (common practice, no published source)."""

CHORD_HZ = (82.41, 123.47, 164.81)
"""E2, B2 and E3, equal temperament over 440 Hz (ISO 16)."""

KNOBS = (0.02, 0.5, 0.98)
"""Positions of all knobs; at its very ends a pot is wired otherwise, and bears no more."""

_RATE_HZ = 192000.0
_SECONDS = 0.4
_ATTACK_S = 2e-3
_DECAY_S = 0.5
_HARMONICS = 12
_BLOCK = 9600
# Watts are means over such a block of 50 ms: a resistor's temperature follows no faster.


@dataclass(frozen=True)
class Stress:
    """What a part bore, at the worst of all knob positions.

    Attributes
    ----------
    low_v, high_v : float
        Volts from its second end to its first.
    watts : float
        Largest mean over 50 ms; of a resistor or a pot.
    """

    low_v: float
    high_v: float
    watts: float = 0.0

    @property
    def largest_v(self) -> float:
        """Volts whichever way round."""
        return max(abs(self.low_v), abs(self.high_v))

    def joined(self, other: "Stress") -> "Stress":
        """The worse of two."""
        return Stress(
            min(self.low_v, other.low_v),
            max(self.high_v, other.high_v),
            max(self.watts, other.watts),
        )


def hot_chord(peak_v: float, rate_hz: float = _RATE_HZ, seconds: float = _SECONDS) -> FloatArray:
    """Volts of a chord struck hard, each string a sum of harmonics that fall by 1/n; (samples,)."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    n = np.arange(1, _HARMONICS + 1)[:, None]
    strings = sum((np.sin(2.0 * np.pi * f * n * t) / n).sum(axis=0) for f in CHORD_HZ)
    wave = strings * (1.0 - np.exp(-t / _ATTACK_S)) * np.exp(-t / _DECAY_S)
    return np.asarray(peak_v * wave / np.abs(wave).max())


def stresses(design: Design, peak_v: float = HOT_V) -> dict[str, Stress]:
    """Volts and watts of every capacitor and resistor of a design in a hot chord.

    Parameters
    ----------
    design : Design
    peak_v : float
        At the input.

    Returns
    -------
    mapping of element -> Stress
        By the names the network has: of a pot each half of its track.
    """
    take = hot_chord(peak_v)
    found: dict[str, Stress] = {}
    for position in KNOBS if design.controls else KNOBS[:1]:
        controls = {
            name: dataclasses.replace(control, position=position)
            for name, control in design.controls.items()
        }
        turned = dataclasses.replace(design, controls=controls)
        for name, stress in _stepped(turned, take).items():
            found[name] = found[name].joined(stress) if name in found else stress
    return found


def _stepped(design: Design, take: FloatArray) -> dict[str, Stress]:
    solved = _all_heard(solve_network(design.network()))
    listen = tuple(solved.network.outputs)
    circuit = build_circuit(solved, _RATE_HZ, listen)
    stepper = Stepper([circuit], 1, real=np.float64, begins=[0])
    found: dict[str, Stress] = {}
    for first in range(0, len(take), _BLOCK):
        block = take[first : first + _BLOCK, None]
        stepper.process(block)
        volts = _volts(solved, circuit, stepper, block[:, 0])
        network = solved.network
        for element in (*network.capacitors, *network.resistors):
            stress = _bears(element, volts, element in network.resistors)
            held = found.get(element.part)
            found[element.part] = stress if held is None else held.joined(stress)
    return found


def _volts(
    solved: SolvedNetwork, circuit: Circuit, stepper: Stepper, take: FloatArray
) -> dict[str, FloatArray | float]:
    """Volts of every node over the last block; one number for those that do not move."""
    volts: dict[str, FloatArray | float] = dict(solved.node_v)
    for stage, node in solved.network.outputs.items():
        heard = stepper.heard(circuit.taps[stage])[:, 0]
        steps = len(heard) // len(take)
        volts[node] = volts[node] + (heard if steps <= 1 else heard[steps - 1 :: steps])
    volts[INPUT] = solved.node_v[INPUT] + take
    return volts


def _all_heard(solved: SolvedNetwork) -> SolvedNetwork:
    """The network with every node that moves among those a stage is heard at."""
    torn = tear(solved)
    moving = [n for section, _ in torn.sections for n in section.unknowns]
    nodes = dict.fromkeys([*moving, *torn.rails])
    heard = {f"node {node}": node for node in nodes if node != solved.output}
    network = dataclasses.replace(solved.network, outputs={**heard, "output": solved.output})
    return SolvedNetwork(network, solved.sections)


def _bears(element: TwoTerminal, volts: dict[str, FloatArray | float], resistor: bool) -> Stress:
    across = np.atleast_1d(volts[element.a] - volts[element.b])
    watts = float(np.mean(across**2)) / element.value if resistor else 0.0
    return Stress(float(across.min()), float(across.max()), watts)
