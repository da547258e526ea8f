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

from vadist.circuits.elements import Device, DiodeString, Draw, TwoTerminal
from vadist.errors import DesignError
from vadist.parts import JfetModel, MosfetModel, OpAmpModel, TransistorModel, ZenerModel
from vadist.quantities import NOMINAL_K, thermal_voltage

__all__ = [
    "BIAS",
    "COMPENSATION_F",
    "GROUND",
    "INPUT",
    "SMALLEST_RESISTANCE_OHM",
    "SUPPLY",
    "SWING_KNEE_V",
    "Device",
    "DiodeString",
    "Draw",
    "Network",
    "TwoTerminal",
]

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

CLOSED_OHM, OPEN_OHM = 0.05, 1e11
"""Of a contact: what sheets of switches promise when they are new (common practice, no published
source), and what leaks so little that what is drawn leaks more; sheets promise a hundredth."""

COMPENSATION_F = 1e-9
"""Internal capacitor of the op-amp model; only its ratio to the transconductance matters."""

SWING_KNEE_V = 0.05
"""Softness of the op-amp's swing limit (common practice, no published source)."""


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
    temperature_k : float
        Of all parts.
    apart : frozenset of str
        Switches, as ``stage.switch``, whose contacts are to be resistors.
    contacts : mapping of part -> (switch, position)
        Resistors that are contacts, and when they are closed.

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
    temperature_k: float = NOMINAL_K
    apart: frozenset[str] = frozenset()
    contacts: dict[str, tuple[str, str]] = field(default_factory=dict)

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

    @property
    def thermal_v(self) -> float:
        """Thermal voltage of its junctions."""
        return thermal_voltage(self.temperature_k)

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

    def contact(self, part: str, a: str, b: str, at: tuple[str, str], *, closed: bool) -> None:
        """Add a contact that is closed where a switch stands at a position."""
        self.contacts[self.name(part)] = at
        self.resistor(part, a, b, CLOSED_OHM if closed else OPEN_OHM)

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
        inner = self._behind(part, a, strings[0].series_resistance_ohm)
        parameters: list[float] = []
        for string in (forward, reverse):
            if string is None:
                parameters += [0.0, 0.0]
            else:
                warm = string.at(self.temperature_k)
                parameters += [warm.saturation_current_a, 1.0 / warm.slope_v(self.thermal_v)]
        self._device(part, "diodes", {"a": inner, "b": b}, parameters, (forward, reverse))

    def transistor(
        self, part: str, collector: str, base: str, emitter: str, model: TransistorModel
    ) -> None:
        """Add an NPN or PNP transistor; its base resistance leads to an inner node."""
        inner = self._behind(part, base, model.base_resistance_ohm)
        warm = model.at(self.temperature_k)
        self._device(
            part,
            "transistor",
            {"collector": collector, "base": inner, "emitter": emitter},
            (
                warm.saturation_current_a,
                0.5 / self.thermal_v,
                1.0 / warm.forward_beta,
                1.0 / warm.reverse_beta,
                1.0 / warm.early_voltage_v,
                warm.emitter_leakage_a,
                warm.collector_leakage_a,
                4.0 / warm.knee_current_a,
            ),
            model,
            polarity=-1.0 if model.polarity == "pnp" else 1.0,
        )

    def jfet(self, part: str, drain: str, gate: str, source: str, model: JfetModel) -> None:
        """Add an N- or P-channel JFET."""
        warm = model.at(self.temperature_k)
        self._device(
            part,
            "jfet",
            {"drain": drain, "gate": gate, "source": source},
            (
                warm.idss_a / warm.pinch_off_v**2,
                warm.pinch_off_v,
                warm.channel_length_per_v,
                warm.gate_saturation_current_a,
                1.0 / self.thermal_v,
            ),
            model,
            polarity=-1.0 if model.polarity == "p" else 1.0,
        )

    def mosfet(self, part: str, drain: str, gate: str, source: str, model: MosfetModel) -> None:
        """Add an N- or P-channel enhancement MOSFET, its body tied to its source."""
        warm = model.at(self.temperature_k)
        self._device(
            part,
            "mosfet",
            {"drain": drain, "gate": gate, "source": source},
            (
                0.5 * warm.transconductance_a_v2,
                warm.threshold_v,
                warm.channel_length_per_v,
                warm.body_saturation_current_a,
                1.0 / self.thermal_v,
            ),
            model,
            polarity=-1.0 if model.polarity == "p" else 1.0,
        )

    def zener(self, part: str, anode: str, cathode: str, model: ZenerModel) -> None:
        """Add a Zener diode; its series resistance leads to an inner node."""
        inner = self._behind(part, anode, model.series_resistance_ohm)
        warm = model.at(self.temperature_k)
        self._device(
            part,
            "zener",
            {"anode": inner, "cathode": cathode},
            (
                warm.saturation_current_a,
                1.0 / (warm.emission_coefficient * self.thermal_v),
                warm.test_current_a,
                warm.breakdown_v,
                1.0 / warm.knee_v,
            ),
            model,
        )

    def opamp(self, part: str, plus: str, minus: str, output: str, model: OpAmpModel) -> None:
        """Add an op-amp: one pole, limited slew rate and swing, no input current.

        Without an output resistance its output is stiff; with one, the node before it is.
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
        inner = self._behind(part, output, model.output_resistance_ohm, "amplified")
        kind, nodes = "opamp", {"plus": plus, "minus": minus, "output": inner}
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

    def _behind(self, part: str, node: str, ohm: float, inside: str = "junction") -> str:
        """Inner node of a part behind its ohmic resistance; the node itself without one."""
        if ohm == 0.0:
            return node
        inner = self.node(f"{part}.{inside}")
        self.resistor(f"{part}.ohmic", node, inner, ohm)
        return inner

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
