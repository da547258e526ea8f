"""e**x - 1 that vectorises: a polynomial and exponent bits, no library call; in two precisions.

Laws count from where a device rests, so what they need is e**x - 1, whose digits all stay when x
is small. A law calls it ``exponential_less_one``; the kernel binds that name to the precision it
steps in.
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

_F = np.float32
_LOG2_E_F, _LN2_HIGH_F, _LN2_LOW_F = _F(1.44269504), _F(0.693359375), _F(-2.12194440e-4)
# ln 2 split after nine bits, so that k * _LN2_HIGH_F is exact for every k that occurs.
_LARGEST_F = _F(86.0)
_SHIFT_F = _F(1.5 * 2.0**23 + 127.0)
_ONE_F = _F(1.0)
# Of the same function at five nodes: within 2.4e-8, half a unit of the last place.
_F2, _F3, _F4 = _F(0.5), _F(0.1666657703), _F(0.04166655466)
_F5, _F6 = _F(0.008363173075), _F(0.001392617612)
_BITS_F = np.int32(23)


@register_jitable
def exponential_less_one(x: float) -> float:
    """Return e**x - 1 with the argument held to +-700, within two units of the last place."""
    x = min(max(x, -_LARGEST), _LARGEST)
    shifted = x * _LOG2_E + _SHIFT
    k = shifted - _SHIFT
    r = x - k * _LN2_HIGH - k * _LN2_LOW
    s = r * r
    q = s * s
    low = (_C5 * r + _C4) * s + (_C3 * r + _C2)
    middle = (_C9 * r + _C8) * s + (_C7 * r + _C6)
    p = (((_C11 * r + _C10) * q + middle) * q + low) * s + r
    # The low bits of the shifted number are k + 1023; as an exponent they are 2**k.
    power = np.int64(np.float64(shifted).view(np.int64) << 52).view(np.float64)
    result: float = power * p + (power - 1.0)
    return result


@register_jitable
def exponential_less_one_single(x: np.float32) -> np.float32:
    """The same in single precision, with the argument held to +-86."""
    x = min(max(x, -_LARGEST_F), _LARGEST_F)
    shifted = x * _LOG2_E_F + _SHIFT_F
    k = shifted - _SHIFT_F
    r = x - k * _LN2_HIGH_F - k * _LN2_LOW_F
    p = ((((_F6 * r + _F5) * r + _F4) * r + _F3) * r + _F2) * r * r + r
    power = np.int32(np.float32(shifted).view(np.int32) << _BITS_F).view(np.float32)
    return power * p + (power - _ONE_F)


def knee(saturation_current_a: float, slope_v: float) -> float:
    """Junction voltage at which the curve turns steepest (n Vt ln(n Vt / (sqrt(2) Is)))."""
    return slope_v * math.log(slope_v / (math.sqrt(2.0) * saturation_current_a))


_LEAST_A = 1e-30


def counted_from_rest(scale_a: float, exponent: float) -> tuple[float, float, float]:
    """What ``scale e**(exponent + x) - scale e**exponent`` is as ``current (e**(shift + x) - 1)``.

    Parameters
    ----------
    scale_a, exponent : amperes, and where the exponent rests

    Returns
    -------
    current, shift, offset : amperes, exponent, amperes
        The growth is ``current * (e**(shift + x) - 1) + offset``. Near rest shift and offset are
        zero and no digit is lost; deep in cut-off, where ``current`` would be too small a number,
        it is counted from where it is still a current, 1e-30 A.
    """
    if scale_a == 0.0:
        return 0.0, 0.0, 0.0
    reference = max(exponent, min(0.0, math.log(_LEAST_A / scale_a)))
    current = scale_a * math.exp(min(reference, _LARGEST))
    shift = exponent - reference
    return current, shift, -current * math.expm1(shift)
