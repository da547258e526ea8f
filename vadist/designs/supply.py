"""The supply of a design: its source, what lies between that and the rail, and the bias rail."""

import dataclasses
import math
import warnings
from dataclasses import dataclass, field
from typing import Any

from vadist.circuits.network import BIAS, GROUND, SMALLEST_RESISTANCE_OHM, SUPPLY, Network
from vadist.errors import DesignError, DesignWarning
from vadist.parts import OpAmpModel
from vadist.quantities import parse_quantity, write_quantity
from vadist.stages.stage import FieldInfo, check_part

MIDDLE = 0.5
"""Bias of a design that names none: half the supply."""

_RIPPLE_RULE = 'must be peak volts and a frequency, such as "20mV 120Hz"'
_RIPPLE_HZ = (1.0, 100e3)
# From below the mains to above a switching adapter's beat with audio.
_LEAST_DIVIDER_OHM = 1.0
# Less is a slip: 9 V drive amperes through it.
_DIVIDER = ("bias_upper", "bias_lower", "bias_capacitor", "bias_buffer")
_DIVIDER_NODE = "supply.divider"


@dataclass(frozen=True)
class Ripple:
    """A sine on the ideal supply.

    Attributes
    ----------
    peak_v, frequency_hz : float
    """

    peak_v: float
    frequency_hz: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.peak_v) and self.peak_v > 0.0):
            raise DesignError(f"ripple must be > 0 V peak (got {self.peak_v:g})")
        low, high = _RIPPLE_HZ
        if not low <= self.frequency_hz <= high:
            raise DesignError(
                f"ripple must be within {low:g}..{high:g} Hz (got {self.frequency_hz:g})"
            )

    @classmethod
    def read(cls, raw: object) -> "Ripple":
        """Read volts and hertz, with a blank between.

        >>> Ripple.read("20mV 120Hz")
        Ripple(peak_v=0.02, frequency_hz=120.0)
        """
        if isinstance(raw, cls):
            return raw
        words = raw.split() if isinstance(raw, str) else []
        if len(words) != 2:
            shown = repr(raw)
            raise DesignError(f"{_RIPPLE_RULE} (got {shown if len(shown) <= 60 else 'a long one'})")
        try:
            peak_v, frequency_hz = (
                parse_quantity(word, unit) for word, unit in zip(words, ("V", "Hz"), strict=True)
            )
        except DesignError as error:
            raise DesignError(f"{_RIPPLE_RULE}: {error}") from None
        try:
            return cls(peak_v, frequency_hz)
        except DesignError as error:
            raise DesignError(str(error).removeprefix("ripple ")) from None

    def __str__(self) -> str:
        """Return the text that reads as the same ripple."""
        values = ((self.peak_v, "V"), (self.frequency_hz, "Hz"))
        return " ".join(write_quantity(v, u).replace(" ", "") for v, u in values)


def _key(kind: str, unit: str, purpose: str, default: Any = None) -> Any:
    return field(default=default, metadata={"info": FieldInfo(kind, unit, purpose, optional=True)})


@dataclass(frozen=True)
class Supply:
    """Supply and bias rail.

    ::

        ideal source --resistance--+-- supply --bias_upper--+--------+-- bias
        volts, ripple              |                        |        |
                            filter_capacitor           bias_lower  bias_capacitor
                                   |                        |        |
                                 ground                   ground   ground

    A ``bias_buffer`` is an op-amp follower between the divider and the bias rail. Without a
    resistance the supply is stiff; without a divider so is the bias rail, at a fraction of the
    supply. A tired battery is its volts and its resistance.

    Attributes
    ----------
    volts : float
        Of the ideal source against ground (9 V battery or adapter: common practice).
    bias : float or None
        Bias rail as a fraction of the supply, held stiff; None with a divider.
    resistance : float
        Ohms between the source and the supply rail.
    filter_capacitor : float or None
        Farads from the supply rail to ground.
    bias_upper, bias_lower : float or None
        Ohms from the supply to the bias rail, and on to ground; both or neither.
    bias_capacitor : float or None
        Farads across the lower one.
    bias_buffer : OpAmpModel or None
    ripple : Ripple or None
    """

    volts: float = _key("number", "V", "supply", 9.0)
    bias: float | None = _key("number", "", "bias as a fraction of the supply, held stiff")
    resistance: float = _key("part", "ohm", "of the battery or adapter and what follows it", 0.0)
    filter_capacitor: float | None = _key("part", "F", "from the supply rail to ground")
    bias_upper: float | None = _key("part", "ohm", "divider, from the supply to the bias rail")
    bias_lower: float | None = _key("part", "ohm", "divider, from the bias rail to ground")
    bias_capacitor: float | None = _key("part", "F", "across the divider's lower resistor")
    bias_buffer: OpAmpModel | None = _key("opamp", "", "follower from the divider to the bias rail")
    ripple: Ripple | None = _key("ripple", "", "sine on the source, peak volts and frequency")

    def __post_init__(self) -> None:
        if not (math.isfinite(self.volts) and 1.0 <= self.volts <= 60.0):
            raise DesignError(f"volts must be within 1..60 V (got {self.volts:g})")
        for name, info in self.fields().items():
            value = getattr(self, name)
            if info.kind == "part" and value is not None:
                check_part(name, info, value)
        if self.divided:
            self._check_divider()
            return
        for name in _DIVIDER[2:]:
            if getattr(self, name) is not None:
                raise DesignError(f"{name} needs a divider; give bias_upper and bias_lower")
        if self.bias is None:
            object.__setattr__(self, "bias", MIDDLE)
        elif not 0.0 < self.bias < 1.0:
            raise DesignError(f"bias must be between 0 and 1 of the supply (got {self.bias:g})")

    def _check_divider(self) -> None:
        for name, other in (("bias_upper", "bias_lower"), ("bias_lower", "bias_upper")):
            ohm = getattr(self, name)
            if ohm is None:
                raise DesignError(f"{name} is missing; a divider has {other} and {name}")
            if ohm < _LEAST_DIVIDER_OHM:
                raise DesignError(
                    f"{name} must be at least {_LEAST_DIVIDER_OHM:g} ohm (got {ohm:g})"
                )
        if self.bias is not None:
            raise DesignError(
                "bias holds the rail stiff and bias_upper, bias_lower divide the supply; "
                "leave out one or the other"
            )

    @classmethod
    def fields(cls) -> dict[str, FieldInfo]:
        """Names and descriptions of the values."""
        return {f.name: f.metadata["info"] for f in dataclasses.fields(cls)}

    @property
    def infos(self) -> dict[str, FieldInfo]:
        """The same, as a stage has them."""
        return self.fields()

    def value(self, name: str) -> Any:
        """One of its values."""
        return getattr(self, name)

    def may_be_left_out(self, name: str) -> bool:
        """Whether None may stand for one of its values."""
        return any(f.name == name and f.default is None for f in dataclasses.fields(self))

    @property
    def divided(self) -> bool:
        """Whether a divider feeds the bias rail."""
        return self.bias_upper is not None or self.bias_lower is not None

    @property
    def fraction(self) -> float:
        """Bias rail over supply, unloaded."""
        if self.bias_upper is None or self.bias_lower is None:
            return MIDDLE if self.bias is None else self.bias
        return self.bias_lower / (self.bias_upper + self.bias_lower)

    @property
    def bias_v(self) -> float:
        """Volts of the bias rail, unloaded."""
        return self.volts * self.fraction

    @property
    def moves(self) -> bool:
        """Whether the supply rail lies behind a resistance."""
        return self.resistance >= SMALLEST_RESISTANCE_OHM

    def with_value(self, name: str, value: Any) -> "Supply":
        """Return the supply with one value changed.

        ``bias`` takes a divider away. ``bias_upper`` or ``bias_lower`` on a stiff rail makes a
        divider of the same fraction, and None takes it away at the same fraction.

        >>> Supply().with_value("bias_upper", 22e3).bias_lower
        22000.0
        """
        if name == "bias" and value is not None:
            held: dict[str, Any] = {**dict.fromkeys(_DIVIDER), name: value}
            return dataclasses.replace(self, **held)
        if name in _DIVIDER[:2]:
            if value is None:
                return self.with_value("bias", self.fraction)
            if not self.divided:
                ratio = self.fraction / (1.0 - self.fraction)
                upper = value if name == "bias_upper" else value / ratio
                lower = value if name == "bias_lower" else value * ratio
                return dataclasses.replace(self, bias=None, bias_upper=upper, bias_lower=lower)
        return dataclasses.replace(self, **{name: value})

    def warn_of_idle_parts(self, place: str) -> None:
        """Warn of a capacitor that does nothing."""
        if self.filter_capacitor is not None and not self.moves:
            warnings.warn(
                f"{place}filter_capacitor does nothing across a source without resistance; "
                "give supply.resistance some ohms",
                DesignWarning,
                stacklevel=2,
            )

    def network(self, *, input_at_bias: bool = False) -> Network:
        """Return a network that holds the supply and nothing else yet."""
        network = Network(
            self.volts, self.bias_v, input_v=self.bias_v if input_at_bias else 0.0, stage="supply"
        )
        if self.ripple is not None:
            network.ripple_v, network.ripple_hz = self.ripple.peak_v, self.ripple.frequency_hz
        self.feed(network)
        return network

    def feed(self, network: Network) -> None:
        """Wire what feeds the rails into a network."""
        if self.moves:
            network.fed.add(SUPPLY)
            network.resistor("resistance", network.ideal_supply, SUPPLY, self.resistance)
            if self.filter_capacitor is not None:
                network.capacitor("filter_capacitor", SUPPLY, GROUND, self.filter_capacitor)
        if self.bias_upper is not None and self.bias_lower is not None:
            network.fed.add(BIAS)
            middle = BIAS if self.bias_buffer is None else _DIVIDER_NODE
            network.resistor("bias_upper", SUPPLY, middle, self.bias_upper)
            network.resistor("bias_lower", middle, GROUND, self.bias_lower)
            if self.bias_capacitor is not None:
                network.capacitor("bias_capacitor", middle, GROUND, self.bias_capacitor)
            if self.bias_buffer is not None:
                network.opamp("bias_buffer", middle, BIAS, BIAS, self.bias_buffer)
