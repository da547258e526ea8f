"""What a design does at rest: node volts, device currents, headroom, supply current."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.circuits.network import SUPPLY
from vadist.circuits.operating_point import PlacedDevice
from vadist.stages.stage import output_node


@dataclass(frozen=True)
class RestingDevice:
    """Operating point of a device that has one worth telling.

    Attributes
    ----------
    part, model : str
    figures : mapping of label -> (value, unit)
        Of a transistor ``Ic``, ``Ib``, ``Vce``, ``gm``.
    """

    part: str
    model: str
    figures: Mapping[str, tuple[float, str]]


@dataclass(frozen=True)
class RestingStage:
    """Operating point of a stage.

    Attributes
    ----------
    node_v : mapping of node -> volts
        Nodes of the stage, the output last.
    output_v : float
    limits_v : tuple of two floats, or None
        Lowest and highest volts the device that drives the output allows; None where nothing but
        what drives the stage limits it.
    devices : tuple of RestingDevice
    """

    node_v: dict[str, float]
    output_v: float
    limits_v: tuple[float, float] | None
    devices: tuple[RestingDevice, ...]

    @property
    def headroom_v(self) -> tuple[float, float] | None:
        """Volts the output can fall and rise."""
        if self.limits_v is None:
            return None
        return self.output_v - self.limits_v[0], self.limits_v[1] - self.output_v


@dataclass(frozen=True)
class SupplyCurrent:
    """Current drawn from the supply rail at rest.

    Attributes
    ----------
    total_a : float
    parts : tuple of (part, amperes), largest first

    Notes
    -----
    A bias divider counts where the design has one; a stiff bias rail draws nothing. The idle half
    of a dual op-amp is not counted.
    """

    total_a: float
    parts: tuple[tuple[str, float], ...]


def resting_stages(solved: SolvedDesign) -> dict[str, RestingStage]:
    """Operating point of every stage.

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.designs.files import load_design
    >>> boost = resting_stages(solve_design(load_design("boosted_hard_clipper")))["boost"]
    >>> round(boost.output_v, 1), boost.limits_v[1]
    (6.0, 9.0)
    """
    volts, placed = solved.node_v, solved.resting_devices()
    result = {}
    for stage, output in solved.stage_nodes.items():
        own = output_node(stage)
        nodes = sorted(n for n in volts if n.startswith(f"{stage}.") and n != own)
        mine = [p for p in placed if p.device.part.startswith(f"{stage}.")]
        limits = None
        for p in mine:
            limits = _limits(p, output, volts[SUPPLY]) or limits
        told = [
            RestingDevice(p.device.part, str(getattr(p.resting.model, "name", "")), figures)
            for p in mine
            if (figures := p.device.record.figures(p.resting))
        ]
        result[stage] = RestingStage(
            {n: volts[n] for n in [*nodes, own]}, volts[output], limits, tuple(told)
        )
    return result


def _limits(placed: PlacedDevice, output: str, supply_v: float) -> tuple[float, float] | None:
    """How far a device lets a stage's output go."""
    for terminal, node in placed.device.nodes.items():
        if node == output:
            return placed.device.record.swing(terminal, placed.resting, supply_v)
    return None


def supply_current(solved: SolvedDesign) -> SupplyCurrent:
    """Current drawn from the supply rail at rest.

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.designs.files import load_design
    >>> drawn = supply_current(solve_design(load_design("treble_boost")))
    >>> drawn.parts[0][0], round(drawn.total_a * 1e3, 1)
    ('boost.collector_resistor', 0.7)
    """
    volts = solved.node_v
    rail, source = solved.network.held(SUPPLY), solved.network.ideal_supply
    drawn: dict[str, float] = {}
    for resistor in solved.network.resistors:
        ends = [resistor.a, resistor.b]
        if rail in ends and (rail == source or source not in ends):
            ends.remove(rail)
            drawn[resistor.part] = (volts[rail] - volts[ends[0]]) / resistor.value
    for placed in solved.resting_devices():
        device = placed.device
        stated = device.record.drawn(placed.resting)
        into = np.array([injection.get(rail, 0.0) for injection in device.injections])
        if stated is not None:
            drawn[device.part] = stated
        elif into.any():
            drawn[device.part] = -float(into @ placed.resting.currents)
    parts = sorted(drawn.items(), key=lambda item: -item[1])
    return SupplyCurrent(sum(drawn.values()), tuple(parts))
