"""Device laws: scalars in, currents and slopes out.

The only copy of the physics of the devices. As plain Python they serve the operating point and
the small-signal analysis; inside generated kernels numba inlines them into loops over lanes, where
they turn into vector instructions: no branches, no arrays, no library calls.
"""

import numpy as np
from numba.extending import register_jitable

_LOG2_E = 1.4426950408889634
# ln 2 split so that k * _LN2_HIGH is exact for |k| < 2**20 (Cody and Waite's reduction).
_LN2_HIGH = 6.93147180369123816490e-01
_LN2_LOW = 1.90821492927058770002e-10
_LARGEST = 700.0
# Adding this rounds to a whole number and leaves it, 1023 more, in the lowest bits.
_SHIFT = 1.5 * 2.0**52 + 1023.0
# Taylor coefficients 1/k!: on |r| <= ln(2)/2 the first one left out is below 3e-17 of the result.
_T = tuple(1.0 / float(np.prod(np.arange(1.0, k + 1.0))) for k in range(14))
_T2, _T3, _T4, _T5, _T6, _T7, _T8, _T9, _T10, _T11, _T12, _T13 = _T[2:14]


@register_jitable
def exponential(x: float) -> float:
    """Return e**x with the argument held to +-700, by polynomial and exponent bits."""
    x = min(max(x, -_LARGEST), _LARGEST)
    shifted = x * _LOG2_E + _SHIFT
    k = shifted - _SHIFT
    r = x - k * _LN2_HIGH - k * _LN2_LOW
    s = r * r
    q = s * s
    low = (_T5 * r + _T4) * s + (_T3 * r + _T2)
    middle = (_T9 * r + _T8) * s + (_T7 * r + _T6)
    high = (_T13 * r + _T12) * s + (_T11 * r + _T10)
    p = ((high * q + middle) * q + low) * s + r + 1.0
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
