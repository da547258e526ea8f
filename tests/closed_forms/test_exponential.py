"""The kernel's exponential and the slopes of its device laws, interpreted and compiled.

Authorities: mpmath's exponential at 50 digits; the definition of the derivative by central
differences of the laws themselves; Shockley's equation and those of Gummel and Poon (Bell System
Technical Journal 49(5), 1970) written out, the latter with mpmath and its derivatives.
"""

import math

import mpmath
import numpy as np
import pytest
from circuit_oracle import gummel_poon
from example_circuits import NPN, OPAMP
from numba import njit

from vadist.circuits.network import Network
from vadist.devices.evaluate import currents_and_slopes
from vadist.devices.exponential import exponential
from vadist.devices.transistor import transistor
from vadist.parts import TransistorModel

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
            NPN.saturation_current_a, 0.5 / VT, 1.0 / NPN.forward_beta, 1.0 / NPN.reverse_beta,
            1.0 / NPN.early_voltage_v, NPN.emitter_leakage_a, 5e-12, 4.0 / NPN.knee_current_a,
        ),
        [[0.65, -3.0], [0.7, 0.6], [-1.0, 0.5], [0.66, 0.0], [0.0, -8.0], [0.85, -2.0]],
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
    """Currents of diodes against Shockley's law, of the op-amp against its limiter."""
    (i_f, s_f, i_r, s_r), _ = LAWS["diodes"]
    for v in (-0.7, 0.0, 0.3, 0.61):
        found = currents_and_slopes(["diodes"], [LAWS["diodes"][0]], np.array([v]))[0]
        wanted = i_f * math.expm1(v * s_f) - i_r * math.expm1(-v * s_r)
        assert found[0] == pytest.approx(wanted, rel=1e-13, abs=1e-23)
    largest, inverse, high, low, knee = LAWS["opamp"][0]
    for difference, out in LAWS["opamp"][1]:
        found = currents_and_slopes(["opamp"], [LAWS["opamp"][0]], np.array([difference, out]))[0][
            0
        ]
        limits = math.exp((out - high) * knee) - math.exp((low - out) * knee)
        wanted = largest * (math.tanh(difference * inverse) - limits)
        assert found == pytest.approx(wanted, rel=1e-12, abs=1e-16 * largest)
    assert OPAMP.slew_rate_v_per_s * 1e-9 == pytest.approx(largest)


FULL = TransistorModel(
    "all terms", 6e-15, 300.0, 1.1, 60.0, emitter_leakage_a=9e-12, collector_leakage_a=4e-12,
    knee_current_a=25e-3, base_resistance_ohm=0.0,
)  # fmt: skip
"""A transistor in which every term of the law counts."""

# Leakage rules at 0.35 V, the ideal current at 0.65 V, high injection at 0.9 V; saturated; reverse.
BIASES = [
    *[(0.35, -4.0), (0.65, -4.0), (0.9, -4.0), (0.7, 0.62), (0.75, 0.75), (-2.0, 0.6)],
    *[(0.62, 0.0), (0.0, -8.0), (-3.0, -3.0)],
]


def gummel_and_poon(vbe, vbc):
    """Ib and Ic of :data:`FULL` at mpmath's precision."""
    mp, vt = mpmath.mpf, mpmath.mpf(VT)
    i_f = mp(6e-15) * (mpmath.exp(vbe / vt) - 1)
    i_r = mp(6e-15) * (mpmath.exp(vbc / vt) - 1)
    back = i_r / mp(1.1) + mp(4e-12) * (mpmath.exp(vbc / (2 * vt)) - 1)
    base = i_f / 300 + mp(9e-12) * (mpmath.exp(vbe / (2 * vt)) - 1) + back
    qb = (1 + mpmath.sqrt(1 + 4 * i_f / mp(25e-3))) / 2 / (1 - vbc / 60)
    return base, (i_f - i_r) / qb - back


@pytest.mark.parametrize("bias", BIASES, ids=str)
def test_transistor_is_that_of_gummel_and_poon(bias):
    """Currents and slopes against mpmath at 40 digits, the law's and the oracle's.

    1e-12 of the largest current or slope that takes part: an exponential of 40 has an ulp of the
    argument, 7e-15, in it.
    """
    network = Network()
    network.transistor("q", "c", "b", "e", FULL)
    found = currents_and_slopes(["transistor"], [network.devices[0].parameters], np.array(bias))
    with mpmath.workdps(40):
        at = tuple(mpmath.mpf(v) for v in bias)
        currents = [float(i) for i in gummel_and_poon(*at)]
        slopes = [
            [
                float(mpmath.diff(lambda *v, k=k: gummel_and_poon(*v)[k], at, order))
                for order in ((1, 0), (0, 1))
            ]
            for k in (0, 1)
        ]
    oracle = gummel_poon(*bias, FULL)
    for k in (0, 1):
        scale = max(abs(i) for i in currents) + 6e-15
        assert found[0][k] == pytest.approx(currents[k], rel=1e-12, abs=1e-12 * scale)
        assert oracle[k][0] == pytest.approx(currents[k], rel=1e-12, abs=1e-12 * scale)
        steepest = max(abs(g) for row in slopes for g in row)
        assert found[1][k] == pytest.approx(slopes[k], rel=1e-12, abs=1e-12 * steepest)
        assert oracle[k][1:] == pytest.approx(slopes[k], rel=1e-12, abs=1e-12 * steepest)


def test_a_transistor_without_the_new_terms_is_that_of_ebers_and_moll():
    """Leakage none, knee infinite, Early voltage infinite: the transport form."""
    network = Network()
    network.transistor("q", "c", "b", "e", TransistorModel("plain", 1e-14, 200.0, 2.0))
    for vbe, vbc in BIASES:
        at = np.array([vbe, vbc])
        base, collector = currents_and_slopes(["transistor"], [network.devices[0].parameters], at)[
            0
        ]
        i_f, i_r = 1e-14 * math.expm1(vbe / VT), 1e-14 * math.expm1(vbc / VT)
        assert base == pytest.approx(i_f / 200.0 + i_r / 2.0, rel=1e-12, abs=1e-26)
        assert collector == pytest.approx(i_f - i_r - i_r / 2.0, rel=1e-12, abs=1e-26)


def test_a_transistor_stays_finite_at_any_volts():
    """A thousand volts either way, as Newton's method may try."""
    parameters = LAWS["transistor"][0]
    for vbe in (-1e3, -20.0, 0.0, 20.0, 1e3):
        for vbc in (-1e3, -20.0, 0.0, 20.0, 1e3):
            assert np.isfinite(transistor(vbe, vbc, *parameters)).all()


def test_base_resistance_stands_between_the_terminal_and_the_junctions():
    """Both junctions hang on the inner node; nothing else does."""
    network = Network(stage="boost")
    network.transistor("q", "c", "b", "e", NPN)
    (resistor,), (device,) = network.resistors, network.devices
    assert (resistor.a, resistor.b, resistor.value) == (
        "b",
        "boost.q.junction",
        NPN.base_resistance_ohm,
    )
    assert device.controls == ((resistor.b, "e"), (resistor.b, "c"))
    assert device.injections == ({resistor.b: -1.0, "e": 1.0}, {"c": -1.0, "e": 1.0})
