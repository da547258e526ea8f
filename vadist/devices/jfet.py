"""The junction field-effect transistor."""

import math
from collections.abc import Mapping, Sequence

from vadist.devices.channel import channel_noise_siemens
from vadist.devices.depletion import depletion_capacitance
from vadist.devices.exponential import counted_from_rest, exponential_less_one, knee
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


def jfet(
    vgs: float,
    vgd: float,
    factor_a_v2: float,
    channel_per_v: float,
    source_short_v: float,
    source_open_v: float,
    drain_short_v: float,
    drain_open_v: float,
    rest_ideal_a: float,
    rest_longer: float,
    rest_across_v: float,
    direction: float,
    gate_per_v: float,
    gate_source_a: float,
    gate_source_shift: float,
    gate_drain_a: float,
    gate_drain_shift: float,
    gate_offset_a: float,
    drain_offset_a: float,
) -> tuple[float, float, float, float, float, float]:
    """N-channel of the square law between two gate diodes.

    Parameters
    ----------
    vgs, vgd : growths of the gate's volts against source and drain
    factor_a_v2 : IDSS/Vp^2
    channel_per_v : lambda
    source_short_v, source_open_v : vgs + Vp at rest, the one below zero and the other above it
    drain_short_v, drain_open_v : the same of vgd
    rest_ideal_a, rest_longer, rest_across_v, direction : at rest the current without lambda,
        1 + lambda |vds|, |vds| and its sign
    gate_per_v : 1/Vt
    gate_source_a, gate_source_shift, gate_drain_a, gate_drain_shift, gate_offset_a,
    drain_offset_a : gate diodes, see :func:`vadist.devices.exponential.counted_from_rest`

    Returns
    -------
    growth of the gate current, its slopes in vgs and vgd, and of the drain current

    Notes
    -----
    As the channel opens by vgs + Vp at one end and vgd + Vp at the other, the difference of two
    squares is pinch-off, saturation and the parabola below it, in either direction.
    """
    opened_s = max(vgs + source_short_v, -source_open_v)
    opened_d = max(vgd + drain_short_v, -drain_open_v)
    growth = factor_a_v2 * (
        opened_s * (2.0 * source_open_v + opened_s) - opened_d * (2.0 * drain_open_v + opened_d)
    )
    across = direction * (vgs - vgd)
    lengthened = channel_per_v * max(across, -(2.0 * rest_across_v + across))
    longer = rest_longer + lengthened
    # |Vds| grows with the current's own sign.
    stretch = channel_per_v * abs(rest_ideal_a + growth)
    slope = 2.0 * factor_a_v2 * longer
    e_s = exponential_less_one(vgs * gate_per_v + gate_source_shift)
    e_d = exponential_less_one(vgd * gate_per_v + gate_drain_shift)
    g_d = gate_per_v * gate_drain_a * (e_d + 1.0)
    return (
        gate_source_a * e_s + gate_drain_a * e_d + gate_offset_a,
        gate_per_v * gate_source_a * (e_s + 1.0),
        g_d,
        growth * longer + rest_ideal_a * lengthened - gate_drain_a * e_d - drain_offset_a,
        slope * (source_open_v + opened_s) + stretch,
        -slope * (drain_open_v + opened_d) - stretch - g_d,
    )


def _at_rest(parameters: Mapping[str, float], volts: Sequence[float]) -> tuple[float, ...]:
    factor, longer = parameters["factor_a_v2"], parameters["channel_per_v"]
    gate_a, per_v = parameters["gate_a"], parameters["gate_per_v"]
    ends = [v + parameters["pinch_off_v"] for v in volts]
    opened = [max(v, 0.0) for v in ends]
    across = volts[0] - volts[1]
    source, drain = (counted_from_rest(gate_a, v * per_v) for v in volts)
    return (
        factor, longer, min(ends[0], 0.0), opened[0], min(ends[1], 0.0), opened[1],
        factor * (opened[0] - opened[1]) * (opened[0] + opened[1]),
        1.0 + longer * abs(across), abs(across), math.copysign(1.0, across),
        per_v, *source[:2], *drain[:2], source[2] + drain[2], drain[2],
    )  # fmt: skip


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
    at_rest=_at_rest,
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
    pace=2,
)
