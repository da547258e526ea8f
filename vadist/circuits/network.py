"""Nodes and elements: what a stage writes its schematic into.

A :class:`Network` collects resistors, capacitors, inductors, junction devices and op-amps between
named nodes, with no equations yet. Ground, the input and op-amp outputs are *stiff*: no current can
move them, and a section may end there. So are the rails ``supply`` and ``bias``, unless parts feed
them: such a rail moves, and is a node like any other.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from vadist.devices import KINDS, DeviceKind
from vadist.devices.kind import StepLimit
from vadist.errors import DesignError
from vadist.parts import DiodeModel, OpAmpModel, TransistorModel
from vadist.quantities import thermal_voltage

Value = TypeVar("Value")

GROUND = "ground"
SUPPLY = "supply"
BIAS = "bias"
INPUT = "input"
IDEAL_SUPPLY = "supply.ideal"
"""What feeds a supply rail that moves: held at its volts, but for a ripple."""
OPAMP_REFERENCE = "bias.nominal"
"""Held where a bias rail that moves would rest unloaded; no part is connected to it."""

SMALLEST_RESISTANCE_OHM = 1e-3
"""What is less is a wire, and makes one node of two: a centimetre of a board's track has more
(0.5 milliohm a square of 35 micrometre copper, computed from its 17 nanoohm metre)."""

COMPENSATION_F = 1e-9
"""Internal capacitor of the op-amp model; only its ratio to the transconductance matters."""

SWING_KNEE_V = 0.05
"""Softness of the op-amp's swing limit (common practice, no published source)."""


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

    @property
    def slope_v(self) -> float:
        """Volts for one e-fold of current: count * n * Vt."""
        return self.count * self.model.emission_coefficient * thermal_voltage()

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
        :attr:`Network.reference`.
    """

    part: str
    kind: str
    nodes: dict[str, str]
    parameters: tuple[float, ...]
    model: Any = None
    owned_farad: float = 0.0
    owned_siemens: float = 0.0

    @property
    def record(self) -> DeviceKind:
        """What is known of its kind."""
        return KINDS[self.kind]

    @property
    def controls(self) -> tuple[tuple[str, str], ...]:
        """The law's arguments are the voltages from the second to the first node."""
        return tuple((self._node(a), self._node(b)) for a, b in self.record.controls)

    @property
    def injections(self) -> tuple[dict[str, float], ...]:
        """What each port current adds to the current *into* the named nodes."""
        found: list[dict[str, float]] = []
        for injection in self.record.injections:
            into: dict[str, float] = {}
            for terminal, share in injection.items():
                node = self._node(terminal)
                into[node] = into.get(node, 0.0) + share
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


@dataclass
class Network:
    """Elements between named nodes.

    Parameters
    ----------
    supply_v, bias_v : float
        Volts of the supply and bias rails against ground; of one that moves, unloaded.
    input_v : float
        Volts the input rests at.
    outputs : mapping of stage name -> node
        Where each stage is heard, in signal order; the last is the output of the whole.
    fed : set of str
        Rails that parts feed, so that they are not held: ``supply``, ``bias`` or both.
    ripple_v, ripple_hz : float
        Peak volts and frequency of a sine on the ideal supply; 0 for none.

    Notes
    -----
    Part names are prefixed by :attr:`stage` while a stage is wired, so that every element is
    found by the same ``stage.part`` a person would use. ``wires`` are the resistors of no ohms,
    until :func:`vadist.circuits.nodes.join_wires` has made one node of their ends; ``aliases``
    then says under which name a node is found that lost its own.
    """

    supply_v: float = 9.0
    bias_v: float = 4.5
    input_v: float = 0.0
    stage: str = ""
    resistors: list[TwoTerminal] = field(default_factory=list)
    capacitors: list[TwoTerminal] = field(default_factory=list)
    inductors: list[TwoTerminal] = field(default_factory=list)
    devices: list[Device] = field(default_factory=list)
    outputs: dict[str, str] = field(default_factory=dict)
    wires: list[TwoTerminal] = field(default_factory=list)
    aliases: dict[str, str] = field(default_factory=dict)
    draws: list[Draw] = field(default_factory=list)
    fed: set[str] = field(default_factory=set)
    ripple_v: float = 0.0
    ripple_hz: float = 0.0

    @property
    def rails(self) -> dict[str, float]:
        """Volts of what is held: ground, the rails that do not move, what feeds those that do."""
        return {
            GROUND: 0.0,
            self.ideal_supply: self.supply_v,
            self.reference: self.bias_v,
        }

    @property
    def ideal_supply(self) -> str:
        """Node of the ideal supply: the rail itself, if nothing lies between; a ripple is here."""
        return IDEAL_SUPPLY if SUPPLY in self.fed else SUPPLY

    @property
    def reference(self) -> str:
        """Held node that an op-amp's own pole refers to: the bias rail, or where it would rest."""
        return OPAMP_REFERENCE if BIAS in self.fed else BIAS

    @property
    def moving_rails(self) -> tuple[str, ...]:
        """Rails that currents move, under the names they are found by: ``supply``, ``bias``."""
        driven = {d.owned_node for d in self.devices}
        found = (self.held(rail) for rail in (SUPPLY, BIAS) if rail in self.fed)
        return tuple(
            rail for rail in dict.fromkeys(found) if rail not in {*driven, *self.rails, INPUT}
        )

    @property
    def supply_is_constant(self) -> bool:
        """Whether the supply rail neither moves nor carries a ripple."""
        return SUPPLY not in self.fed and not self.ripple_v

    def held(self, node: str) -> str:
        """Name under which a node is found after wires were joined."""
        return self.aliases.get(node, node)

    def under_all_names(self, found: dict[str, Value]) -> dict[str, Value]:
        """Add the names that nodes lost to wires to what is known by node."""
        return found | {n: found[kept] for n, kept in self.aliases.items() if kept in found}

    def name(self, part: str) -> str:
        """Full name of a part of the stage being wired."""
        return f"{self.stage}.{part}" if self.stage else part

    def node(self, label: str) -> str:
        """Name of an inner node of the stage being wired."""
        return self.name(label)

    def _positive(self, part: str, value: float, unit: str) -> float:
        if not (math.isfinite(value) and value > 0.0):
            raise DesignError(f"{self.name(part)} must be > 0 {unit} (got {value:g})")
        return value

    def resistor(self, part: str, a: str, b: str, ohm: float) -> None:
        """Add a resistor; zero ohms is a wire."""
        if not (math.isfinite(ohm) and ohm >= 0.0):
            raise DesignError(f"{self.name(part)} must be >= 0 ohm (got {ohm:g})")
        kind = self.wires if ohm < SMALLEST_RESISTANCE_OHM else self.resistors
        kind.append(TwoTerminal(self.name(part), a, b, ohm))

    def capacitor(self, part: str, a: str, b: str, farad: float) -> None:
        """Add a capacitor."""
        value = self._positive(part, farad, "F")
        self.capacitors.append(TwoTerminal(self.name(part), a, b, value))

    def inductor(self, part: str, a: str, b: str, henry: float) -> None:
        """Add an inductor."""
        value = self._positive(part, henry, "H")
        self.inductors.append(TwoTerminal(self.name(part), a, b, value))

    def potentiometer(
        self, part: str, top: str, wiper: str, bottom: str, ohm: float, fraction: float
    ) -> None:
        """Add a pot whose wiper stands at ``fraction`` of the track, counted from ``bottom``."""
        self._positive(part, ohm, "ohm")
        if not 0.0 <= fraction <= 1.0:
            raise DesignError(f"{self.name(part)} wiper must be within 0..1 (got {fraction:g})")
        self.resistor(f"{part}.upper", top, wiper, ohm * (1.0 - fraction))
        self.resistor(f"{part}.lower", wiper, bottom, ohm * fraction)

    def diodes(
        self,
        part: str,
        a: str,
        b: str,
        forward: DiodeString | None,
        reverse: DiodeString | None,
    ) -> None:
        """Add diode strings between two nodes; ``forward`` conducts from ``a`` to ``b``.

        Two strings share one port when their ohmic resistance is alike (it then stands in series
        with the pair, exactly, as only one side conducts); otherwise each has a port of its own.
        """
        strings = [s for s in (forward, reverse) if s is not None]
        if not strings:
            raise DesignError(f"{self.name(part)} needs at least one diode")
        if len({s.series_resistance_ohm for s in strings}) == 2:
            self.diodes(f"{part}.forward", a, b, forward, None)
            self.diodes(f"{part}.reverse", a, b, None, reverse)
            return
        ohmic = strings[0].series_resistance_ohm
        inner = a
        if ohmic > 0.0:
            inner = self.node(f"{part}.junction")
            self.resistor(f"{part}.ohmic", a, inner, ohmic)
        parameters: list[float] = []
        for string in (forward, reverse):
            if string is None:
                parameters += [0.0, 0.0]
            else:
                parameters += [string.saturation_current_a, 1.0 / string.slope_v]
        self._device(part, "diodes", {"a": inner, "b": b}, parameters, (forward, reverse))

    def transistor(
        self, part: str, collector: str, base: str, emitter: str, model: TransistorModel
    ) -> None:
        """Add an NPN transistor; its base resistance leads to an inner node."""
        inner = base
        if model.base_resistance_ohm > 0.0:
            inner = self.node(f"{part}.junction")
            self.resistor(f"{part}.ohmic", base, inner, model.base_resistance_ohm)
        self._device(
            part,
            "transistor",
            {"collector": collector, "base": inner, "emitter": emitter},
            (
                model.saturation_current_a,
                0.5 / thermal_voltage(),
                1.0 / model.forward_beta,
                1.0 / model.reverse_beta,
                1.0 / model.early_voltage_v,
                model.emitter_leakage_a,
                model.collector_leakage_a,
                4.0 / model.knee_current_a,
            ),
            model,
        )

    def opamp(self, part: str, plus: str, minus: str, output: str, model: OpAmpModel) -> None:
        """Add an op-amp: one pole, limited slew rate and swing, no input current, stiff output.

        The transconductance gm = 2 pi GBW C feeds the compensation capacitor C through a limiter
        of SR * C amperes; the swing limits draw that whole current at their stated voltage. On a
        supply that is not constant the upper limit follows the rail, and the current it takes at
        rest flows out of the rail.
        """
        high = self.supply_v - model.headroom_high_v
        low = model.headroom_low_v
        if not low < high:
            raise DesignError(
                f"{self.name(part)}: {model.name} needs more than "
                f"{model.headroom_high_v + model.headroom_low_v:g} V of supply "
                f"(got {self.supply_v:g} V)"
            )
        transconductance = 2.0 * math.pi * model.gain_bandwidth_hz * COMPENSATION_F
        largest = model.slew_rate_v_per_s * COMPENSATION_F
        input_range = largest / transconductance
        kind, nodes = "opamp", {"plus": plus, "minus": minus, "output": output}
        if not self.supply_is_constant:
            kind, nodes, high = "opamp_on_rail", {**nodes, "supply": SUPPLY}, model.headroom_high_v
            self.draws.append(Draw(self.name(part), SUPPLY, model.supply_current_a))
        self._device(
            part,
            kind,
            nodes,
            (largest, 1.0 / input_range, high, low, 1.0 / SWING_KNEE_V),
            model,
            owned_farad=COMPENSATION_F,
            owned_siemens=transconductance / model.open_loop_gain,
        )

    def _device(
        self,
        part: str,
        kind: str,
        nodes: dict[str, str],
        parameters: Sequence[float],
        model: Any,
        **owned: float,
    ) -> None:
        device = Device(self.name(part), kind, nodes, tuple(parameters), model, **owned)
        self.devices.append(device)
