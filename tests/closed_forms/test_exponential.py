"""The kernel's e**x - 1, interpreted and compiled, in both precisions.

Authority: mpmath's expm1 at 50 digits.
"""

import math

import mpmath
import numpy as np
import pytest
from numba import njit

from vadist.devices.exponential import exponential_less_one, exponential_less_one_single

_OPTIONS = {"error_model": "numpy", "fastmath": {"contract", "nsz", "arcp"}}


@njit(**_OPTIONS)
def compiled_double(points):
    """As generated kernels compile it."""
    out = np.empty_like(points)
    for k in range(len(points)):
        out[k] = exponential_less_one(points[k])
    return out


@njit(**_OPTIONS)
def compiled_single(points):
    """As generated kernels compile it."""
    out = np.empty_like(points)
    for k in range(len(points)):
        out[k] = exponential_less_one_single(points[k])
    return out


PRECISIONS = {
    "double": (np.float64, 700.0, exponential_less_one, compiled_double),
    "single": (np.float32, 86.0, exponential_less_one_single, compiled_single),
}


@pytest.mark.parametrize("name", PRECISIONS)
def test_within_two_ulp(name):
    """Over all arguments, about zero down to 1e-30, and at the seams of the reduction."""
    real, largest, plain, compiled = PRECISIONS[name]
    rng = np.random.default_rng(1)
    seams = (np.arange(-1009, 1010, 6) + 0.5) * math.log(2.0)
    near = 10.0 ** rng.uniform(-30.0, 0.0, 500) * rng.choice([-1.0, 1.0], 500)
    points = np.concatenate(
        [rng.uniform(-largest, largest, 1500), rng.normal(0.0, 1.0, 500), near, seams, np.nextafter(
            seams, np.inf), [0.0, -largest, largest]]
    ).astype(real)  # fmt: skip
    points = points[np.abs(points) <= largest]
    with mpmath.workdps(50):
        exact = [mpmath.expm1(mpmath.mpf(float(x))) for x in points]
    for how, values in {"python": [plain(x) for x in points], "compiled": compiled(points)}.items():
        worst = max(
            float(abs(e - mpmath.mpf(float(v)))) / float(np.spacing(real(abs(float(e)))))
            for e, v in zip(exact, values, strict=True)
        )
        print(f"{name}, {how}: within {worst:.3f} ulp at {len(points)} points")
        assert worst < 2.0


@pytest.mark.parametrize("name", PRECISIONS)
def test_the_argument_is_held(name):
    """Beyond its range it stays finite and above -1, and it is zero at zero."""
    real, largest, plain, _ = PRECISIONS[name]
    assert plain(real(1e9)) == plain(real(largest)) < math.inf
    assert plain(real(-1e9)) == plain(real(-largest)) >= -1.0
    assert plain(real(0.0)) == 0.0
