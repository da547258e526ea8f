"""The Zener diode."""

from collections.abc import Mapping

from numba.extending import register_jitable

from vadist.devices.depletion import depletion_capacitance
from vadist.devices.diodes import DIODE_JUNCTION, junction_noise
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


@register_jitable(inline="always")
def zener(
    v: float,
    forward_a: float,
    forward_per_v: float,
    breakdown_a: float,
    breakdown_v: float,
    breakdown_per_v: float,
    balance_a: float,
) -> tuple[float, float]:
    """Junction that breaks down: current from anode to cathode, and slope.

    Parameters
    ----------
    v : volts from cathode to anode
    forward_a, forward_per_v : saturation current, 1/(n Vt)
    breakdown_a, breakdown_v : a current in breakdown, and its volts
    breakdown_per_v : 1/knee
    balance_a : what the breakdown's exponential is at no voltage
    """
    forward = forward_a * exponential(v * forward_per_v)
    reverse = breakdown_a * exponential(-(v + breakdown_v) * breakdown_per_v)
    return (
        (forward - forward_a) - (reverse - balance_a),
        forward_per_v * forward + breakdown_per_v * reverse,
    )


def _limits(parameters: Mapping[str, float]) -> tuple[StepLimit, ...]:
    slopes = 1.0 / parameters["forward_per_v"], 1.0 / parameters["breakdown_per_v"]
    low = -parameters["breakdown_v"] - knee(parameters["breakdown_a"], slopes[1])
    high = knee(parameters["forward_a"], slopes[0])
    return ((low, high, STEP_IN_EXPONENTS * min(slopes), 1.0),)


def _noise(at: Resting, boltzmann_j: float) -> list[NoiseSource]:
    return junction_noise(at, boltzmann_j, "forward_per_v", "breakdown_per_v")


def _figures(at: Resting) -> dict[str, tuple[float, str]]:
    return {"Iz": (-float(at.currents[0]), "A"), "Vz": (at.across("cathode", "anode"), "V")}


def _capacitances(at: Resting) -> list[Capacitance]:
    volts = at.across("anode", "cathode")
    farad = depletion_capacitance(at.model.junction_capacitance_f, volts, *DIODE_JUNCTION)
    return [("anode", "cathode", farad)]


ZENER = DeviceKind(
    name="zener",
    law=zener,
    parameters=(
        "forward_a", "forward_per_v", "breakdown_a", "breakdown_v", "breakdown_per_v", "balance_a"
    ),
    terminals=("anode", "cathode"),
    controls=(("anode", "cathode"),),
    injections=({"anode": -1.0, "cathode": 1.0},),
    limits=_limits,
    noise=_noise,
    varied=Varied("Vz", {"breakdown_v": 1.0}),
    figures=_figures,
    capacitances=_capacitances,
    conducts=(("anode", "cathode"),),
    library="Zener diodes",
    symbol="zener",
)  # fmt: skip
