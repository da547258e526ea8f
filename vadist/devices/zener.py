"""The Zener diode."""

from collections.abc import Mapping, Sequence

from vadist.devices.depletion import depletion_capacitance
from vadist.devices.diodes import DIODE_JUNCTION, junction_noise
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


def zener(
    v: float,
    forward_a: float,
    forward_per_v: float,
    forward_shift: float,
    breakdown_a: float,
    breakdown_per_v: float,
    breakdown_shift: float,
    offset_a: float,
) -> tuple[float, float]:
    """Junction that breaks down: growth of the current from anode to cathode, and slope.

    Parameters
    ----------
    v : growth of the volts from cathode to anode
    forward_a, forward_per_v, forward_shift : current at the point it is counted from, 1/(n Vt), and
        the rest exponent from there
    breakdown_a, breakdown_per_v, breakdown_shift : the same of the breakdown, with 1/knee
    offset_a : see :func:`vadist.devices.exponential.counted_from_rest`
    """
    forward = exponential_less_one(v * forward_per_v + forward_shift)
    reverse = exponential_less_one(breakdown_shift - v * breakdown_per_v)
    return (
        forward_a * forward - breakdown_a * reverse + offset_a,
        forward_per_v * forward_a * (forward + 1.0)
        + breakdown_per_v * breakdown_a * (reverse + 1.0),
    )


def _at_rest(parameters: Mapping[str, float], volts: Sequence[float]) -> tuple[float, ...]:
    forward_per_v, breakdown_per_v = parameters["forward_per_v"], parameters["breakdown_per_v"]
    forward = counted_from_rest(parameters["forward_a"], volts[0] * forward_per_v)
    beyond = -(volts[0] + parameters["breakdown_v"]) * breakdown_per_v
    breakdown = counted_from_rest(parameters["breakdown_a"], beyond)
    return (
        forward[0], forward_per_v, forward[1], breakdown[0], breakdown_per_v, breakdown[1],
        forward[2] - breakdown[2],
    )  # fmt: skip


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
    at_rest=_at_rest,
    parameters=("forward_a", "forward_per_v", "breakdown_a", "breakdown_v", "breakdown_per_v"),
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
    pace=2,
)
