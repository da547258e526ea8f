"""What a design does at rest: node volts, device currents, headroom, supply current."""

from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.design import output_node
from vadist.kernel.structure import CURRENTS
from vadist.network import GROUND, SUPPLY, Device
from vadist.quantities import thermal_voltage
from vadist.sections import Matrix

SATURATION_V = 0.2
"""Collector to emitter when a small transistor saturates (common practice, no published source)."""


@dataclass(frozen=True)
class RestingTransistor:
    """Operating point of a transistor."""

    part: str
    model: str
    collector_a: float
    base_a: float
    collector_emitter_v: float
    transconductance_s: float


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
    transistors : tuple of RestingTransistor
    """

    node_v: dict[str, float]
    output_v: float
    limits_v: tuple[float, float] | None
    transistors: tuple[RestingTransistor, ...]

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
    What the bias divider draws is not part of a design, which holds the bias rail stiff; nor is
    the idle half of a dual op-amp.
    """

    total_a: float
    parts: tuple[tuple[str, float], ...]


def port_currents(solved: SolvedDesign) -> dict[str, Matrix]:
    """Device -> its port currents at rest (base and collector of a transistor), amperes."""
    found: dict[str, Matrix] = {}
    for section, point in solved.sections:
        first = 0
        for device in section.devices:
            count = CURRENTS[device.kind]
            found[device.part] = point.port_a[first : first + count]
            first += count
    return found


def resting_stages(solved: SolvedDesign) -> dict[str, RestingStage]:
    """Operating point of every stage.

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.design_files import load_design
    >>> boost = resting_stages(solve_design(load_design("boosted_hard_clipper")))["boost"]
    >>> round(boost.output_v, 1), boost.limits_v[1]
    (4.5, 9.0)
    """
    volts, currents = solved.node_v, port_currents(solved)
    result = {}
    for stage, output in solved.stage_nodes.items():
        own = output_node(stage)
        nodes = sorted(n for n in volts if n.startswith(f"{stage}.") and n != own)
        devices = [d for d in solved.network.devices if d.part.startswith(f"{stage}.")]
        limits = None
        for device in devices:
            limits = _limits(device, output, volts) or limits
        transistors = tuple(
            _transistor(solved, d, currents[d.part], volts)
            for d in devices
            if d.kind == "transistor"
        )
        result[stage] = RestingStage(
            {n: volts[n] for n in [*nodes, own]}, volts[output], limits, transistors
        )
    return result


def _terminals(device: Device) -> tuple[str, str, str]:
    """Collector, base and emitter of a transistor."""
    (base, emitter), (_, collector) = device.controls
    return collector, base, emitter


def _limits(device: Device, output: str, volts: dict[str, float]) -> tuple[float, float] | None:
    if device.kind == "opamp" and device.owned_node == output:
        high, low = device.parameters[2:4]
        return low, high
    if device.kind == "transistor":
        collector, _, emitter = _terminals(device)
        if output == collector:  # saturation below, cut-off above
            return volts[emitter] + SATURATION_V, volts[SUPPLY]
        if output == emitter:  # cut-off below, saturation above
            return volts[GROUND], volts[collector] - SATURATION_V
    return None


def _transistor(
    solved: SolvedDesign, device: Device, currents: Matrix, volts: dict[str, float]
) -> RestingTransistor:
    collector, _, emitter = _terminals(device)
    owner, _, name = device.part.partition(".")
    model = getattr(solved.design.stages[owner], name, None)
    return RestingTransistor(
        device.part,
        str(getattr(model, "name", "")),
        float(currents[1]),
        float(currents[0]),
        volts[collector] - volts[emitter],
        float(currents[1]) / thermal_voltage(),
    )


def supply_current(solved: SolvedDesign) -> SupplyCurrent:
    """Current drawn from the supply rail at rest.

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.design_files import load_design
    >>> drawn = supply_current(solve_design(load_design("treble_boost")))
    >>> drawn.parts[0][0], round(drawn.total_a * 1e3, 1)
    ('boost.collector_resistor', 0.7)
    """
    volts, currents = solved.node_v, port_currents(solved)
    drawn: dict[str, float] = {}
    for resistor in solved.network.resistors:
        if SUPPLY in (resistor.a, resistor.b):
            other = resistor.b if resistor.a == SUPPLY else resistor.a
            drawn[resistor.part] = (volts[SUPPLY] - volts[other]) / resistor.value
    for device in solved.network.devices:
        if device.kind == "opamp":
            drawn[device.part] = solved.network.opamps[device.part].supply_current_a
            continue
        into = np.array([injection.get(SUPPLY, 0.0) for injection in device.injections])
        if into.any():
            drawn[device.part] = -float(into @ currents[device.part])
    parts = sorted(drawn.items(), key=lambda item: -item[1])
    return SupplyCurrent(sum(drawn.values()), tuple(parts))
