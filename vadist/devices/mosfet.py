"""The enhancement MOSFET, its body tied to its source."""

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

_JUNCTION = (0.8, 0.5)
# Potential and grading of the body's junction (SPICE's PB and MJ, from memory).


@register_jitable(inline="always")
def mosfet(
    vgs: float,
    vsd: float,
    factor_a_v2: float,
    threshold_v: float,
    channel_per_v: float,
    body_a: float,
    body_per_v: float,
) -> tuple[float, float, float]:
    """N-channel of the square law beside its body diode.

    Parameters
    ----------
    factor_a_v2 : k/2
    channel_per_v : lambda
    body_a, body_per_v : saturation current of the body diode, 1/Vt

    Returns
    -------
    drain current, its slopes in vgs and vsd

    Notes
    -----
    Of vgs and vsd, rather than vgs and vgd, as a junction hangs on vsd.
    """
    at_source = max(vgs - threshold_v, 0.0)
    at_drain = max(vgs + vsd - threshold_v, 0.0)
    ideal = factor_a_v2 * (at_source * at_source - at_drain * at_drain)
    longer = 1.0 + channel_per_v * abs(vsd)
    slope = 2.0 * factor_a_v2 * longer
    body = body_a * exponential(vsd * body_per_v)
    # |Vsd| grows with the current's own sign.
    return (
        ideal * longer - (body - body_a),
        slope * (at_source - at_drain),
        -slope * at_drain - channel_per_v * abs(ideal) - body_per_v * body,
    )


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
    forward = body * exponential(at.across("source", "drain") * at.parameters["body_per_v"])
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
)
