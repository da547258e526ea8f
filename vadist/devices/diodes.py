"""Diode strings in antiparallel, as one port."""

import math
from collections.abc import Mapping, Sequence

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

DIODE_JUNCTION = (1.0, 0.5)
"""Potential and grading of a diode's junction (SPICE's VJ and M where none are given, from
memory)."""


def diodes(
    v: float,
    forward_a: float,
    forward_per_v: float,
    forward_shift: float,
    reverse_a: float,
    reverse_per_v: float,
    reverse_shift: float,
    offset_a: float,
) -> tuple[float, float]:
    """Antiparallel diode strings (Shockley): growth of the current, and slope.

    Parameters
    ----------
    v : growth of the volts across the pair
    forward_a, forward_per_v, forward_shift : current at the point the string that conducts for
        v > 0 is counted from, 1/(n Vt), and the rest exponent from there
    reverse_a, reverse_per_v, reverse_shift : the same for v < 0
    offset_a : see :func:`vadist.devices.exponential.counted_from_rest`
    """
    forward = exponential_less_one(v * forward_per_v + forward_shift)
    reverse = exponential_less_one(reverse_shift - v * reverse_per_v)
    return (
        forward_a * forward - reverse_a * reverse + offset_a,
        forward_a * forward_per_v * (forward + 1.0) + reverse_a * reverse_per_v * (reverse + 1.0),
    )


def _at_rest(parameters: Mapping[str, float], volts: Sequence[float]) -> tuple[float, ...]:
    forward_per_v, reverse_per_v = parameters["forward_per_v"], parameters["reverse_per_v"]
    forward = counted_from_rest(parameters["forward_a"], volts[0] * forward_per_v)
    reverse = counted_from_rest(parameters["reverse_a"], -volts[0] * reverse_per_v)
    return (
        forward[0], forward_per_v, forward[1], reverse[0], reverse_per_v, reverse[1],
        forward[2] - reverse[2],
    )  # fmt: skip


def _limits(parameters: Mapping[str, float]) -> tuple[StepLimit, ...]:
    edges, slopes = [], []
    for side in ("forward", "reverse"):
        current, per_v = parameters[f"{side}_a"], parameters[f"{side}_per_v"]
        edges.append(knee(current, 1.0 / per_v) if current > 0.0 else math.inf)
        if current > 0.0:
            slopes.append(1.0 / per_v)
    return ((-edges[1], edges[0], STEP_IN_EXPONENTS * min(slopes), 1.0),)


def junction_noise(
    at: Resting, boltzmann_j: float, forward_per_v: str, reverse_per_v: str
) -> list[NoiseSource]:
    """A junction at rest is a resistor in thermal equilibrium; what current adds is shot noise."""
    current, slope = float(at.currents[0]), float(at.slopes[0, 0])
    per_v = at.parameters[forward_per_v if current > 0.0 else reverse_per_v]
    resting = max(slope - abs(current) * per_v, 0.0)
    shot = 2.0 * ELEMENTARY_CHARGE_C * abs(current)
    return [NoiseSource("port", shot + 4.0 * boltzmann_j * resting)]


def _noise(at: Resting, boltzmann_j: float) -> list[NoiseSource]:
    return junction_noise(at, boltzmann_j, "forward_per_v", "reverse_per_v")


def _capacitances(at: Resting) -> list[Capacitance]:
    """Of both strings: diodes in series divide volts and capacitance."""
    farad = 0.0
    for string, across in zip(at.model, (at.across("a", "b"), at.across("b", "a")), strict=True):
        if string is not None:
            zero_bias = string.model.junction_capacitance_f * string.parallel / string.count
            farad += depletion_capacitance(zero_bias, across / string.count, *DIODE_JUNCTION)
    return [("a", "b", farad)]


DIODES = DeviceKind(
    name="diodes",
    law=diodes,
    at_rest=_at_rest,
    parameters=("forward_a", "forward_per_v", "reverse_a", "reverse_per_v"),
    terminals=("a", "b"),
    controls=(("a", "b"),),
    injections=({"a": -1.0, "b": 1.0},),
    limits=_limits,
    noise=_noise,
    varied=Varied("Is", {"forward_a": 1.0, "reverse_a": 1.0}),
    capacitances=_capacitances,
    conducts=(("a", "b"),),
    library="diodes",
    symbol="diode",
    pace=2,
)
