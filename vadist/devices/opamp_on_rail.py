"""The op-amp on a supply that moves: its upper limit moves with the rail."""

import dataclasses
import math
from collections.abc import Mapping

from numba.extending import register_jitable

from vadist.devices.exponential import exponential
from vadist.devices.kind import GROUND, STEP_IN_EXPONENTS, Resting, StepLimit
from vadist.devices.opamp import OPAMP


@register_jitable(inline="always")
def opamp_on_rail(
    difference: float,
    under_supply: float,
    output: float,
    largest_a: float,
    per_v: float,
    headroom_high_v: float,
    low_v: float,
    knee_per_v: float,
) -> tuple[float, float, float, float]:
    """Limited transconductance into the compensation node, less the current of the swing limits.

    Parameters
    ----------
    difference, under_supply, output : volts of the input, of the output against supply and ground
    largest_a, per_v : largest current, transconductance over it
    headroom_high_v, low_v, knee_per_v : swing limits from supply and ground, 1/softness

    Returns
    -------
    current, its slopes in difference, under_supply and output
    """
    steer = 1.0 - 2.0 / (exponential(2.0 * per_v * difference) + 1.0)
    above = exponential((under_supply + headroom_high_v) * knee_per_v)
    below = exponential((low_v - output) * knee_per_v)
    return (
        largest_a * (steer - above + below),
        largest_a * per_v * (1.0 - steer * steer),
        -largest_a * knee_per_v * above,
        -largest_a * knee_per_v * below,
    )


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
    parameters=("largest_a", "per_v", "headroom_high_v", "low_v", "knee_per_v"),
    terminals=("plus", "minus", "output", "supply"),
    controls=(("plus", "minus"), ("output", "supply"), ("output", GROUND)),
    limits=_limits,
    swing=_swing,
)
