"""Device laws: scalars in, currents and slopes out.

The only copy of the physics of the devices. As plain Python they serve the operating point and
the small-signal analysis; inside generated kernels numba inlines them into loops over lanes, where
they turn into vector instructions: no branches, no arrays, no library calls (a square root is an
instruction).
"""

import math

import numpy as np
from numba.extending import register_jitable

_LOG2_E = 1.4426950408889634
# ln 2 split so that k * _LN2_HIGH is exact for |k| < 2**20 (Cody and Waite's reduction).
_LN2_HIGH = 6.93147180369123816490e-01
_LN2_LOW = 1.90821492927058770002e-10
_LARGEST = 700.0
# Adding this rounds to a whole number and leaves it, 1023 more, in the lowest bits.
_SHIFT = 1.5 * 2.0**52 + 1023.0
# (e**r - 1 - r) / r**2 interpolated at the ten Chebyshev nodes of |r| <= ln(2)/2, worked out with
# mpmath at 60 digits: e**r within 1.6e-17 of itself, where Taylor's series takes two terms more.
_C2, _C3, _C4 = 0.5000000000000001, 0.16666666666666669, 0.04166666666662413
_C5, _C6, _C7 = 0.008333333333330062, 0.0013888888917213717, 0.00019841269863053618
_C8, _C9 = 2.4801521295954376e-05, 2.7557268459997064e-06
_C10, _C11 = 2.7620088445409746e-07, 2.510038549551032e-08


@register_jitable
def exponential(x: float, largest: float = _LARGEST) -> float:
    """Return e**x with the argument held to +-700 or less, by polynomial and exponent bits."""
    x = min(max(x, -largest), largest)
    shifted = x * _LOG2_E + _SHIFT
    k = shifted - _SHIFT
    r = x - k * _LN2_HIGH - k * _LN2_LOW
    s = r * r
    q = s * s
    low = (_C5 * r + _C4) * s + (_C3 * r + _C2)
    middle = (_C9 * r + _C8) * s + (_C7 * r + _C6)
    p = (((_C11 * r + _C10) * q + middle) * q + low) * s + r + 1.0
    # The low bits of the shifted number are k + 1023; as an exponent they are 2**k.
    result: float = p * np.int64(np.float64(shifted).view(np.int64) << 52).view(np.float64)
    return result


@register_jitable(inline="always")
def diodes(
    v: float, forward_a: float, forward_per_v: float, reverse_a: float, reverse_per_v: float
) -> tuple[float, float]:
    """Antiparallel diode strings (Shockley): current and slope.

    Parameters
    ----------
    v : volts across the pair
    forward_a, forward_per_v : saturation current and 1/(n Vt) of the string that conducts for v > 0
    reverse_a, reverse_per_v : the same for v < 0
    """
    forward = exponential(v * forward_per_v)
    reverse = exponential(-v * reverse_per_v)
    current = forward_a * (forward - 1.0) - reverse_a * (reverse - 1.0)
    return current, forward_a * forward_per_v * forward + reverse_a * reverse_per_v * reverse


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
    root_f = exponential(vbe * half_per_v, 0.5 * _LARGEST)
    root_r = exponential(vbc * half_per_v, 0.5 * _LARGEST)
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
