"""The op-amp: one pole, limited slew rate and swing, no input current."""

from collections.abc import Mapping

from numba.extending import register_jitable

from vadist.devices.exponential import exponential
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


@register_jitable(inline="always")
def opamp(
    difference: float,
    output: float,
    largest_a: float,
    per_v: float,
    high_v: float,
    low_v: float,
    knee_per_v: float,
) -> tuple[float, float, float]:
    """Limited transconductance into the compensation node, less the current of the swing limits.

    Parameters
    ----------
    difference, output : input and output volts
    largest_a, per_v : largest current, transconductance over it
    high_v, low_v, knee_per_v : swing limits, 1/softness

    Returns
    -------
    current, its slopes in difference and output
    """
    steer = 1.0 - 2.0 / (exponential(2.0 * per_v * difference) + 1.0)
    above = exponential((output - high_v) * knee_per_v)
    below = exponential((low_v - output) * knee_per_v)
    return (
        largest_a * (steer - above + below),
        largest_a * per_v * (1.0 - steer * steer),
        -largest_a * knee_per_v * (above + below),
    )


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
    owns="output",
)
