"""The bipolar transistor."""

import math
from collections.abc import Mapping

import numpy as np
from numba.extending import register_jitable

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

_LARGEST = 350.0
# Of the half exponent, whose power is squared.

_JUNCTION = (0.75, 0.33)
# Potential and grading of both junctions (SPICE's VJE, MJE, VJC, MJC, from memory).

SATURATION_V = 0.2
"""Collector to emitter when a small transistor saturates (common practice, no published source)."""


@register_jitable(inline="always")
def transistor(
    vbe: float,
    vbc: float,
    saturation_a: float,
    half_per_v: float,
    inverse_forward_beta: float,
    inverse_reverse_beta: float,
    inverse_early_v: float,
    emitter_leakage_a: float,
    collector_leakage_a: float,
    knee_per_a: float,
) -> tuple[float, float, float, float, float, float]:
    """NPN after Gummel and Poon: two diodes make the base current, the base charge divides.

    Parameters
    ----------
    half_per_v : 1/(2 Vt)
    emitter_leakage_a, collector_leakage_a : saturation currents of emission coefficient 2
    knee_per_a : 4/IKF; zero for no fall-off at high current

    Returns
    -------
    base current, its slopes in vbe and vbc, collector current, its slopes in vbe and vbc

    Notes
    -----
    One exponential a junction serves both its currents: that of the leakage, e**(v/2Vt), is the
    square root of the other.
    """
    root_f = exponential(vbe * half_per_v, _LARGEST)
    root_r = exponential(vbc * half_per_v, _LARGEST)
    forward = saturation_a * root_f * root_f
    reverse = saturation_a * root_r * root_r
    leak_f = emitter_leakage_a * root_f
    leak_r = collector_leakage_a * root_r
    i_f = forward - saturation_a
    i_r = reverse - saturation_a
    i_l = leak_r - collector_leakage_a
    g_f = 2.0 * half_per_v * forward
    g_r = 2.0 * half_per_v * reverse
    g_l = half_per_v * leak_r
    # 1/qb = early * thin with thin = 2/(1 + r); r thick = 1/(1 + r), by one reciprocal.
    r = math.sqrt(1.0 + i_f * knee_per_a)
    thick = 1.0 / (r * (1.0 + r))
    thin = 2.0 * r * thick
    early = 1.0 - vbc * inverse_early_v
    ideal = i_f - i_r
    per_charge = thin * early
    return (
        i_f * inverse_forward_beta
        + i_r * inverse_reverse_beta
        + (leak_f - emitter_leakage_a)
        + i_l,
        g_f * inverse_forward_beta + half_per_v * leak_f,
        g_r * inverse_reverse_beta + g_l,
        ideal * per_charge - i_r * inverse_reverse_beta - i_l,
        g_f * per_charge * (1.0 - 0.5 * knee_per_a * ideal * thick),
        -g_r * (per_charge + inverse_reverse_beta) - ideal * thin * inverse_early_v - g_l,
    )


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
