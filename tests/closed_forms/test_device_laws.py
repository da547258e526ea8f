"""The device laws: currents and slopes, about zero and in deviations from any point of rest.

Authorities: the definition of the derivative by central differences of the laws themselves;
Shockley's equation and those of Gummel and Poon (Bell System Technical Journal 49(5), 1970) written
out with mpmath and its derivatives; the square law and a breakdown's exponential in the same way
(see ``device_laws``).
"""

import itertools
import math
import types

import mpmath
import numpy as np
import pytest
from circuit_oracle import gummel_poon
from device_laws import square_law
from example_circuits import NPN, OPAMP

from vadist.circuits.network import Network
from vadist.devices import KINDS
from vadist.devices.evaluate import currents_and_slopes
from vadist.devices.exponential import exponential_less_one, exponential_less_one_single
from vadist.parts import TransistorModel

VT = 1.380649e-23 * 300.0 / 1.602176634e-19

EXPONENTIALS = {np.float64: exponential_less_one, np.float32: exponential_less_one_single}


def bound(name, rest, real):
    """A law that calls the exponential of a precision, and its constants about a point of rest."""
    kind = KINDS[name]
    around = {**kind.law.__globals__, "exponential_less_one": EXPONENTIALS[real]}
    law = types.FunctionType(kind.law.__code__, around)
    named = dict(zip(kind.parameters, LAWS[name][0], strict=True))
    return law, [real(c) for c in kind.at_rest(named, rest)]


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
    "opamp_on_rail": (
        (13e-3, 1.0 / 0.69, 1.5, 1.5, 1.0 / 0.05),
        [[0.0, -4.5, 4.5], [0.5, -1.6, 7.4], [-3.0, -7.0, 1.6], [0.1, -1.4, 7.0]],
    ),
    "jfet": (
        (3e-3 / 2.0**2, 2.0, 0.03, 2e-13, 1.0 / VT),
        [[-1.0, -7.0], [-0.5, -0.9], [-0.9, -0.5], [-3.0, -9.0], [0.6, 0.5], [-9.0, 0.55]],
    ),
    "mosfet": (
        (10e-3, 1.5, 0.02, 3e-14, 1.0 / VT),
        [[2.5, -6.0], [3.0, -0.4], [3.0, 0.3], [0.0, -5.0], [1.0, 0.6], [-4.0, 0.65]],
    ),
    "zener": (
        (4e-12, 1.0 / (1.3 * VT), 5e-3, 4.0, 1.0 / 0.2),
        [[0.7], [0.0], [-2.0], [-4.0], [-4.5]],
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
        # In cut-off a slope may be a rounding of what the leakage has without bias.
        steepest += 2.3e-16 / 1e-12 * 9e-12 / (2.0 * VT)
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


@pytest.mark.parametrize("real", [np.float64, np.float32], ids=["double", "single"])
@pytest.mark.parametrize("name", ["jfet", "mosfet", "transistor", "zener"])
def test_a_law_stays_finite_at_any_volts(name, real):
    """A thousand volts either way, as Newton's method may try."""
    for rest in RESTS[name]:
        law, constants = bound(name, rest, real)
        for volts in itertools.product((-1e3, -20.0, 0.0, 20.0, 1e3), repeat=len(rest)):
            assert np.isfinite(law(*map(real, volts), *constants)).all()


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


def written_out(name, volts):
    """Currents at mpmath's precision from the law as the textbook has it."""
    p = [mpmath.mpf(x) for x in LAWS[name][0]]
    v = [mpmath.mpf(x) for x in volts]
    if name == "diodes":
        return (p[0] * mpmath.expm1(v[0] * p[1]) - p[2] * mpmath.expm1(-v[0] * p[3]),)
    if name == "transistor":
        size, half, to_base, back_to_base, early, leak_e, leak_c, knee = p
        i_f, i_r = (size * mpmath.expm1(2 * half * x) for x in v)
        back = i_r * back_to_base + leak_c * mpmath.expm1(half * v[1])
        qb = (1 + mpmath.sqrt(1 + knee * i_f)) / 2 / (1 - v[1] * early)
        return i_f * to_base + leak_e * mpmath.expm1(half * v[0]) + back, (i_f - i_r) / qb - back
    if name == "zener":
        forward = p[0] * mpmath.expm1(v[0] * p[1])
        return (forward - p[2] * mpmath.exp(-p[3] * p[4]) * mpmath.expm1(-v[0] * p[4]),)
    if name == "jfet":
        channel = square_law(v[0], v[0] - v[1], p[0], -p[1], p[2])[0]
        source, drain = (p[3] * mpmath.expm1(x * p[4]) for x in v)
        return source + drain, channel - drain
    if name == "mosfet":
        channel = square_law(v[0], -v[1], p[0], p[1], p[2])[0]
        return (channel - p[3] * mpmath.expm1(v[1] * p[4]),)
    largest, per_v, high, low, knee = p
    above = v[1] + high if name == "opamp_on_rail" else v[1] - high
    limits = mpmath.exp(above * knee) - mpmath.exp((low - v[-1]) * knee)
    return (largest * (mpmath.tanh(v[0] * per_v) - limits),)


RESTS = {
    # Saturated, in the parabola and near its middle, reversed, pinched off, a gate that conducts.
    "jfet": [
        *[[-1.0, -7.0], [-0.5, -0.9], [-0.7, -0.7], [-0.9, -0.5], [-3.0, -9.0], [0.6, -4.0]],
        *[[0.5, 0.55], [-9.0, -0.3]],
    ],
    "mosfet": [
        *[[2.5, -6.0], [3.0, -0.4], [3.0, 0.0], [3.0, 0.3], [0.0, -5.0], [1.0, 0.6], [-4.0, 0.65]],
    ],
    "zener": [[0.7], [0.0], [-2.0], [-4.0], [-4.5]],
    "diodes": [[0.0], [0.6], [-0.5], [0.02], [-0.9], [0.9]],
    "transistor": [[0.65, -3.7], [0.7, 0.62], [-2.0, -6.0], [0.0, 0.0], [-4.5, 0.5], [0.8, -1.0]],
    "opamp": [[0.0, 4.5], [1e-5, 4.2], [0.4, 7.5], [-2.0, 1.3]],
    "opamp_on_rail": [[0.0, -4.5, 4.5], [1e-5, -4.9, 4.2], [0.4, -1.5, 7.5], [-2.0, -7.6, 1.3]],
}

GROWTHS_V = (1e-9, -1e-6, 3e-4, -0.02, 0.07, -0.4)


@pytest.mark.parametrize("real", [np.float64, np.float32], ids=["double", "single"])
@pytest.mark.parametrize("name", sorted(RESTS))
def test_growth_from_rest_keeps_its_digits(name, real):
    """What a law gives in deviations, against the difference of two currents at 60 digits.

    Errors are counted in roundings of the growth each control brings about (its steeper slope, at
    rest or there, times how far it moved), and of the slope. Below 1e-18 A, a picovolt over a
    megohm, there is nothing to tell.
    """
    eps = float(np.finfo(real).eps)
    worst = [0.0, 0.0]
    with mpmath.workdps(60):
        for rest in RESTS[name]:
            law, constants = bound(name, rest, real)
            ports, controls = KINDS[name].ports, len(rest)
            turns = [GROWTHS_V[k:] + GROWTHS_V[:k] for k in range(controls)]
            for grown in zip(*turns, strict=True):
                moved = [real(g) for g in grown]
                at = [
                    mpmath.mpf(r) + mpmath.mpf(float(g)) for r, g in zip(rest, moved, strict=True)
                ]
                found = np.reshape(np.array(law(*moved, *constants), dtype=real), (ports, -1))
                assert found.dtype == real
                before, after = written_out(name, rest), written_out(name, at)
                for a in range(ports):
                    slopes = [
                        [
                            float(mpmath.diff(lambda *v, a=a: written_out(name, v)[a], place, turn))
                            for turn in np.eye(controls, dtype=int).tolist()
                        ]
                        for place in (tuple(mpmath.mpf(r) for r in rest), tuple(at))
                    ]
                    steep = np.abs(slopes).max(axis=0)
                    scale = float(np.abs(steep * np.array(grown)).sum()) + 1e-18
                    off = abs(float(mpmath.mpf(float(found[a, 0])) - (after[a] - before[a])))
                    worst[0] = max(worst[0], off / scale / eps)
                    off = np.abs(found[a, 1:] - slopes[1]) / (np.abs(slopes).max() + 1e-18)
                    worst[1] = max(worst[1], float(off.max()) / eps)
    print(
        f"{name}, {real.__name__}: growths within {worst[0]:.1f}, slopes {worst[1]:.1f} roundings"
    )
    assert worst[0] < 10.0
    assert worst[1] < 10.0
