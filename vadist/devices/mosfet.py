"""The enhancement MOSFET, its body tied to its source."""

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

_JUNCTION = (0.8, 0.5)
# Potential and grading of the body's junction (SPICE's PB and MJ, from memory).

_LARGEST = 700.0
# Exponent of a number that is one.


def mosfet(
    vgs: float,
    vsd: float,
    factor_a_v2: float,
    channel_per_v: float,
    source_short_v: float,
    source_open_v: float,
    drain_short_v: float,
    drain_open_v: float,
    rest_less_v: float,
    above_source_v: float,
    above_across_v: float,
    above_drain_v: float,
    rest_ideal_a: float,
    rest_longer: float,
    rest_across_v: float,
    direction: float,
    body_per_v: float,
    body_a: float,
    body_shift: float,
    body_offset_a: float,
) -> tuple[float, float, float]:
    """N-channel of the square law beside its body diode.

    Parameters
    ----------
    vgs, vsd : growths of the volts
    factor_a_v2 : k/2
    channel_per_v : lambda
    source_short_v, source_open_v : vgs - Vth at rest, the one below zero and the other above it
    drain_short_v, drain_open_v : the same of vgd
    rest_less_v : by what the channel is less open at its drain, at rest
    above_source_v, above_across_v, above_drain_v : how far the three volts that bound this are off
    rest_ideal_a, rest_longer, rest_across_v, direction : at rest the current without lambda,
        1 + lambda |vsd|, |vsd| and its sign
    body_per_v, body_a, body_shift, body_offset_a : body diode, see
        :func:`vadist.devices.exponential.counted_from_rest`

    Returns
    -------
    growth of the drain current, its slopes in vgs and vsd

    Notes
    -----
    Of vgs and vsd, rather than vgs and vgd, as a junction hangs on vsd. The channel is less open at
    its drain by -vsd, unless it is shut at one end: so no digit is lost where vsd is small.
    """
    opened_s = max(vgs + source_short_v, -source_open_v)
    opened_d = max(vgs + vsd + drain_short_v, -drain_open_v)
    less = max(min(opened_s + above_source_v, above_across_v - vsd), above_drain_v - opened_d)
    both = source_open_v + drain_open_v + opened_s + opened_d
    growth = factor_a_v2 * (less * both + rest_less_v * (opened_s + opened_d))
    across = direction * vsd
    lengthened = channel_per_v * max(across, -(2.0 * rest_across_v + across))
    longer = rest_longer + lengthened
    slope = 2.0 * factor_a_v2 * longer
    body = exponential_less_one(vsd * body_per_v + body_shift)
    # |Vsd| grows with the current's own sign.
    return (
        growth * longer + rest_ideal_a * lengthened - body_a * body - body_offset_a,
        slope * (rest_less_v + less),
        -slope * (drain_open_v + opened_d)
        - channel_per_v * abs(rest_ideal_a + growth)
        - body_per_v * body_a * (body + 1.0),
    )


def _at_rest(parameters: Mapping[str, float], volts: Sequence[float]) -> tuple[float, ...]:
    factor, longer = parameters["factor_a_v2"], parameters["channel_per_v"]
    vgs, across = volts
    ends = vgs - parameters["threshold_v"], vgs + across - parameters["threshold_v"]
    opened = [max(v, 0.0) for v in ends]
    less = max(min(opened[0], -across), -opened[1])
    body = counted_from_rest(parameters["body_a"], across * parameters["body_per_v"])
    return (
        factor, longer, min(ends[0], 0.0), opened[0], min(ends[1], 0.0), opened[1],
        less, opened[0] - less, -across - less, -opened[1] - less,
        factor * less * (opened[0] + opened[1]),
        1.0 + longer * abs(across), abs(across), math.copysign(1.0, across),
        parameters["body_per_v"], *body,
    )  # fmt: skip


def _limits(parameters: Mapping[str, float]) -> tuple[StepLimit, ...]:
    slope = 1.0 / parameters["body_per_v"]
    return (
        (-math.inf, math.inf, 1.0, 1.0),
        (-math.inf, knee(parameters["body_a"], slope), STEP_IN_EXPONENTS * slope, 1.0),
    )


def _noise(at: Resting, boltzmann_j: float) -> list[NoiseSource]:
    """Thermal noise of the channel, shot noise of both currents of the body diode."""
    threshold, body = at.parameters["threshold_v"], at.parameters["body_a"]
    ends = [max(at.across("gate", end) - threshold, 0.0) for end in ("source", "drain")]
    channel = channel_noise_siemens(at.parameters["factor_a_v2"], *ends)
    exponent = at.across("source", "drain") * at.parameters["body_per_v"]
    forward = body * math.exp(min(exponent, _LARGEST))
    shot = 2.0 * ELEMENTARY_CHARGE_C * (forward + body)
    return [NoiseSource("port", 4.0 * boltzmann_j * channel + shot)]


def _swing(terminal: str, at: Resting, supply_v: float) -> tuple[float, float] | None:
    return at.swing_between(terminal, "drain", "source", 0.0, supply_v)


def _figures(at: Resting) -> dict[str, tuple[float, str]]:
    return {
        "Id": (float(at.currents[0]), "A"),
        "Vgs": (at.across("gate", "source"), "V"),
        "Vds": (at.across("drain", "source"), "V"),
        "gm": (float(at.slopes[0, 0]), "S"),
    }


def _capacitances(at: Resting) -> list[Capacitance]:
    """The gate's, which an oxide holds nearly constant, and the body diode's."""
    across = at.across("source", "drain")
    body = depletion_capacitance(at.model.drain_source_capacitance_f, across, *_JUNCTION)
    return [
        ("gate", "source", at.model.gate_source_capacitance_f),
        ("gate", "drain", at.model.gate_drain_capacitance_f),
        ("drain", "source", body),
    ]


MOSFET = DeviceKind(
    name="mosfet",
    law=mosfet,
    at_rest=_at_rest,
    parameters=("factor_a_v2", "threshold_v", "channel_per_v", "body_a", "body_per_v"),
    terminals=("drain", "gate", "source"),
    controls=(("gate", "source"), ("source", "drain")),
    injections=({"drain": -1.0, "source": 1.0},),
    limits=_limits,
    noise=_noise,
    varied=Varied("k", {"factor_a_v2": 1.0}),
    swing=_swing,
    figures=_figures,
    capacitances=_capacitances,
    conducts=(("drain", "source"),),
    library="MOSFETs",
    symbol="mosfet",
    pace=2,
)
