"""Authorities: closed forms of the device laws, written here, and the GUM.

Shockley's diode and the parabola of a field-effect transistor can be solved for their values by
hand; a transistor's readings are made with Gummel and Poon's equations of ``circuit_oracle``.
Uncertainties: JCGM 100:2008 (5.1.2, 5.2.2) by hand where two readings make it short, else JCGM
101:2008, a thousand meters drawn at random.
"""

import dataclasses
import math

import numpy as np
import pytest
from circuit_oracle import VT, gummel_poon
from scipy.optimize import brentq

from vadist.parts import TransistorModel
from vadist.parts.measured import measure
from vadist.parts.readings import Readings, parse_readings

Z = 1.959963984540054  # 0.95 of a normal distribution, two-sided


def near(value, rel=1e-6):
    """Within a ratio alone: saturation currents lie far under pytest's absolute tolerance."""
    return pytest.approx(value, rel=rel, abs=0.0)


def typed(kind: str, pairs: list[tuple[float, float]], at: str = "A", shown: str = "V") -> str:
    """Readings of so many digits that rounding does not matter."""
    return f"{kind} " + " ".join(f"{a:.9e}{at}={b:.9e}{shown}" for a, b in pairs)


def spread(found) -> float:
    """Half the width of an interval of a value known by a factor, as a logarithm."""
    assert found.value == near(math.sqrt(found.low * found.high), rel=1e-9)
    return math.log(found.high / found.low) / 2.0


@pytest.mark.parametrize(
    ("kind", "size", "n", "ohms"),
    [("diode", 4e-9, 1.9, 0.8), ("schottky", 2e-7, 1.05, 4.0), ("led", 3e-19, 2.1, 12.0),
     ("germanium", 1.5e-6, 1.4, 30.0)],
)  # fmt: skip
def test_a_diode_is_recovered(kind: str, size: float, n: float, ohms: float) -> None:
    """V = n Vt ln(1 + I/Is) + I Rs at five currents gives back what it was made with."""
    currents = 1e-5 * 10.0 ** np.arange(0.0, 3.6, 0.7)
    pairs = [(i, n * VT * math.log1p(i / size) + i * ohms) for i in currents]
    found = measure(parse_readings(typed(kind, pairs)), 1e-6).found
    print(kind, {k: f"{f.value:.6g}" for k, f in found.items()})
    assert found["saturation_current"].value == near(size, rel=1e-4)
    assert found["emission_coefficient"].value == near(n, rel=1e-5)
    assert found["series_resistance"].value == near(ohms, rel=1e-4)


def test_a_diode_without_series_resistance_has_none() -> None:
    pairs = [(i, 1.8 * VT * math.log1p(i / 2e-9)) for i in (1e-4, 1e-3, 1e-2)]
    part = measure(parse_readings(typed("diode", pairs)), 1e-3)
    assert part.found["series_resistance"].value == 0.0
    assert "series_resistance" not in part.inline


def test_two_readings_of_a_diode_by_hand() -> None:
    """Far above Is: n = (V2 - V1)/(Vt ln(I2/I1)), Is = I1 exp(-V1/(n Vt))."""
    found = measure(parse_readings("diode 0.2mA=0.5310V 5mA=0.6870V")).found
    n = (0.687 - 0.531) / (VT * math.log(25.0))
    # Is is 2e-5 of the lower current.
    assert found["emission_coefficient"].value == near(n, rel=2e-5)
    assert found["saturation_current"].value == near(2e-4 * math.exp(-0.531 / (n * VT)), rel=1e-4)


def test_a_meters_gain_is_common_to_its_readings() -> None:
    """By hand: volts all times g make n times g, and amperes all times h leave n alone.

    So n is known to a/sqrt(3) of itself, however close together its readings lie; of Is, ln Is =
    ln I1 - V1/(n Vt), where g cancels and h moves Is alone, by itself.
    """
    part = measure(parse_readings(typed("diode", [(1e-4, 0.52), (1e-3, 0.61)])), 0.02)
    found = part.found
    assert spread(found["emission_coefficient"]) == near(Z * 0.02 / math.sqrt(3), rel=1e-3)
    assert spread(found["saturation_current"]) == near(Z * 0.02 / math.sqrt(3), rel=1e-3)
    # The curve at a reading: g moves it as V does, h by n Vt.
    n = found["emission_coefficient"].value
    known = Z * 0.02 / math.sqrt(3) * math.hypot(0.52, n * VT)
    assert part.fitted.known_to[0] == near(known, rel=1e-3)


def test_the_last_digit_is_each_readings_own() -> None:
    """By hand: u(n) = sqrt(2) s/sqrt(12)/(Vt ln(I2/I1)) for a last digit s."""
    found = measure(parse_readings("diode 0.1mA=0.52V 1mA=0.61V"), 0.0).found
    n = found["emission_coefficient"].value
    by_hand = Z * math.sqrt(2.0) * 0.01 / math.sqrt(12.0) / (VT * math.log(10.0)) / n
    assert spread(found["emission_coefficient"]) == near(by_hand, rel=1e-3)


def test_volts_and_gains_are_read_by_scales_of_their_own() -> None:
    """By hand: Ise = sqrt(Is) (1/h1 - 1/h2)/(I1^-1/2 - I2^-1/2), and Is = I exp(-V/Vt).

    So a gain scale g moves ln Ise by -g, the volts' by V/(2 Vt), and amperes by themselves.
    """
    accuracy, volts = 1e-3, 0.62
    text = f"npn 1e-4A=1.700000000e2 1e-3A=2.200000000e2 1e-3A={volts:.9f}V"
    found = measure(parse_readings(text), accuracy).found["emitter_leakage"]
    size = math.sqrt(1e-3 * math.exp(-volts / VT))
    assert found.value == near(size * (1 / 170 - 1 / 220) / (1e2 - 10.0**1.5), 1e-4)
    by_hand = accuracy / math.sqrt(3.0) * math.sqrt(1.0 + (volts / (2.0 * VT)) ** 2 + 1.0)
    assert (found.high - found.low) / 2.0 / found.value == near(Z * by_hand, 1e-3)


def test_scatter_beyond_the_meter_widens_the_intervals() -> None:
    """Readings that no diode gives: the intervals grow by the root of what is left over."""
    text = "diode 0.1mA=0.520V 0.3mA=0.568V 1mA=0.600V 3mA=0.668V 10mA=0.700V"
    part = measure(parse_readings(text), 0.0)
    left = part.fitted.predicted - np.array([r.shown for r in part.readings])
    alone = math.sqrt(left @ left / 3.0) / (0.001 / math.sqrt(12.0))
    assert part.found["series_resistance"].value == 0.0
    assert part.fitted.unexplained == near(alone, rel=1e-3)
    assert alone > 10.0
    volts = [VT * math.log(r.at) for r in part.readings]
    by_hand = Z * math.sqrt(left @ left / 3.0) / (np.std(volts) * math.sqrt(5.0))
    n = part.found["emission_coefficient"].value
    assert spread(part.found["emission_coefficient"]) == near(by_hand / n, rel=2e-3)


def test_a_zener_diode_by_hand() -> None:
    """Vz and knee from two readings, forward n and Is from two."""
    text = "zener 1mA=4.820V 5mA=5.100V forward 1mA=0.655V 10mA=0.770V"
    found = measure(parse_readings(text)).found
    assert found["breakdown"].value == near(5.1, rel=1e-6)
    assert found["knee"].value == near((5.1 - 4.82) / math.log(5.0), rel=1e-6)
    assert found["emission_coefficient"].value == near(
        (0.770 - 0.655) / (VT * math.log(10.0)), rel=1e-4
    )


def test_a_zener_diodes_series_resistance_stands_apart_from_its_knee() -> None:
    def volts(i: float) -> float:
        return 6.2 + 0.03 * math.log(i / 5e-3) + 9.0 * i

    text = typed("zener", [(i, volts(i)) for i in (5e-4, 1e-3, 5e-3, 2e-2)])
    found = measure(parse_readings(text), 1e-5).found
    assert found["breakdown"].value == near(6.2, rel=1e-5)
    assert found["knee"].value == near(0.03, rel=1e-3)
    assert found["series_resistance"].value == near(9.0, rel=1e-3)


MODEL = TransistorModel(
    "made", 3e-14, 260.0, 2.0, emitter_leakage_a=1.5e-12, knee_current_a=0.08
)  # fmt: skip


def transistor_readings(model: TransistorModel, currents: list[float]) -> str:
    """Gains, and VBE at the first current, by Gummel and Poon's equations at VCE 5 V."""
    words = []
    for current in currents:
        vbe = brentq(lambda v, i=current: gummel_poon(v, v - 5.0, model)[1][0] - i, 0.05, 1.0,
                     xtol=1e-15)  # fmt: skip
        base = gummel_poon(vbe, vbe - 5.0, model)[0][0]
        words.append(f"{current:.9e}A={current / base:.9e}")
        if current == currents[0]:
            words.append(f"{current:.9e}A={vbe:.9e}V")
    return " ".join(words)


@pytest.mark.parametrize("kind", ["npn", "pnp"])
def test_a_transistor_is_recovered(kind: str) -> None:
    """Its collector blocks, so that Br and the rest do not matter: 1e-4."""
    text = f"{kind} {transistor_readings(MODEL, [1e-5, 3e-4, 5e-3, 3e-2])}"
    part = measure(parse_readings(text), 1e-6)
    for key in ("saturation_current", "forward_beta", "emitter_leakage", "knee_current"):
        held = next(getattr(MODEL, f.name) for f in dataclasses.fields(MODEL)
                    if f.name.removesuffix("_a") == key)  # fmt: skip
        print(key, part.found[key].value, held)
        assert part.found[key].value == near(held, rel=1e-4)
    assert part.held.keys() == {"reverse_beta"}
    assert ('polarity = "pnp"' in part.inline) is (kind == "pnp")


@pytest.mark.parametrize("kind", ["germanium-npn", "germanium-pnp"])
def test_a_germanium_transistor_is_recovered_with_its_leakage(kind: str) -> None:
    """What leaks is a third of the base current that the gain was read with."""
    made = dataclasses.replace(
        MODEL, saturation_current_a=7e-7, forward_beta=130.0, reverse_beta=10.0,
        emitter_leakage_a=0.0, collector_leakage_a=2.2e-6, knee_current_a=math.inf,
    )  # fmt: skip

    def emitter(vbe: float) -> float:
        return gummel_poon(vbe, -9.0, made)[0][0] + gummel_poon(vbe, -9.0, made)[1][0]

    open_v = brentq(emitter, -1.0, 0.3, xtol=1e-15)
    leak = gummel_poon(open_v, -9.0, made)[1][0]
    text = f"{kind} {transistor_readings(made, [1e-3])} leakage 9V={leak:.9e}A"
    part = measure(parse_readings(text), 1e-6)
    print({k: f.value for k, f in part.found.items()})
    assert part.found["forward_beta"].value == near(130.0, 1e-5)
    assert part.found["saturation_current"].value == near(7e-7, 1e-5)
    assert part.found["collector_leakage"].value == near(2.2e-6, 1e-5)
    assert part.held["reverse_beta"][0] == 10.0


def test_leakage_is_known_as_well_as_it_was_read() -> None:
    text = "germanium-npn 1mA=155 1mA=0.188V leakage 9V=2.1uA"
    found = measure(parse_readings(text), 0.02).found["collector_leakage"]
    by_hand = Z * math.hypot(0.1e-6 / math.sqrt(12.0), 0.02 * 2.1e-6 / math.sqrt(3.0))
    assert (found.high - found.low) / 2.0 == near(by_hand, 1e-9)


def test_one_gain_is_the_gain() -> None:
    part = measure(parse_readings("npn 1mA=266"))
    assert part.found["forward_beta"].value == near(266.0)
    assert part.held.keys() == {"reverse_beta", "saturation_current"}


@pytest.mark.parametrize(("kind", "sign"), [("njfet", -1.0), ("pjfet", 1.0)])
def test_a_jfet_by_hand(kind: str, sign: float) -> None:
    """sqrt(Id) is a straight line in Vgs: IDSS at nothing, pinch-off where it ends."""
    idss, pinch = 4.2e-3, 2.6
    pairs = [(sign * v, idss * (1.0 - v / pinch) ** 2) for v in (0.2, 1.1, 1.9)]
    part = measure(parse_readings(typed(kind, pairs, "V", "A")), 1e-5)
    assert part.found["idss"].value == near(idss, rel=1e-5)
    assert part.found["pinch_off"].value == near(pinch, rel=1e-5)
    assert f'polarity = "{kind[0]}"' in part.inline


def test_a_mosfet_by_hand() -> None:
    pairs = [(v, 0.06 / 2.0 * (v - 1.8) ** 2) for v in (1.95, 2.2, 2.6)]
    found = measure(parse_readings(typed("nmosfet", pairs, "V", "A")), 1e-5).found
    assert found["threshold"].value == near(1.8, rel=1e-5)
    assert found["transconductance"].value == near(0.06, rel=1e-4)


@pytest.mark.parametrize(
    "text",
    [
        "diode 0.1mA=0.465V 1mA=0.582V 10mA=0.714V 30mA=0.796V",
        "njfet 0V=3.10mA -0.5V=1.74mA -1V=0.775mA -1.5V=0.194mA",
        "npn 0.1mA=221 1mA=266 1mA=0.634V",
        "nmosfet 2V=1.20mA 2.2V=4.80mA 2.4V=10.8mA",
    ],
)
def test_uncertainty_is_that_of_meters_drawn_at_random(text: str) -> None:
    """JCGM 101: gains of 1 % either way and last digits drawn, every board fitted anew.

    The standard deviation of 250 draws is itself known to 4.5 %; 15 % is three of that.
    """
    rng, accuracy = np.random.default_rng(5), 0.01
    part = measure(parse_readings(text), accuracy)
    names = [k for k, f in part.found.items() if f.value and k != "series_resistance"]
    truth = {r.text: float(p) for r, p in zip(part.readings, part.fitted.predicted, strict=True)}
    drawn = []
    for _ in range(250):
        gain = {u: 1.0 + accuracy * rng.uniform(-1.0, 1.0) for u in ("set", "A", "V", "")}
        pairs = []
        for r in parse_readings(text).pairs:
            # The meter shows r.at when the current is r.at over its gain: the curve moves so far.
            up = slope(part, r) * (1.0 / gain["set"] - 1.0)
            shown = (truth[r.text] + up) * gain[r.unit] + r.step * rng.uniform(-0.5, 0.5)
            pairs.append(dataclasses.replace(r, shown=shown))
        again = measure(Readings(parse_readings(text).kind, tuple(pairs)), accuracy)
        drawn.append([math.log(again.found[k].value) for k in names])
    spreads = np.std(drawn, axis=0)
    stated = [
        (f.high - f.low) / 2.0 / f.value / Z if k == "emitter_leakage" else spread(f) / Z
        for k, f in part.found.items()
        if k in names
    ]
    print(text, dict(zip(names, np.round(spreads / stated, 3), strict=True)))
    assert spreads == near(stated, rel=0.15)


def slope(part, reading) -> float:
    """Change of a reading for a relative change of what is set, by the closed form."""
    value = {k: f.value for k, f in part.found.items()}
    if reading.unit == "V":
        n = value.get("emission_coefficient", 1.0)
        return n * VT + reading.at * value.get("series_resistance", 0.0)
    if reading.unit == "":
        shown = value["forward_beta"]
        leak = value["emitter_leakage"] / math.sqrt(value["saturation_current"] * reading.at)
        return leak / 2.0 / (1.0 / shown + leak) ** 2
    at = abs(reading.at)
    if "idss" in value:
        return -2.0 * value["idss"] * (1.0 - at / value["pinch_off"]) * at / value["pinch_off"]
    return value["transconductance"] * (at - value["threshold"]) * at
