"""The NPN transistor."""

import math
from collections.abc import Mapping

import numpy as np
from numba.extending import register_jitable

from vadist.devices.exponential import exponential, knee
from vadist.devices.kind import (
    STEP_IN_EXPONENTS,
    DeviceKind,
    Limit,
    NoiseSource,
    Resting,
    Varied,
)
from vadist.quantities import ELEMENTARY_CHARGE_C

SATURATION_V = 0.2
"""Collector to emitter when a small transistor saturates (common practice, no published source)."""


@register_jitable(inline="always")
def transistor(
    vbe: float,
    vbc: float,
    saturation_a: float,
    per_v: float,
    inverse_forward_beta: float,
    inverse_reverse_beta: float,
    inverse_early_v: float,
) -> tuple[float, float, float, float, float, float]:
    """NPN in the transport form of Ebers and Moll, with the Early effect.

    Returns
    -------
    base current, its slopes in vbe and vbc, collector current, its slopes in vbe and vbc
    """
    forward = saturation_a * exponential(vbe * per_v)
    reverse = saturation_a * exponential(vbc * per_v)
    i_f = forward - saturation_a
    i_r = reverse - saturation_a
    g_f = forward * per_v
    g_r = reverse * per_v
    early = 1.0 - vbc * inverse_early_v
    return (
        i_f * inverse_forward_beta + i_r * inverse_reverse_beta,
        g_f * inverse_forward_beta,
        g_r * inverse_reverse_beta,
        (i_f - i_r) * early - i_r * inverse_reverse_beta,
        g_f * early,
        -g_r * (early + inverse_reverse_beta) - (i_f - i_r) * inverse_early_v,
    )


def _limits(parameters: Mapping[str, float]) -> tuple[Limit, ...]:
    slope = 1.0 / parameters["per_v"]
    high = knee(parameters["saturation_a"], slope)
    return ((-math.inf, high, STEP_IN_EXPONENTS * slope, 1.0),) * 2


def _noise(at: Resting, _: float) -> list[NoiseSource]:
    """Shot noise of the base and the collector current."""
    shot = 2.0 * ELEMENTARY_CHARGE_C * np.abs(at.currents)
    return [NoiseSource("port", float(density), k) for k, density in enumerate(shot)]


def _swing(terminal: str, at: Resting, supply_v: float) -> tuple[float, float] | None:
    """Saturation below and cut-off above a collector, the other way round at an emitter."""
    if terminal == "collector":
        return at.volts["emitter"] + SATURATION_V, supply_v
    if terminal == "emitter":
        return 0.0, at.volts["collector"] - SATURATION_V
    return None


def _figures(at: Resting) -> dict[str, tuple[float, str]]:
    return {
        "Ic": (float(at.currents[1]), "A"),
        "Ib": (float(at.currents[0]), "A"),
        "Vce": (at.volts["collector"] - at.volts["emitter"], "V"),
        "gm": (float(at.slopes[1, 0]), "S"),
    }


TRANSISTOR = DeviceKind(
    name="transistor",
    law=transistor,
    parameters=(
        "saturation_a",
        "per_v",
        "inverse_forward_beta",
        "inverse_reverse_beta",
        "inverse_early_v",
    ),
    terminals=("collector", "base", "emitter"),
    controls=(("base", "emitter"), ("base", "collector")),
    injections=({"base": -1.0, "emitter": 1.0}, {"collector": -1.0, "emitter": 1.0}),
    limits=_limits,
    noise=_noise,
    varied=Varied("beta", {"inverse_forward_beta": -1.0}),
    swing=_swing,
    figures=_figures,
    library="transistors",
    symbol="npn",
)
