"""The junction field-effect transistor."""

import math
from collections.abc import Mapping

from numba.extending import register_jitable

from vadist.devices.channel import channel_noise_siemens
from vadist.devices.depletion import depletion_capacitance
from vadist.devices.exponential import exponential, knee
from vadist.devices.kind import (
    STEP_IN_EXPONENTS,
    Capacitance,
    DeviceKind,
    NoiseSource,
    Resting,
    StepLimit,
    Varied,
)
from vadist.quantities import ELEMENTARY_CHARGE_C

_JUNCTION = (1.0, 0.5)
# Potential and grading of a gate junction (SPICE's PB and its fixed exponent, from memory).


@register_jitable(inline="always")
def jfet(
    vgs: float,
    vgd: float,
    factor_a_v2: float,
    pinch_off_v: float,
    channel_per_v: float,
    gate_a: float,
    gate_per_v: float,
) -> tuple[float, float, float, float, float, float]:
    """N-channel of the square law between two gate diodes.

    Parameters
    ----------
    factor_a_v2 : IDSS/Vp^2
    channel_per_v : lambda
    gate_a, gate_per_v : saturation current of a gate diode, 1/Vt

    Returns
    -------
    gate current, its slopes in vgs and vgd, drain current, its slopes in vgs and vgd

    Notes
    -----
    As the channel opens by vgs + Vp at one end and vgd + Vp at the other, the difference of two
    squares is pinch-off, saturation and the parabola below it, in either direction.
    """
    at_source = max(vgs + pinch_off_v, 0.0)
    at_drain = max(vgd + pinch_off_v, 0.0)
    ideal = factor_a_v2 * (at_source * at_source - at_drain * at_drain)
    longer = 1.0 + channel_per_v * abs(vgs - vgd)
    # |Vds| grows with the current's own sign.
    stretch = channel_per_v * abs(ideal)
    slope = 2.0 * factor_a_v2 * longer
    e_s = gate_a * exponential(vgs * gate_per_v)
    e_d = gate_a * exponential(vgd * gate_per_v)
    g_d = gate_per_v * e_d
    return (
        (e_s - gate_a) + (e_d - gate_a),
        gate_per_v * e_s,
        g_d,
        ideal * longer - (e_d - gate_a),
        slope * at_source + stretch,
        -slope * at_drain - stretch - g_d,
    )


def _limits(parameters: Mapping[str, float]) -> tuple[StepLimit, ...]:
    slope = 1.0 / parameters["gate_per_v"]
    high = knee(parameters["gate_a"], slope)
    return ((-math.inf, high, STEP_IN_EXPONENTS * slope, 1.0),) * 2


def _noise(at: Resting, boltzmann_j: float) -> list[NoiseSource]:
    """Shot noise of the gate, thermal noise of the channel."""
    pinch_off = at.parameters["pinch_off_v"]
    ends = [max(at.across("gate", end) + pinch_off, 0.0) for end in ("source", "drain")]
    channel = channel_noise_siemens(at.parameters["factor_a_v2"], *ends)
    return [
        NoiseSource("port", 2.0 * ELEMENTARY_CHARGE_C * abs(float(at.currents[0])), 0),
        NoiseSource("port", 4.0 * boltzmann_j * channel, 1),
    ]


def _swing(terminal: str, at: Resting, supply_v: float) -> tuple[float, float] | None:
    return at.swing_between(terminal, "drain", "source", 0.0, supply_v)


def _figures(at: Resting) -> dict[str, tuple[float, str]]:
    return {
        "Id": (float(at.currents[1]), "A"),
        "Vgs": (at.across("gate", "source"), "V"),
        "Vds": (at.across("drain", "source"), "V"),
        "gm": (float(at.slopes[1].sum()), "S"),
    }


def _capacitances(at: Resting) -> list[Capacitance]:
    zero_bias = {
        "source": at.model.gate_source_capacitance_f,
        "drain": at.model.gate_drain_capacitance_f,
    }
    return [
        ("gate", end, depletion_capacitance(farad, at.across("gate", end), *_JUNCTION))
        for end, farad in zero_bias.items()
    ]


JFET = DeviceKind(
    name="jfet",
    law=jfet,
    parameters=("factor_a_v2", "pinch_off_v", "channel_per_v", "gate_a", "gate_per_v"),
    terminals=("drain", "gate", "source"),
    controls=(("gate", "source"), ("gate", "drain")),
    injections=({"gate": -1.0, "source": 1.0}, {"drain": -1.0, "source": 1.0}),
    limits=_limits,
    noise=_noise,
    varied=Varied("IDSS", {"factor_a_v2": 1.0}),
    swing=_swing,
    figures=_figures,
    capacitances=_capacitances,
    conducts=(("drain", "source"),),
    library="JFETs",
    symbol="jfet",
)
