"""What is placed between nodes: two-terminal elements, diode strings, devices."""

import dataclasses
from dataclasses import dataclass
from typing import Any

from vadist.devices import KINDS, DeviceKind
from vadist.devices.kind import StepLimit
from vadist.parts import DiodeModel


@dataclass(frozen=True)
class TwoTerminal:
    """A resistor, capacitor or inductor between two nodes."""

    part: str
    a: str
    b: str
    value: float


@dataclass(frozen=True)
class Draw:
    """A constant current that a part takes out of a node."""

    part: str
    node: str
    ampere: float


@dataclass(frozen=True)
class DiodeString:
    """``count`` equal diodes in series, ``parallel`` such strings side by side."""

    model: DiodeModel
    count: int = 1
    parallel: int = 1

    @property
    def saturation_current_a(self) -> float:
        """Saturation current of the strings together."""
        return self.model.saturation_current_a * self.parallel

    def slope_v(self, thermal_v: float) -> float:
        """Volts for one e-fold of current: count * n * Vt."""
        return self.count * self.model.emission_coefficient * thermal_v

    def at(self, temperature_k: float) -> "DiodeString":
        """Return the strings as they are at a temperature."""
        return dataclasses.replace(self, model=self.model.at(temperature_k))

    @property
    def series_resistance_ohm(self) -> float:
        """Ohmic resistance of the strings."""
        return self.model.series_resistance_ohm * self.count / self.parallel


@dataclass(frozen=True)
class Device:
    """A nonlinear element between nodes; its kind tells its law, ports and all else.

    Attributes
    ----------
    part : str
        ``stage.part``.
    kind : str
        One of :data:`vadist.devices.KINDS`.
    nodes : mapping of terminal -> node
    parameters : tuple of float
        As the law lists them.
    model : object
        Part from the library, for what the law does not hold.
    owned_farad, owned_siemens : float
        Compensation capacitor and open-loop conductance from an owned node to
        :attr:`~vadist.circuits.network.Network.reference`.
    polarity : float
        -1 for a device whose law sees all its volts and currents reversed: a PNP, a P-channel.
    """

    part: str
    kind: str
    nodes: dict[str, str]
    parameters: tuple[float, ...]
    model: Any = None
    owned_farad: float = 0.0
    owned_siemens: float = 0.0
    polarity: float = 1.0

    @property
    def record(self) -> DeviceKind:
        """What is known of its kind."""
        return KINDS[self.kind]

    @property
    def controls(self) -> tuple[tuple[str, str], ...]:
        """The law's arguments are the voltages from the second to the first node."""
        pairs = ((self._node(a), self._node(b)) for a, b in self.record.controls)
        return tuple(pairs if self.polarity > 0.0 else ((b, a) for a, b in pairs))

    @property
    def injections(self) -> tuple[dict[str, float], ...]:
        """What each port current adds to the current *into* the named nodes."""
        found: list[dict[str, float]] = []
        for injection in self.record.injections:
            into: dict[str, float] = {}
            for terminal, share in injection.items():
                node = self._node(terminal)
                into[node] = into.get(node, 0.0) + self.polarity * share
            found.append(into)
        return tuple(found)

    @property
    def named(self) -> dict[str, float]:
        """Parameters by name."""
        return dict(zip(self.record.parameters, self.parameters, strict=True))

    @property
    def limits(self) -> tuple[StepLimit, ...]:
        """Newton step limits of each control."""
        return self.record.limits(self.named)

    @property
    def owned_node(self) -> str:
        """Node whose equation is the device's own; empty for none."""
        return self.nodes[self.record.owns] if self.record.owns else ""

    def _node(self, terminal: str) -> str:
        return self.nodes.get(terminal, terminal)
