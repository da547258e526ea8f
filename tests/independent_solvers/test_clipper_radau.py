"""The clipper's equation against an implicit Runge-Kutta integrator of a general-purpose library.

Authority: scipy's Radau IIA (order 5) on dV/dt = (Vi - V)/(R C) - (2 Is/C) sinh(V/Vt), the
published test circuit of Yeh, Abel, Vladimirescu and Smith, Computer Music Journal 32(2), 2008.
Samples are compared at the oversampled rate itself, so no resampling filter enters.
"""

from functools import cache

import numpy as np
import pytest
from example_circuits import (
    PUBLISHED_C_F,
    PUBLISHED_IS_A,
    PUBLISHED_R_OHM,
    PUBLISHED_VT_V,
    alone,
    published_clipper,
)
from scipy.integrate import solve_ivp
from signals import energy_ratio_db, fade

R, C, IS, VT = PUBLISHED_R_OHM, PUBLISHED_C_F, PUBLISHED_IS_A, PUBLISHED_VT_V
SECONDS = 7e-3
BASE_HZ = 8 * 48e3


def drive(t):
    """220 Hz and 1 kHz, 1 V peak together at most; begun smoothly, for a corner has all rates."""
    return fade(t) * (0.6 * np.sin(2 * np.pi * 220.0 * t) + 0.4 * np.sin(2 * np.pi * 1000.0 * t))


@cache
def reference(peak_v: float) -> np.ndarray:
    """Radau's solution at 8 x 48 kHz."""
    t = np.arange(round(SECONDS * BASE_HZ)) / BASE_HZ

    def rate(time, v):
        return (peak_v * drive(time) - v) / (R * C) - 2 * IS / C * np.sinh(v / VT)

    def slope(time, v):
        return np.array([[-1 / (R * C) - 2 * IS / (C * VT) * np.cosh(v[0] / VT)]])

    solution = solve_ivp(
        rate, (0.0, t[-1]), [0.0], "Radau", t_eval=t, rtol=1e-10, atol=1e-12, jac=slope,
        max_step=2e-6,
    )  # fmt: skip
    assert solution.success
    return solution.y[0]


def error_db(peak_v: float, oversample: int) -> float:
    """Error-to-signal ratio of the stepped clipper at the samples of 8x."""
    rate = oversample * 48e3
    t = np.arange(round(SECONDS * rate)) / rate
    out = alone(published_clipper()).discretize(rate).process(peak_v * drive(t)) - 4.5
    wanted = reference(peak_v)
    return energy_ratio_db(out[:: oversample // 8] - wanted, wanted)


@pytest.mark.parametrize(
    ("peak_v", "oversample", "bound_db"),
    [(1.0, 8, -130.0), (4.5, 8, -100.0), (10.0, 8, -85.0), (10.0, 16, -103.0)],
)
def test_clipper_against_radau(peak_v, oversample, bound_db):
    """Error-to-signal ratio at one step a sample of 8 x 48 kHz, from gentle to hard drive.

    A render steps diodes twice a sample, which is the row of 16x.
    """
    found = error_db(peak_v, oversample)
    print(f"{peak_v:g} V: {found:.2f} dB against Radau at {oversample}x")
    assert found < bound_db


@pytest.mark.parametrize("peak_v", [1.0, 4.5, 10.0])
def test_convergence_is_of_third_order(peak_v):
    """Each doubling from 8x to 64x takes off 18.06 dB: the parabola through the currents."""
    errors = np.array([error_db(peak_v, k) for k in (8, 16, 32, 64)])
    orders = -np.diff(errors) / (20.0 * np.log10(2.0))
    print(f"{peak_v:g} V: {errors.round(2)} dB at 8, 16, 32, 64x; orders {orders.round(3)}")
    assert np.abs(orders - 3.0).max() < 0.1


def test_convergence_is_of_fourth_order_where_diodes_hardly_conduct():
    """50 mV leaves the cubic through the input: -179 dB at 8x."""
    errors = np.array([error_db(0.05, k) for k in (8, 16)])
    order = (errors[0] - errors[1]) / (20.0 * np.log10(2.0))
    print(f"{errors.round(2)} dB at 8 and 16x; order {order:.3f}")
    assert abs(order - 4.0) < 0.1
