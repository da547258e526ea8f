"""Where many circuits rest that are nearly one: each starts from where a first one rests."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.elements import Device, TwoTerminal
from vadist.circuits.network import GROUND, INPUT, Network
from vadist.circuits.nodes import stiff_nodes, with_leakage
from vadist.circuits.operating_point import OperatingPoint, solve_operating_point
from vadist.circuits.sections import Section, split_into_sections

METER_OHM = 10e6
"""Input resistance of a digital multimeter on its volts ranges (common practice, no published
source; the meter's manual tells)."""


@dataclass(frozen=True)
class Rest:
    """A circuit at rest.

    Attributes
    ----------
    network : Network
    node_v : mapping of node -> volts
        Under each of its names.
    control_v : mapping of part -> (controls,)
        Control voltages of each device.
    sections : tuple of (Section, OperatingPoint)
        Without the capacitances of junctions.
    """

    network: Network
    node_v: Mapping[str, float]
    control_v: Mapping[str, FloatArray] = field(repr=False)
    sections: tuple[tuple[Section, OperatingPoint], ...] = field(repr=False)

    def is_stiff(self, node: str) -> bool:
        """Whether no current moves a node, whatever is connected to it."""
        return self.network.held(node) in stiff_nodes(self.network)

    def with_meter(self, node: str, ohm: float = METER_OHM) -> float:
        """What a meter from ground to a node reads, its own load counted.

        Parameters
        ----------
        node : str
        ohm : float
            Of the meter.

        Returns
        -------
        float
            Volts; those of the node itself where nothing can move it.
        """
        held = self.network.held(node)
        if self.is_stiff(held):
            return self.node_v[held]
        meter = TwoTerminal("meter", held, GROUND, ohm)
        loaded = replace(self.network, resistors=[*self.network.resistors, meter])
        return rest(loaded, self).node_v[held]


def rest(network: Network, near: Rest | None = None) -> Rest:
    """Solve a network at DC.

    Parameters
    ----------
    network : Network
        Whose wires are joined.
    near : Rest, optional
        Of nearly the same circuit: where Newton's method starts.

    Raises
    ------
    DesignError, ConvergenceError
    """
    network = with_leakage(network)
    volts = {**network.rails, INPUT: network.input_v}
    controls: dict[str, FloatArray] = {}
    sections = []
    for section in split_into_sections(network):
        signal_v = np.array([volts[s] for s in section.signals])
        point = _known(section, signal_v, near)
        if point is None:
            point = solve_operating_point(section, signal_v, _start(section.devices, near))
        volts |= dict(zip(section.unknowns, point.node_v.tolist(), strict=True))
        sections.append((section, point))
        place = 0
        for device in section.devices:
            count = len(device.record.controls)
            controls[device.part] = point.control_v[place : place + count]
            place += count
    return Rest(network, network.under_all_names(volts), controls, tuple(sections))


def _known(section: Section, signal_v: FloatArray, near: Rest | None) -> OperatingPoint | None:
    """The point of a section that is just what it is in the other circuit, and hears the same."""
    for other, point in () if near is None else near.sections:
        if (
            other.unknowns == section.unknowns
            and (other.signals, other.rails) == (section.signals, section.rails)
            and other.devices == section.devices
            and np.array_equal(point.known_v[: len(signal_v)], signal_v)
            and all(
                np.array_equal(a, b)
                for a, b in (
                    (other.conductance, section.conductance),
                    (other.conductance_known, section.conductance_known),
                    (other.rail_volts, section.rail_volts),
                    (other.drawn, section.drawn),
                )
            )
            and not (section.inductors.parts or section.floating or other.floating)
        ):
            return point
    return None


def _start(devices: Iterable[Device], near: Rest | None) -> FloatArray | None:
    parts = [device.part for device in devices]
    if near is None or not parts or not all(part in near.control_v for part in parts):
        return None
    return np.concatenate([near.control_v[part] for part in parts])
