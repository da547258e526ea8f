"""A design: supply, source, stages in order, load, and the knobs that move its pots."""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from vadist.circuits.network import GROUND, INPUT, SMALLEST_RESISTANCE_OHM, Network
from vadist.circuits.nodes import join_wires
from vadist.designs.contacts import AS_WIRED, Contacts
from vadist.designs.settings import settled
from vadist.designs.supply import Supply
from vadist.errors import DesignError
from vadist.names import nearest
from vadist.parts import wiper_fraction
from vadist.quantities import NOMINAL_K, ZERO_CELSIUS_K
from vadist.stages.stage import (
    FieldInfo,
    Pot,
    Stage,
    bypass,
    optional_part,
    output_node,
    part,
)

IN_OR_NONE = ("in", "none")
"""What a stage is: part of the circuit, or bypassed."""

_TEMPERATURES_DEGC = (-10.0, 60.0)
# Where pedals are played, and where the models' equations hold well.


@dataclass(frozen=True)
class Ambient:
    """What surrounds the circuit.

    Attributes
    ----------
    temperature : float
        Of every part, degrees Celsius. The default is the 300 K at which part data hold.
    """

    temperature: float = NOMINAL_K - ZERO_CELSIUS_K

    def __post_init__(self) -> None:
        low, high = _TEMPERATURES_DEGC
        if not low <= self.temperature <= high:
            raise DesignError(
                f"temperature must be within {low:g}..{high:g} degC (got {self.temperature:g})"
            )

    @property
    def temperature_k(self) -> float:
        """The same in kelvins."""
        return self.temperature + ZERO_CELSIUS_K


@dataclass(frozen=True, kw_only=True)
class Source(Stage):
    """What drives the first stage: ideal, resistive, or a pickup with its volume pot and cable.

    ::

        signal --R--L--+-- pot top
                      Ccoil    wiper --+-- first stage
                       |       bottom  Ccable
                     ground   ground   ground

    Left out, a part is a wire or not there; a recorded take already holds its pickup.
    """

    resistance: float = part("ohm", "source or coil resistance", 0.0)
    inductance: float | None = optional_part("H", "coil inductance of a pickup")
    coil_capacitance: float | None = optional_part("F", "winding capacitance of a pickup")
    volume_pot: Pot | None = field(
        default=None,
        metadata={"info": FieldInfo("pot", "ohm", "volume on the guitar", optional=True)},
    )
    cable_capacitance: float | None = optional_part("F", "cable, about 100 pF a metre")

    def feed(self, network: Network) -> str:
        """Wire the source into a network; the node that drives the first stage is returned."""
        node = "source.resistance"
        network.resistor("resistance", INPUT, node, self.resistance)
        if self.inductance is not None:
            network.inductor("inductance", node, "source.coil", self.inductance)
            node = "source.coil"
        if self.coil_capacitance is not None:
            network.capacitor("coil_capacitance", node, GROUND, self.coil_capacitance)
        if self.volume_pot is not None:
            pot = self.volume_pot
            network.potentiometer(
                "volume_pot", node, "source.wiper", GROUND, pot.resistance, pot.wiper
            )
            node = "source.wiper"
        if self.cable_capacitance is not None:
            network.capacitor("cable_capacitance", node, GROUND, self.cable_capacitance)
        return node


@dataclass(frozen=True)
class Control:
    """A knob.

    Attributes
    ----------
    moves : tuple of str
        The pots it turns, as ``stage.pot``; several for a ganged pot. A leading ``-`` turns that
        one the other way.
    taper : str
        Name of the taper, see :mod:`vadist.parts.tapers`.
    position : float
        Rotation, 0..1.
    """

    moves: tuple[str, ...]
    taper: str = "linear"
    position: float = 0.5

    def __post_init__(self) -> None:
        if not 0.0 <= self.position <= 1.0:
            raise DesignError(f"position must be within 0..1 (got {self.position:g})")
        if not self.moves:
            raise DesignError("moves must name at least one pot, as stage.pot")
        wiper_fraction(self.taper, self.position)

    def wiper(self, move: str) -> float:
        """Wiper fraction the knob gives to one of its pots."""
        fraction = wiper_fraction(self.taper, self.position)
        return 1.0 - fraction if move.startswith("-") else fraction


@dataclass(frozen=True)
class Design:
    """A whole circuit, ready to be solved.

    Attributes
    ----------
    name, description : str
    stages : mapping of stage name -> Stage, in signal order
    supply : Supply
    source : Source
    load_ohm : float
        Resistance the output drives.
    input_at_bias : bool
        Whether the input rests at the bias rail (a block on its own) or at ground (a guitar).
    controls : mapping of control name -> Control
    bypassed : frozenset of str
        Stages that are left out, their input wired to their output; their values stay.
    ambient : Ambient
    tolerances : mapping of sort of parts, or ``stage.part`` -> ratio
        What specimens may be off by, see :mod:`vadist.designs.tolerances`.
    """

    name: str
    stages: Mapping[str, Stage]
    supply: Supply = Supply()
    source: Source = field(default_factory=Source)
    load_ohm: float = 1e6
    input_at_bias: bool = False
    controls: Mapping[str, Control] = field(default_factory=dict)
    description: str = ""
    bypassed: frozenset[str] = frozenset()
    ambient: Ambient = Ambient()
    tolerances: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.stages:
            raise DesignError("a design needs at least one stage")
        if strangers := sorted(self.bypassed - set(self.stages)):
            raise DesignError(f"bypassed stage {strangers[0]!r} is none of this design")
        if not (math.isfinite(self.load_ohm) and self.load_ohm >= SMALLEST_RESISTANCE_OHM):
            raise DesignError(
                f"load resistance must be at least {SMALLEST_RESISTANCE_OHM:g} ohm "
                f"(got {self.load_ohm:g})"
            )
        moved: dict[str, str] = {}
        for name, control in self.controls.items():
            for move in control.moves:
                path = move.removeprefix("-")
                if not isinstance(self.value(path), Pot):
                    raise DesignError(f"control {name!r}: {path} is not a pot of this design")
                if path in moved:
                    raise DesignError(
                        f"control {name!r}: {path} is already moved by {moved[path]!r}"
                    )
                moved[path] = name

    @property
    def paths(self) -> tuple[str, ...]:
        """Every value that can be addressed: controls and ``stage.part``."""
        names = [*self.controls, *(f"supply.{key}" for key in Supply.fields()), "load.resistance"]
        names.append("ambient.temperature")
        names += [f"source.{part}" for part in Source.fields()]
        names += [f"{name}.{part}" for name, stage in self.stages.items() for part in stage.infos]
        return tuple(names)

    def field_info(self, path: str) -> FieldInfo:
        """Unit and job of an addressable value; a wrong path is told with the nearest right one."""
        if path in self.controls:
            return FieldInfo("position", "", f"position of the {path} knob")
        if path == "load.resistance":
            return FieldInfo("number", "ohm", "resistance the output drives")
        if path in self.stages:
            return FieldInfo("choice", "", f"whether {path} is there or bypassed", IN_OR_NONE)
        if path == "ambient.temperature":
            return FieldInfo("temperature", "degC", "temperature of every part")
        owner, _, name = path.partition(".")
        holder = self.holder(owner)
        if holder is None or name not in holder.infos:
            raise DesignError(f"unknown value {path!r}{nearest(path, (*self.paths, *self.stages))}")
        return holder.infos[name]

    def holder(self, owner: str) -> Supply | Stage | None:
        """What holds the values of a path's first word; None for a control or the load."""
        own: dict[str, Supply | Stage] = {"supply": self.supply, "source": self.source}
        return own.get(owner) or self.stages.get(owner)

    def value(self, path: str) -> Any:
        """What stands at a path."""
        self.field_info(path)
        if path in self.controls:
            return self.controls[path].position
        if path in self.stages:
            return IN_OR_NONE[path in self.bypassed]
        owner, _, name = path.partition(".")
        if owner == "load":
            return self.load_ohm
        if owner == "ambient":
            return self.ambient.temperature
        holder = self.holder(owner)
        assert holder is not None  # told by field_info
        return holder.value(name)

    def with_value(self, path: str, value: Any) -> "Design":
        """A candidate: this design with one value changed.

        Parameters
        ----------
        path : str
            One of :attr:`paths`, a value in a part's model, ``boost.transistor.forward_beta``, or
            a stage, which is ``in`` or, bypassed, ``none``.
        value : object
            Text as ``--set`` takes it (``"22n"``, ``"70%"``, ``"red LED"``, ``"none"``), a number
            in the SI unit, or a part: ``Pot(1e5, 0.2)``. None leaves a part out that may be.

        Raises
        ------
        DesignError
            For an unknown path, with the nearest one, or a value that cannot stand there.

        Examples
        --------
        >>> from vadist import load_design
        >>> design = load_design("boosted_hard_clipper")
        >>> changed = design.with_value("clipper.shunt_capacitor", "22n").with_value("drive", "70%")
        >>> changed.value("clipper.shunt_capacitor"), changed.value("drive")
        (2.2e-08, 0.7)
        """
        place, held = settled(self, path, value)
        try:
            return self._holding(place, held)
        except DesignError as error:
            raise DesignError(f"{place}: {error}") from None

    def _holding(self, path: str, value: Any) -> "Design":
        if path in self.controls:
            moved = dataclasses.replace(self.controls[path], position=value)
            return dataclasses.replace(self, controls={**self.controls, path: moved})
        if path in self.stages:
            rest = self.bypassed - {path}
            return dataclasses.replace(self, bypassed=rest if value == "in" else rest | {path})
        owner, _, name = path.partition(".")
        if owner == "load":
            return dataclasses.replace(self, load_ohm=value)
        if owner == "supply":
            supply = self.supply.with_value(name, value)
            if name == "filter_capacitor":
                supply.warn_of_idle_parts("supply.")
            return dataclasses.replace(self, supply=supply)
        if owner in ("source", "ambient"):
            held = dataclasses.replace(getattr(self, owner), **{name: value})
            return dataclasses.replace(self, **{owner: held})
        stage = self.stages[owner].with_part(name, value)
        return dataclasses.replace(self, stages={**self.stages, owner: stage})

    def on_a_still_supply(self) -> "Design":
        """The same without the supply's ripple."""
        if self.supply.ripple is None:
            return self
        return dataclasses.replace(self, supply=dataclasses.replace(self.supply, ripple=None))

    def positioned(self) -> "Design":
        """The design with every pot where its control has turned it."""
        design = self
        for control in self.controls.values():
            for move in control.moves:
                path = move.removeprefix("-")
                pot = dataclasses.replace(design.value(path), wiper=control.wiper(move))
                design = design.with_value(path, pot)
        return design

    def network(self, contacts: Contacts = AS_WIRED) -> Network:
        """Wire the whole design, from the input to the load; what wires tie is one node.

        Parameters
        ----------
        contacts : Contacts
            What is to be contacts instead of wires, so that it can open and close.
        """
        return join_wires(self.wired(contacts), [output_node(name) for name in self.stages])

    def wired(self, contacts: Contacts = AS_WIRED) -> Network:
        """The same with its wires still apart: every node has the name a stage gave it."""
        placed, bypass_by = self.positioned(), contacts.bypass
        contacts.refuse_strange(tuple(self.stages))
        network = placed.supply.network(input_at_bias=placed.input_at_bias)
        network.temperature_k = placed.ambient.temperature_k
        network.apart = contacts.switches
        network.stage = "source"
        node = dry = placed.source.feed(network)
        if bypass_by is not None:
            node = bypass_by.enter(network, node, contacts.position)
        for name, stage in placed.stages.items():
            if name in placed.bypassed:
                node = bypass(network, name, node)
            else:
                node = stage.place(network, name, node)
            if bypass_by is not None and name == bypass_by.after:
                dry = node
        if bypass_by is not None:
            node = bypass_by.leave(network, node, dry, contacts.position)
        network.stage = "load"
        network.resistor("resistance", node, GROUND, placed.load_ohm)
        return network

    def describe(self) -> str:
        """Stages and knobs with their values as the trade writes them, in lines of text.

        Examples
        --------
        >>> from vadist import load_design
        >>> print(load_design("soft_clipper").describe().splitlines()[0])
        soft clipper
        """
        from vadist.designs.describing import text

        return text(self)

    def __str__(self) -> str:
        return self.describe()

    def _repr_html_(self) -> str:
        """Return what a notebook shows."""
        from vadist.designs.describing import page

        return page(self)

    @property
    def output(self) -> str:
        """Node the take is heard at."""
        return output_node(tuple(self.stages)[-1])
