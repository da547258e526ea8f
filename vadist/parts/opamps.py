"""The operational amplifier."""

from dataclasses import KW_ONLY, dataclass

from vadist.errors import DesignError
from vadist.parts.limits import (
    require_finite,
    require_name,
    require_not_negative,
    require_positive,
)
from vadist.quantities import format_quantity


@dataclass(frozen=True, slots=True)
class OpAmpModel:
    """Op-amp of one pole, with limited slew rate and swing; one amplifier of its package.

    Attributes
    ----------
    name : str
        Type, as it is ordered.
    gain_bandwidth_hz : float
        > 0.
    slew_rate_v_per_s : float
        > 0. A data sheet's 13 V/us is 13e6.
    open_loop_gain : float
        At DC, > 1.
    headroom_high_v, headroom_low_v : float
        Volts the output stays away from either rail, >= 0.
    voltage_noise_v_rthz, current_noise_a_rthz : float
        Input noise densities at 1 kHz, V/rtHz and A/rtHz, >= 0.
    supply_current_a : float
        Drawn by one amplifier, >= 0.
    output_resistance_ohm : float
        Open loop, >= 0; zero leaves it out, and lets a section end at the output. A sheet's
        gain-bandwidth is stated into a load, so it holds the loss in this resistance already.
    source : str
        Data sheet and revision: silicon has changed under the same type number.

    Notes
    -----
    A headroom is the rail minus the typical swing stated at +-15 V, and is taken to hold at
    lower supplies (common practice, no published source).
    """

    name: str
    gain_bandwidth_hz: float
    slew_rate_v_per_s: float
    _: KW_ONLY
    open_loop_gain: float = 2e5
    headroom_high_v: float
    headroom_low_v: float
    voltage_noise_v_rthz: float
    current_noise_a_rthz: float
    supply_current_a: float
    output_resistance_ohm: float = 0.0
    source: str = "given by the user"

    @property
    def figures(self) -> str:
        """Its numbers, with their units."""
        return (
            f"GBW {format_quantity(self.gain_bandwidth_hz, 'Hz')}, "
            f"SR {self.slew_rate_v_per_s / 1e6:g} V/us, "
            f"swing to {self.headroom_low_v:g} V and {self.headroom_high_v:g} V from the rails, "
            f"{format_quantity(self.voltage_noise_v_rthz, 'V/rtHz')}, "
            f"{format_quantity(self.current_noise_a_rthz, 'A/rtHz')}, "
            f"{format_quantity(self.supply_current_a, 'A')}"
        )

    def __post_init__(self) -> None:
        require_name(self.name)
        require_positive("gain_bandwidth", self.gain_bandwidth_hz, "Hz")
        require_positive("slew_rate", self.slew_rate_v_per_s, "V/s")
        if not self.open_loop_gain > 1.0:
            raise DesignError(f"open_loop_gain must be > 1 (got {self.open_loop_gain:g})")
        require_finite("open_loop_gain", self.open_loop_gain, "")
        require_not_negative("headroom_high", self.headroom_high_v, "V")
        require_not_negative("headroom_low", self.headroom_low_v, "V")
        require_not_negative("voltage_noise", self.voltage_noise_v_rthz, "V/rtHz")
        require_not_negative("current_noise", self.current_noise_a_rthz, "A/rtHz")
        require_not_negative("supply_current", self.supply_current_a, "A")
        require_not_negative("output_resistance", self.output_resistance_ohm, "ohm")
