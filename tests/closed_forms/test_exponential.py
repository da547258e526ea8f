"""The kernel's exponential and the slopes of its device laws, interpreted and compiled.

Authorities: mpmath's exponential at 50 digits; the definition of the derivative by central
differences of the laws themselves; Shockley's and Ebers and Moll's equations written out.
"""

import math

import mpmath
import numpy as np
import pytest
from example_circuits import NPN, OPAMP
from numba import njit

from vadist.devices.evaluate import currents_and_slopes
from vadist.devices.exponential import exponential

VT = 1.380649e-23 * 300.0 / 1.602176634e-19


@njit(error_model="numpy", fastmath={"contract", "nsz", "arcp"})
def compiled_exponential(points):
    """The exponential as generated kernels compile it."""
    out = np.empty_like(points)
    for k in range(len(points)):
        out[k] = exponential(points[k])
    return out


def test_exponential_within_two_ulp():
    """4000 points over -700 to 700, the origin and the seams of the reduction among them."""
    rng = np.random.default_rng(1)
    half_steps = (np.arange(-1009, 1010, 6) + 0.5) * math.log(2.0)
    points = np.concatenate(
        [rng.uniform(-700, 700, 3000), rng.normal(0.0, 1.0, 500), half_steps, np.nextafter(
            half_steps, np.inf), [0.0, -700.0, 700.0, 1e-300, -1e-17]]
    )  # fmt: skip
    with mpmath.workdps(50):
        exact = [mpmath.exp(mpmath.mpf(float(x))) for x in points]
    found = {"python": [exponential(x) for x in points], "compiled": compiled_exponential(points)}
    for name, values in found.items():
        worst = max(
            float(abs(e - mpmath.mpf(float(v)))) / math.ulp(float(e))
            for e, v in zip(exact, values, strict=True)
        )
        print(f"exponential, {name}: within {worst:.3f} ulp at {len(points)} points")
        assert worst < 2.0


def test_exponential_holds_its_argument():
    """Beyond +-700 it stays at e**+-700, finite and positive."""
    assert exponential(1e9) == exponential(700.0) < math.inf
    assert exponential(-1e9) == exponential(-700.0) > 0.0


LAWS = {
    "diodes": (
        (2.52e-9, 1.0 / 45.3e-3, 4e-9, 1.0 / 60e-3),
        [[0.3], [0.61], [-0.7], [0.0], [-5.0]],
    ),
    "transistor": (
        (
            NPN.saturation_current_a, 1.0 / VT, 1.0 / NPN.forward_beta, 1.0 / NPN.reverse_beta,
            1.0 / NPN.early_voltage_v,
        ),
        [[0.65, -3.0], [0.7, 0.6], [-1.0, 0.5], [0.66, 0.0], [0.0, -8.0]],
    ),
    "opamp": (
        (13e-3, 1.0 / 0.69, 7.5, 1.5, 1.0 / 0.05),
        [[0.0, 4.5], [0.5, 7.4], [-3.0, 1.6], [0.1, 7.6], [-0.2, 1.4]],
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", sorted(LAWS))
def test_slopes_are_derivatives(kind):
    """Each slope against the five-point difference quotient of the law's own current."""
    parameters, points = LAWS[kind]
    worst = 0.0
    for point in points:
        v = np.array(point)
        _, slopes = currents_and_slopes([kind], [parameters], v)
        for k in range(len(v)):
            h = 1e-4 * np.eye(len(v))[k]
            at = [currents_and_slopes([kind], [parameters], v + m * h)[0] for m in (-2, -1, 1, 2)]
            quotient = (at[0] - 8 * at[1] + 8 * at[2] - at[3]) / (12 * 1e-4)
            # (h/Vt)^4/30 left out of the quotient, and rounding of the currents it divides by h.
            rounding = 1e-15 * np.abs(at).max(axis=0) / 1e-4
            off = np.abs(slopes[:, k] - quotient) / (np.abs(quotient) + rounding / 1e-9)
            worst = max(worst, float(off.max()))
    print(f"{kind}: slopes within {worst:.1e} of the difference quotients")
    assert worst < 1e-9


def test_laws_are_the_written_equations():
    """Currents against Shockley's law, the transport form, and the limiter, with math.exp."""
    (i_f, s_f, i_r, s_r), _ = LAWS["diodes"]
    for v in (-0.7, 0.0, 0.3, 0.61):
        found = currents_and_slopes(["diodes"], [LAWS["diodes"][0]], np.array([v]))[0]
        wanted = i_f * math.expm1(v * s_f) - i_r * math.expm1(-v * s_r)
        assert found[0] == pytest.approx(wanted, rel=1e-13, abs=1e-23)
    i_s, inverse, f, r, early = LAWS["transistor"][0]
    for be, bc in LAWS["transistor"][1]:
        base, collector = currents_and_slopes(
            ["transistor"], [LAWS["transistor"][0]], np.array([be, bc])
        )[0]
        forward, reverse = i_s * math.expm1(be * inverse), i_s * math.expm1(bc * inverse)
        assert base == pytest.approx(forward * f + reverse * r, rel=1e-12, abs=1e-26)
        transport = (forward - reverse) * (1.0 - bc * early)
        assert collector == pytest.approx(transport - reverse * r, rel=1e-12, abs=1e-26)
    largest, inverse, high, low, knee = LAWS["opamp"][0]
    for difference, out in LAWS["opamp"][1]:
        found = currents_and_slopes(["opamp"], [LAWS["opamp"][0]], np.array([difference, out]))[0][
            0
        ]
        limits = math.exp((out - high) * knee) - math.exp((low - out) * knee)
        wanted = largest * (math.tanh(difference * inverse) - limits)
        assert found == pytest.approx(wanted, rel=1e-12, abs=1e-16 * largest)
    assert OPAMP.slew_rate_v_per_s * 1e-9 == pytest.approx(largest)
