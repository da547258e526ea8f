"""What a stage is, and how its values are described.

To write a new stage, derive a frozen dataclass from :class:`Stage` and keep these rules:

1. Every field is a component: made by :func:`part`, :func:`pot`, :func:`device` or
   :func:`choice`, with its unit and its job in one line.
2. ``wire`` adds the elements between ``source`` and ``output`` and nothing else: no formula of
   the stage's behaviour, which the engine derives.
3. Element names are the field names, so that ``stage.part`` finds both.
4. Inner nodes are named through ``network.node``.
5. Leave loading to the network: a stage never assumes what drives it or what follows.
6. ``drawing`` says where each part stands in the schematic, in the words of
   :mod:`vadist.stages.sketch`; without it the stage is drawn as a wiring list is.
"""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Self

from vadist.circuits.network import GROUND, INPUT, DiodeString, Network
from vadist.errors import DesignError
from vadist.stages.sketch import Place

if TYPE_CHECKING:
    from vadist.stepping.processor import Processor


UNLOADED_OHM = 1e9
"""What a stage alone drives: next to nothing, and its output has a way to ground at DC."""


_SENSIBLE_POT_OHM = (1.0, 1e9)
# Pots are sold from 10 ohm to 10 megohm (common practice, no published source); a decade more
# below, and above as for a resistor.


@dataclass(frozen=True)
class Pot:
    """A potentiometer.

    Attributes
    ----------
    resistance : float
        Track, ohms.
    wiper : float
        Fraction of the track's resistance below the wiper, 0..1 (after any taper).
    """

    resistance: float
    wiper: float = 0.5

    def __post_init__(self) -> None:
        low, high = _SENSIBLE_POT_OHM
        if not low <= self.resistance <= high:
            raise DesignError(
                f"pot resistance must be within {low:g}..{high:g} ohm (got {self.resistance:g})"
            )
        if not 0.0 <= self.wiper <= 1.0:
            raise DesignError(f"pot wiper must be within 0..1 (got {self.wiper:g})")


@dataclass(frozen=True)
class DiodePair:
    """Diode strings between two nodes, one for each direction.

    Attributes
    ----------
    forward, reverse : DiodeString or None
        ``forward`` conducts from the signal node to the other one, clipping the upper half-wave.
    """

    forward: DiodeString | None
    reverse: DiodeString | None


@dataclass(frozen=True)
class FieldInfo:
    """What a design file needs to know of a stage's field."""

    kind: str
    unit: str
    purpose: str
    choices: tuple[str, ...] = ()
    optional: bool = False


def part(unit: str, purpose: str, default: float | None = None) -> Any:
    """A resistor (``ohm``), capacitor (``F``) or inductor (``H``)."""
    return _field(FieldInfo("part", unit, purpose, optional=default is not None), default)


def optional_part(unit: str, purpose: str) -> Any:
    """A part that may be left out (None)."""
    info = FieldInfo("part", unit, purpose, optional=True)
    return field(default=None, metadata={"info": info})


def pot(purpose: str, *, optional: bool = False) -> Any:
    """A potentiometer."""
    info = FieldInfo("pot", "ohm", purpose, optional=optional)
    if optional:
        return field(default=None, metadata={"info": info})
    return field(metadata={"info": info})


def device(kind: str, purpose: str, *polarities: str, optional: bool = False) -> Any:
    """A part from the library: a kind of device, of a stated polarity if it matters."""
    info = FieldInfo(kind, "", purpose, polarities, optional)
    if optional:
        return field(default=None, metadata={"info": info})
    return field(metadata={"info": info})


def choice(purpose: str, *choices: str) -> Any:
    """One of a few words; the first is the default."""
    return _field(FieldInfo("choice", "", purpose, choices, optional=True), choices[0])


def _field(info: FieldInfo, default: Any) -> Any:
    if default is None:
        return field(metadata={"info": info})
    return field(default=default, metadata={"info": info})


@dataclass(frozen=True, kw_only=True)
class Stage:
    """A block of the signal path, written as its schematic; see the module for the rules."""

    kind: ClassVar[str] = ""
    job: ClassVar[str] = ""
    drawing: ClassVar[tuple[Place, ...]] = ()

    @property
    def driven_at_bias(self) -> bool:
        """Whether what drives the stage must rest at the bias rail (else it may rest anywhere)."""
        return False

    def wire(self, network: Network, source: str, output: str) -> None:
        """Add the stage's elements between two nodes of a network."""
        raise NotImplementedError

    def place(self, network: Network, name: str, source: str) -> str:
        """Wire the stage into a network under a name; the node it is heard at is returned."""
        network.stage = name
        network.outputs[name] = output_node(name)
        self.wire(network, source, network.outputs[name])
        return network.outputs[name]

    def discretize(self, sample_rate_hz: float, channels: int = 1) -> "Processor":
        """Make the stage, alone and unloaded, ready to run from its operating point.

        For another supply, a load, or several stages see :class:`vadist.Chain`.
        """
        from vadist.circuits.nodes import join_wires
        from vadist.circuits.operating_point import solve_network
        from vadist.stepping.circuit import build_circuit
        from vadist.stepping.processor import Processor

        network = Network()
        network.input_v = network.bias_v if self.driven_at_bias else 0.0
        output = self.place(network, self.kind, INPUT)
        network.resistor("load", output, GROUND, UNLOADED_OHM)
        solved = solve_network(join_wires(network, [output]))
        return Processor(build_circuit(solved, sample_rate_hz), channels)

    def __post_init__(self) -> None:
        for name, info in self.infos.items():
            value = self.value(name)
            if info.kind == "part" and value is not None:
                check_part(name, info, value)
            if info.kind == "choice" and value not in info.choices:
                allowed = " or ".join(repr(c) for c in info.choices)
                raise DesignError(f"{name} must be {allowed} (got {value!r})")
            if info.kind == "transistor" and info.choices and value.polarity not in info.choices:
                allowed = " or ".join(c.upper() for c in info.choices)
                raise DesignError(
                    f"{name} must be an {allowed} transistor "
                    f"(got {value.name}, a {value.polarity.upper()})"
                )

    @classmethod
    def fields(cls) -> dict[str, FieldInfo]:
        """Names and descriptions of the values that every stage of the class has."""
        return {f.name: f.metadata["info"] for f in dataclasses.fields(cls)}

    @property
    def infos(self) -> dict[str, FieldInfo]:
        """Names and descriptions of the stage's values."""
        return self.fields()

    def value(self, name: str) -> Any:
        """One of its values."""
        return getattr(self, name)

    def with_parts(self, values: Mapping[str, Any]) -> Self:
        """The stage with others of its values."""
        return dataclasses.replace(self, **values)

    def with_part(self, name: str, value: Any) -> Self:
        """The stage with another one of its values."""
        return self.with_parts({name: value})

    def may_be_left_out(self, name: str) -> bool:
        """Whether None may stand for one of its values."""
        return any(f.name == name and f.default is None for f in dataclasses.fields(self))

    @property
    def type_name(self) -> str:
        """What a design file calls its type."""
        return self.kind

    @property
    def told_job(self) -> str:
        """What it does, in a line."""
        return self.job


def output_node(stage: str) -> str:
    """Node a stage's output is wired to."""
    return f"{stage}.output"


def bypass(network: Network, name: str, source: str) -> str:
    """Wire a stage's input to its output; the node it is heard at is returned."""
    network.stage = name
    network.outputs[name] = output_node(name)
    network.resistor("bypass", source, network.outputs[name], 0.0)
    return network.outputs[name]


# Largest and smallest value a part of a guitar circuit can sensibly have (common practice, no
# published source): outside, a unit or a prefix was mistaken.
SENSIBLE = {"ohm": (0.0, 1e9), "F": (1e-13, 1e-1), "H": (1e-7, 1e3)}


def check_part(name: str, info: FieldInfo, value: float) -> None:
    """Refuse a part's value that is no number or decades off."""
    low, high = SENSIBLE[info.unit]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise DesignError(f"{name} must be a number in {info.unit} (got {value!r})")
    if not low <= value <= high:
        raise DesignError(f"{name} must be within {low:g}..{high:g} {info.unit} (got {value:g})")
