"""The exponential that vectorises: a polynomial and exponent bits, no library call."""

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


def knee(saturation_current_a: float, slope_v: float) -> float:
    """Junction voltage at which the curve turns steepest (n Vt ln(n Vt / (sqrt(2) Is)))."""
    return slope_v * math.log(slope_v / (math.sqrt(2.0) * saturation_current_a))
