"""Field-effect transistors: junction (depletion) and insulated gate (enhancement)."""

import dataclasses
from dataclasses import dataclass

from vadist.errors import DesignError
from vadist.parts.limits import (
    capacitances,
    require_finite,
    require_name,
    require_not_negative,
    require_one_of,
    require_positive,
)
from vadist.parts.temperature import (
    GAPS,
    MOBILITY_EXPONENT,
    THRESHOLD_V_PER_K,
    power_of_temperature,
    saturation_ratio,
)
from vadist.quantities import NOMINAL_K, format_quantity

CHANNELS = ("n", "p")

_LEAST_GATE_V = 0.1
# Less would change its sign within the temperatures a design may have.


@dataclass(frozen=True, slots=True)
class JfetModel:
    """Junction field-effect transistor of the square law; of a P-channel all signs are reversed.

    Attributes
    ----------
    name : str
        Type, as it is ordered.
    idss_a : float
        Drain current at no gate voltage, saturated, > 0, at 300 K.
    pinch_off_v : float
        Gate voltage, its magnitude, that closes the channel, > 0.1 V: VGS(off) of the sheets.
    channel_length_per_v : float
        Lambda, 1/V, >= 0: relative rise of the drain current with drain voltage.
    gate_saturation_current_a : float
        Of each gate junction, > 0.
    polarity : str
        ``n`` or ``p``.
    gate_source_capacitance_f, gate_drain_capacitance_f : float
        Of the junctions at no voltage, >= 0; zero leaves them out.
    source : str
        Where the numbers come from.

    Notes
    -----
    With s = max(Vgs + Vp, 0) and d = max(Vgd + Vp, 0)::

        Id = IDSS/Vp^2 (s^2 - d^2) (1 + lambda |Vds|)

    which is IDSS (1 + Vgs/Vp)^2 in saturation, the parabola below it, zero when pinched off, and
    the same with drain and source exchanged. Either gate junction is an ideal diode. Left out:
    breakdown, and the resistances of drain and source.

    References
    ----------
    H. Shichman, D. A. Hodges, IEEE Journal of Solid-State Circuits 3(3), 1968; A. S. Sedra, K. C.
    Smith, Microelectronic Circuits (both from memory, not located).
    """

    name: str
    idss_a: float
    pinch_off_v: float
    channel_length_per_v: float = 0.0
    gate_saturation_current_a: float = 1e-14
    polarity: str = "n"
    gate_source_capacitance_f: float = 0.0
    gate_drain_capacitance_f: float = 0.0
    source: str = "given by the user"

    def at(self, temperature_k: float) -> "JfetModel":
        """Return the transistor as it is at a temperature."""
        pinch_off = self.pinch_off_v - THRESHOLD_V_PER_K * (temperature_k - NOMINAL_K)
        wider = (pinch_off / self.pinch_off_v) ** 2
        slower = power_of_temperature(temperature_k, MOBILITY_EXPONENT)
        ratio = saturation_ratio(temperature_k, *GAPS["silicon"])
        return dataclasses.replace(
            self,
            idss_a=self.idss_a * wider * slower,
            pinch_off_v=pinch_off,
            gate_saturation_current_a=self.gate_saturation_current_a * ratio,
        )

    @property
    def figures(self) -> str:
        """Its numbers, with their units."""
        return (
            f"{self.polarity.upper()}-channel JFET, IDSS {format_quantity(self.idss_a, 'A')}, "
            f"pinch-off {format_quantity(self.pinch_off_v, 'V')}, "
            f"lambda {self.channel_length_per_v:g}/V, "
            f"gate {format_quantity(self.gate_saturation_current_a, 'A')}"
            + capacitances(Cgs=self.gate_source_capacitance_f, Cgd=self.gate_drain_capacitance_f)
        )

    def __post_init__(self) -> None:
        require_name(self.name)
        require_positive("idss", self.idss_a, "A")
        _require_gate_v("pinch_off", self.pinch_off_v)
        require_not_negative("channel_length_per_v", self.channel_length_per_v, "1/V")
        require_positive("gate_saturation_current", self.gate_saturation_current_a, "A")
        require_one_of("polarity", self.polarity, CHANNELS)
        require_not_negative("gate_source_capacitance", self.gate_source_capacitance_f, "F")
        require_not_negative("gate_drain_capacitance", self.gate_drain_capacitance_f, "F")


@dataclass(frozen=True, slots=True)
class MosfetModel:
    """Enhancement MOSFET of the square law, its body tied to its source.

    Attributes
    ----------
    name : str
        Type, as it is ordered.
    threshold_v : float
        Gate voltage, its magnitude, that opens the channel, > 0.1 V, at 300 K.
    transconductance_a_v2 : float
        k, A/V^2, > 0: the saturated drain current is k/2 (Vgs - Vth)^2.
    channel_length_per_v : float
        Lambda, 1/V, >= 0: relative rise of the drain current with drain voltage.
    polarity : str
        ``n`` or ``p``.
    body_saturation_current_a : float
        Of the body diode, > 0: it conducts from source to drain of an N-channel. What is meant
        here lets 200 mA through at 0.85 V (2N7000, Supertex, typical): 0.2 A exp(-0.85 V/Vt).
    gate_source_capacitance_f, gate_drain_capacitance_f : float
        >= 0; zero leaves them out.
    drain_source_capacitance_f : float
        Of the body diode at no voltage, >= 0.
    source : str
        Where the numbers come from.

    Notes
    -----
    With s = max(Vgs - Vth, 0) and d = max(Vgd - Vth, 0)::

        Id = k/2 (s^2 - d^2) (1 + lambda |Vds|) - Ib (exp(-Vds/Vt) - 1)

    Left out: conduction below the threshold, breakdown, the resistances of drain and source.

    References
    ----------
    H. Shichman, D. A. Hodges, IEEE Journal of Solid-State Circuits 3(3), 1968; A. S. Sedra, K. C.
    Smith, Microelectronic Circuits (both from memory, not located).
    """

    name: str
    threshold_v: float
    transconductance_a_v2: float
    channel_length_per_v: float = 0.0
    polarity: str = "n"
    body_saturation_current_a: float = 1e-15
    gate_source_capacitance_f: float = 0.0
    gate_drain_capacitance_f: float = 0.0
    drain_source_capacitance_f: float = 0.0
    source: str = "given by the user"

    def at(self, temperature_k: float) -> "MosfetModel":
        """Return the transistor as it is at a temperature."""
        slower = power_of_temperature(temperature_k, MOBILITY_EXPONENT)
        ratio = saturation_ratio(temperature_k, *GAPS["silicon"])
        return dataclasses.replace(
            self,
            threshold_v=self.threshold_v + THRESHOLD_V_PER_K * (temperature_k - NOMINAL_K),
            transconductance_a_v2=self.transconductance_a_v2 * slower,
            body_saturation_current_a=self.body_saturation_current_a * ratio,
        )

    @property
    def figures(self) -> str:
        """Its numbers, with their units."""
        return (
            f"{self.polarity.upper()}-channel enhancement MOSFET, "
            f"threshold {format_quantity(self.threshold_v, 'V')}, "
            f"k {format_quantity(self.transconductance_a_v2, 'A/V2')}, "
            f"lambda {self.channel_length_per_v:g}/V, "
            f"body diode {format_quantity(self.body_saturation_current_a, 'A')}"
            + capacitances(
                Cgs=self.gate_source_capacitance_f,
                Cgd=self.gate_drain_capacitance_f,
                Cds=self.drain_source_capacitance_f,
            )
        )

    def __post_init__(self) -> None:
        require_name(self.name)
        _require_gate_v("threshold", self.threshold_v)
        require_positive("transconductance", self.transconductance_a_v2, "A/V2")
        require_not_negative("channel_length_per_v", self.channel_length_per_v, "1/V")
        require_one_of("polarity", self.polarity, CHANNELS)
        require_positive("body_saturation_current", self.body_saturation_current_a, "A")
        require_not_negative("gate_source_capacitance", self.gate_source_capacitance_f, "F")
        require_not_negative("gate_drain_capacitance", self.gate_drain_capacitance_f, "F")
        require_not_negative("drain_source_capacitance", self.drain_source_capacitance_f, "F")


def _require_gate_v(field: str, value: float) -> None:
    if not value > _LEAST_GATE_V:
        raise DesignError(f"{field} must be > {_LEAST_GATE_V:g} V (got {value:g})")
    require_finite(field, value, "V")
