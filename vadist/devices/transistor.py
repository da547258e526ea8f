"""The bipolar transistor."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

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

_LARGEST = 700.0

_JUNCTION = (0.75, 0.33)
# Potential and grading of both junctions (SPICE's VJE, MJE, VJC, MJC, from memory).

SATURATION_V = 0.2
"""Collector to emitter when a small transistor saturates (common practice, no published source)."""


def transistor(
    vbe: float,
    vbc: float,
    half_per_v: float,
    forward_a: float,
    forward_shift: float,
    forward_leak_a: float,
    reverse_a: float,
    reverse_shift: float,
    reverse_leak_a: float,
    inverse_forward_beta: float,
    inverse_reverse_beta: float,
    inverse_early_v: float,
    knee_per_a: float,
    rest_early: float,
    rest_root: float,
    rest_thin: float,
    rest_ideal_a: float,
    forward_offset_a: float,
    reverse_offset_a: float,
    base_offset_a: float,
    collector_offset_a: float,
) -> tuple[float, float, float, float, float, float]:
    """NPN after Gummel and Poon: two diodes make the base current, the base charge divides.

    Parameters
    ----------
    vbe, vbc : growths of the junction volts
    half_per_v : 1/(2 Vt)
    forward_a, forward_leak_a : at the point the junction is counted from: transport current and
        that of emission coefficient 2
    forward_shift : half the exponent from there to rest
    knee_per_a : 4/IKF; zero for no fall-off at high current
    rest_early, rest_root, rest_thin, rest_ideal_a : at rest 1 - vbc/VAF, sqrt(1 + knee i_f),
        2/(1 + root) and the transport current
    ..._offset_a : see :func:`vadist.devices.exponential.counted_from_rest`

    Returns
    -------
    growth of the base current, its slopes in vbe and vbc, and of the collector current

    Notes
    -----
    One exponential a junction serves both its currents: that of the leakage, e**(v/2Vt), is the
    square root of the other.
    """
    # Held where the square is still a number: e**80 times the least current of 1e-30 A is 5e4 A.
    half_f = exponential_less_one(min(vbe * half_per_v + forward_shift, 40.0))
    half_r = exponential_less_one(min(vbc * half_per_v + reverse_shift, 40.0))
    root_f = half_f + 1.0
    root_r = half_r + 1.0
    i_f = forward_a * (half_f * (half_f + 2.0)) + forward_offset_a
    i_r = reverse_a * (half_r * (half_r + 2.0)) + reverse_offset_a
    i_l = reverse_leak_a * half_r
    g_f = 2.0 * half_per_v * forward_a * root_f * root_f
    g_r = 2.0 * half_per_v * reverse_a * root_r * root_r
    g_l = half_per_v * reverse_leak_a * root_r
    # 1/qb = early * thin with thin = 2/(1 + r); r thick = 1/(1 + r), by one reciprocal.
    r = np.sqrt(rest_root * rest_root + i_f * knee_per_a)
    thick = 1.0 / (r * (1.0 + r))
    thin = 2.0 * r * thick
    thinner = i_f * knee_per_a * thin * rest_thin / (2.0 * (r + rest_root))
    early = rest_early - vbc * inverse_early_v
    growth = i_f - i_r
    ideal = rest_ideal_a + growth
    per_charge = thin * early
    change = -(thinner * early + rest_thin * vbc * inverse_early_v)
    return (
        i_f * inverse_forward_beta
        + i_r * inverse_reverse_beta
        + forward_leak_a * half_f
        + i_l
        + base_offset_a,
        g_f * inverse_forward_beta + half_per_v * forward_leak_a * root_f,
        g_r * inverse_reverse_beta + g_l,
        growth * per_charge
        + rest_ideal_a * change
        - i_r * inverse_reverse_beta
        - i_l
        + collector_offset_a,
        g_f * per_charge * (1.0 - 0.5 * knee_per_a * ideal * thick),
        -g_r * (per_charge + inverse_reverse_beta) - ideal * thin * inverse_early_v - g_l,
    )


def _at_rest(parameters: Mapping[str, float], volts: Sequence[float]) -> tuple[float, ...]:
    saturation, half = parameters["saturation_a"], parameters["half_per_v"]
    junctions = []
    for volt, leak in zip(volts, ("emitter_leakage_a", "collector_leakage_a"), strict=True):
        current, shift, offset = counted_from_rest(saturation, 2.0 * half * volt)
        # Both currents of a junction are counted from one point.
        reference = half * volt - 0.5 * shift
        leakage = parameters[leak] * math.exp(reference)
        lost = -leakage * math.expm1(0.5 * shift)
        junctions.append((current, 0.5 * shift, leakage, offset, lost))
    forward, reverse = junctions
    i_f, i_r = (saturation * math.expm1(min(2.0 * half * v, _LARGEST)) for v in volts)
    root = math.sqrt(1.0 + i_f * parameters["knee_per_a"])
    return (
        half, *forward[:3], *reverse[:3],
        parameters["inverse_forward_beta"], parameters["inverse_reverse_beta"],
        parameters["inverse_early_v"], parameters["knee_per_a"],
        1.0 - volts[1] * parameters["inverse_early_v"], root, 2.0 / (1.0 + root), i_f - i_r,
        forward[3], reverse[3], forward[4] + reverse[4], -reverse[4],
    )  # fmt: skip


def _limits(parameters: Mapping[str, float]) -> tuple[StepLimit, ...]:
    slope = 0.5 / parameters["half_per_v"]
    high = knee(parameters["saturation_a"], slope)
    return ((-math.inf, high, STEP_IN_EXPONENTS * slope, 1.0),) * 2


def _noise(at: Resting, _: float) -> list[NoiseSource]:
    """Shot noise of the base current, leakage too, and of the collector current."""
    shot = 2.0 * ELEMENTARY_CHARGE_C * np.abs(at.currents)
    return [NoiseSource("port", float(density), k) for k, density in enumerate(shot)]


def _swing(terminal: str, at: Resting, supply_v: float) -> tuple[float, float] | None:
    """Saturation on one side of a collector, cut-off on the other; turned round at an emitter."""
    return at.swing_between(terminal, "collector", "emitter", SATURATION_V, supply_v)


def _figures(at: Resting) -> dict[str, tuple[float, str]]:
    return {
        "Ic": (float(at.currents[1]), "A"),
        "Ib": (float(at.currents[0]), "A"),
        "Vce": (at.across("collector", "emitter"), "V"),
        "gm": (float(at.slopes[1, 0]), "S"),
    }


def _capacitances(at: Resting) -> list[Capacitance]:
    """Of both junctions, and what the collector current keeps in the base."""
    model, transconductance = at.model, float(at.slopes[1, 0])
    emitter = depletion_capacitance(
        model.base_emitter_capacitance_f, at.across("base", "emitter"), *_JUNCTION
    )
    collector = depletion_capacitance(
        model.base_collector_capacitance_f, at.across("base", "collector"), *_JUNCTION
    )
    return [
        ("base", "emitter", emitter + model.transit_time_s * transconductance),
        ("base", "collector", collector),
    ]


TRANSISTOR = DeviceKind(
    name="transistor",
    law=transistor,
    at_rest=_at_rest,
    parameters=(
        "saturation_a",
        "half_per_v",
        "inverse_forward_beta",
        "inverse_reverse_beta",
        "inverse_early_v",
        "emitter_leakage_a",
        "collector_leakage_a",
        "knee_per_a",
    ),
    terminals=("collector", "base", "emitter"),
    controls=(("base", "emitter"), ("base", "collector")),
    injections=({"base": -1.0, "emitter": 1.0}, {"collector": -1.0, "emitter": 1.0}),
    limits=_limits,
    noise=_noise,
    # The gain at every current: both parts of the base current, as specimens differ.
    varied=Varied("beta", {"inverse_forward_beta": -1.0, "emitter_leakage_a": -1.0}),
    swing=_swing,
    figures=_figures,
    capacitances=_capacitances,
    conducts=(("collector", "emitter"),),
    library="transistors",
    symbol="npn",
)
