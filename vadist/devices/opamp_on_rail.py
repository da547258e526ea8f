"""The op-amp on a supply that moves: its upper limit moves with the rail."""

import dataclasses
import math
from collections.abc import Mapping, Sequence

from vadist.devices.exponential import exponential_less_one
from vadist.devices.kind import GROUND, STEP_IN_EXPONENTS, Resting, StepLimit
from vadist.devices.opamp import OPAMP

_INSIDE_V = 3.0
# Of both limits: where neither draws a current.


def opamp_on_rail(
    difference: float,
    under_supply: float,
    output: float,
    largest_a: float,
    per_v: float,
    rest_steer: float,
    rest_slope: float,
    rest_share: float,
    knee_per_v: float,
    above_share: float,
    above_shift: float,
    below_share: float,
    below_shift: float,
    offset_a: float,
) -> tuple[float, float, float, float]:
    """Limited transconductance into the compensation node, less the current of the swing limits.

    Parameters
    ----------
    difference, under_supply, output : growths of the volts of the input, and of the output against
        supply and ground
    largest_a, ... : see :func:`vadist.devices.opamp.opamp`

    Returns
    -------
    growth of the current, its slopes in difference, under_supply and output
    """
    steering = exponential_less_one(2.0 * per_v * difference)
    growth = rest_slope * steering / (2.0 + rest_share * steering)
    steer = rest_steer + growth
    above = exponential_less_one(under_supply * knee_per_v + above_shift)
    below = exponential_less_one(below_shift - output * knee_per_v)
    return (
        largest_a * (growth - above_share * above + below_share * below) + offset_a,
        largest_a * per_v * (1.0 - steer * steer),
        -largest_a * knee_per_v * above_share * (above + 1.0),
        -largest_a * knee_per_v * below_share * (below + 1.0),
    )


def _at_rest(parameters: Mapping[str, float], volts: Sequence[float]) -> tuple[float, ...]:
    # Counted from the supply, the upper limit lies its headroom below zero.
    high = -parameters["headroom_high_v"] - volts[1] + volts[2]
    return OPAMP.at_rest({**parameters, "high_v": high}, (volts[0], volts[2]))


def _origin(parameters: Mapping[str, float]) -> tuple[float, ...]:
    return 0.0, -parameters["headroom_high_v"] - _INSIDE_V, parameters["low_v"] + _INSIDE_V


def _limits(parameters: Mapping[str, float]) -> tuple[StepLimit, ...]:
    (steered, _) = OPAMP.limits({**parameters, "high_v": math.inf})
    step = STEP_IN_EXPONENTS / parameters["knee_per_v"]
    return (
        steered,
        (-math.inf, -parameters["headroom_high_v"], step, 1.0),
        (parameters["low_v"], math.inf, step, 1.0),
    )


def _swing(terminal: str, at: Resting, _: float) -> tuple[float, float] | None:
    if terminal != "output":
        return None
    return at.parameters["low_v"], at.volts["supply"] - at.parameters["headroom_high_v"]


OPAMP_ON_RAIL = dataclasses.replace(
    OPAMP,
    name="opamp_on_rail",
    law=opamp_on_rail,
    at_rest=_at_rest,
    origin=_origin,
    parameters=("largest_a", "per_v", "headroom_high_v", "low_v", "knee_per_v"),
    terminals=("plus", "minus", "output", "supply"),
    controls=(("plus", "minus"), ("output", "supply"), ("output", GROUND)),
    limits=_limits,
    swing=_swing,
)
