"""The op-amp: one pole, limited slew rate and swing, no input current."""

import math
from collections.abc import Mapping, Sequence

from vadist.devices.exponential import counted_from_rest, exponential_less_one
from vadist.devices.kind import (
    GROUND,
    STEP_IN_EXPONENTS,
    DeviceKind,
    NoiseSource,
    Resting,
    StepLimit,
    Varied,
)

_SATURATED_GROWTH = 8.0
# The input may not jump from one saturation into the other, but far out the law is flat.

_DEEPEST = 30.0
# Argument beyond which saturation is no deeper.


def opamp(
    difference: float,
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
) -> tuple[float, float, float]:
    """Limited transconductance into the compensation node, less the current of the swing limits.

    Parameters
    ----------
    difference, output : growths of the input and output volts
    largest_a, per_v : largest current, transconductance over it
    rest_steer, rest_slope, rest_share : at rest the share T of the largest current, 1 - T^2, 1 + T
    knee_per_v : 1/softness of the swing limits
    above_share, above_shift : of the largest current that the upper limit draws at the point it is
        counted from, and the rest exponent from there
    below_share, below_shift : the same for the lower limit
    offset_a : see :func:`vadist.devices.exponential.counted_from_rest`

    Returns
    -------
    growth of the current, its slopes in difference and output
    """
    # tanh(a + b) - tanh(a) = (1 - T^2) e / (2 + (1 + T) e) with T = tanh(a), e = exp(2 b) - 1.
    steering = exponential_less_one(2.0 * per_v * difference)
    growth = rest_slope * steering / (2.0 + rest_share * steering)
    steer = rest_steer + growth
    above = exponential_less_one(output * knee_per_v + above_shift)
    below = exponential_less_one(below_shift - output * knee_per_v)
    return (
        largest_a * (growth - above_share * above + below_share * below) + offset_a,
        largest_a * per_v * (1.0 - steer * steer),
        -largest_a * knee_per_v * (above_share * (above + 1.0) + below_share * (below + 1.0)),
    )


def _at_rest(parameters: Mapping[str, float], volts: Sequence[float]) -> tuple[float, ...]:
    largest, per_v, knee = (parameters[n] for n in ("largest_a", "per_v", "knee_per_v"))
    above = counted_from_rest(largest, (volts[1] - parameters["high_v"]) * knee)
    below = counted_from_rest(largest, (parameters["low_v"] - volts[1]) * knee)
    argument = max(-_DEEPEST, min(per_v * volts[0], _DEEPEST))
    return (
        largest, per_v, math.tanh(argument), math.cosh(argument) ** -2,
        2.0 / (1.0 + math.exp(-2.0 * argument)), knee,
        above[0] / largest, above[1], below[0] / largest, below[1], below[2] - above[2],
    )  # fmt: skip


def _origin(parameters: Mapping[str, float]) -> tuple[float, ...]:
    return 0.0, 0.5 * (parameters["low_v"] + parameters["high_v"])


def _limits(parameters: Mapping[str, float]) -> tuple[StepLimit, ...]:
    knee_v = 1.0 / parameters["knee_per_v"]
    return (
        (0.0, 0.0, 1.0 / parameters["per_v"], _SATURATED_GROWTH),
        (parameters["low_v"], parameters["high_v"], STEP_IN_EXPONENTS * knee_v, 1.0),
    )


def _noise(at: Resting, _: float) -> list[NoiseSource]:
    """The densities a data sheet states, in series with and into the inputs."""
    return [
        NoiseSource("control", at.model.voltage_noise_v_rthz**2, 0),
        NoiseSource("terminals", at.model.current_noise_a_rthz**2, 0, ("plus", "minus")),
    ]


def _swing(terminal: str, at: Resting, _: float) -> tuple[float, float] | None:
    if terminal != "output":
        return None
    return at.parameters["low_v"], at.parameters["high_v"]


def _drawn(at: Resting) -> float:
    return float(at.model.supply_current_a)


OPAMP = DeviceKind(
    name="opamp",
    law=opamp,
    at_rest=_at_rest,
    origin=_origin,
    parameters=("largest_a", "per_v", "high_v", "low_v", "knee_per_v"),
    terminals=("plus", "minus", "output"),
    controls=(("plus", "minus"), ("output", GROUND)),
    injections=({"output": 1.0},),
    limits=_limits,
    noise=_noise,
    # Gain-bandwidth is transconductance over compensation capacitance.
    varied=Varied("GBW", {"owned_farad": -1.0}),
    swing=_swing,
    drawn=_drawn,
    library="op-amps",
    symbol="opamp",
    pace=4,
    owns="output",
)
