"""What temperature moves: saturation currents, gains, thresholds, thermal voltage and noise.

Authority: the temperature equations of SPICE2 (L. W. Nagel, memorandum UCB/ERL M520, 1975; A.
Vladimirescu, The SPICE Book, 1994; both from memory, not located), written here in mpmath, and what
follows from them on paper.
"""

import dataclasses
import math

import mpmath
import numpy as np
import pytest
from example_devices import CIRCUITS

from vadist import load_design
from vadist.analysis.chain_response import solve_design
from vadist.analysis.noise import find_noise
from vadist.circuits.network import GROUND, SUPPLY, DiodeString, Network
from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Ambient, Design, Source
from vadist.designs.files import write_design
from vadist.designs.settings import apply_settings
from vadist.designs.toml import parse_design
from vadist.errors import DesignError
from vadist.parts import (
    DIODES,
    JfetModel,
    MosfetModel,
    TransistorModel,
    ZenerModel,
    find_diode,
    find_transistor,
)
from vadist.stages import CouplingHighPass

K, Q, T0 = 1.380649e-23, 1.602176634e-19, 300.0
CHILLED_K, HOT_K = 263.15, 333.15

GAP_V = {"silicon": 1.11, "germanium": 0.67, "schottky": 0.69}
EXPONENT = {"silicon": 3.0, "germanium": 3.0, "schottky": 2.0}


def published_ratio(kelvin, gap_v, exponent, n):
    """Is(T)/Is(T0) = (T/T0)^(XTI/n) exp((T/T0 - 1) q Eg/(n k T)), at 40 digits."""
    with mpmath.workdps(40):
        t = mpmath.mpf(kelvin) / mpmath.mpf(T0)
        power = t ** (mpmath.mpf(exponent) / mpmath.mpf(n))
        gap = mpmath.mpf(Q) * gap_v / (n * mpmath.mpf(K) * kelvin)
        return float(power * mpmath.exp((t - 1) * gap))


@pytest.mark.parametrize("kelvin", [CHILLED_K, 298.15, HOT_K])
@pytest.mark.parametrize("name", ["1N4148", "1N34A", "BAT41"])
def test_saturation_current_of_a_diode(name, kelvin):
    model = find_diode(name)
    wanted = published_ratio(
        kelvin, GAP_V[model.family], EXPONENT[model.family], model.emission_coefficient
    )
    found = model.at(kelvin).saturation_current_a / model.saturation_current_a
    assert found == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize("kelvin", [CHILLED_K, HOT_K])
@pytest.mark.parametrize("family", ["silicon", "germanium"])
def test_a_transistor(family, kelvin):
    """Is with n 1, the leakages with n 2 and over (T/T0)^XTB, the gains times that; XTB 1.5."""
    model = TransistorModel("t", 1e-14, 200.0, 2.0, 80.0, 1e-12, 2e-12, 0.1, family=family)
    warm, gain = model.at(kelvin), (kelvin / T0) ** 1.5
    ideal, leakage = (
        published_ratio(kelvin, GAP_V[family], EXPONENT[family], n) for n in (1.0, 2.0)
    )
    assert warm.saturation_current_a / 1e-14 == pytest.approx(ideal, rel=1e-12)
    assert warm.emitter_leakage_a / 1e-12 == pytest.approx(leakage / gain, rel=1e-12)
    assert warm.collector_leakage_a / 2e-12 == pytest.approx(leakage / gain, rel=1e-12)
    assert (warm.forward_beta, warm.reverse_beta) == pytest.approx((200.0 * gain, 2.0 * gain))
    assert (warm.early_voltage_v, warm.knee_current_a) == (80.0, 0.1)


def test_fets_and_zeners():
    """Mobility as T^-1.5, 2 mV a kelvin less to open a channel, junctions as silicon does.

    A JFET therefore has a current that does not move: 2 (-dVth/dT)/(Vgs - Vth) = 1.5/T, 0.8 V above
    pinch-off.
    """
    warmer, slower = HOT_K - T0, (HOT_K / T0) ** -1.5
    ratio = published_ratio(HOT_K, 1.11, 3.0, 1.0)
    jfet = JfetModel("j", 3e-3, 2.0, 0.01, 1e-14).at(HOT_K)
    assert jfet.pinch_off_v == pytest.approx(2.0 + 2e-3 * warmer)
    factor = jfet.idss_a / jfet.pinch_off_v**2
    assert factor == pytest.approx(3e-3 / 4.0 * slower, rel=1e-9)
    assert jfet.gate_saturation_current_a / 1e-14 == pytest.approx(ratio, rel=1e-12)
    mosfet = MosfetModel("m", 1.5, 20e-3, 0.01).at(HOT_K)
    assert mosfet.threshold_v == pytest.approx(1.5 - 2e-3 * warmer)
    assert mosfet.transconductance_a_v2 == pytest.approx(20e-3 * slower)
    assert mosfet.body_saturation_current_a / 1e-15 == pytest.approx(ratio, rel=1e-12)
    zener = ZenerModel("z", 1e-12, 1.5, 9.1, 5e-3, breakdown_per_k=6e-4).at(HOT_K)
    assert zener.breakdown_v == pytest.approx(9.1 * (1.0 + 6e-4 * warmer))
    silicon = published_ratio(HOT_K, 1.11, 3.0, 1.5)
    assert zener.saturation_current_a / 1e-12 == pytest.approx(silicon, rel=1e-12)

    def drain_a(kelvin, over_v):
        moved = JfetModel("j", 3e-3, 2.0).at(kelvin)
        return moved.idss_a * ((over_v + moved.pinch_off_v - 2.0) / moved.pinch_off_v) ** 2

    for over_v, sign in ((0.4, 1.0), (0.8, 0.0), (1.6, -1.0)):
        drift = (drain_a(300.01, over_v) / drain_a(299.99, over_v) - 1.0) / 0.02
        assert drift == pytest.approx(2.0 * 2e-3 / over_v - 1.5 / T0, rel=1e-3, abs=1e-6)
        assert abs(drift) < 1e-6 if sign == 0.0 else math.copysign(1.0, drift) == sign


def forward_v(name, kelvin, ampere):
    """Junction volts that an equation of the whole circuit gives for a current."""
    model = dataclasses.replace(find_diode(name), series_resistance_ohm=0.0)
    network = Network(supply_v=1000.0, temperature_k=kelvin)
    network.resistor("r", SUPPLY, "a", 1000.0 / ampere)
    network.diodes("d", "a", GROUND, DiodeString(model), None)
    return solve_network(network).node_v["a"]


@pytest.mark.parametrize(
    ("name", "family"), [("1N4148", "silicon"), ("1N34A", "germanium"), ("BAT41", "schottky")]
)
def test_forward_volts_fall_by_what_follows_from_the_equations(name, family):
    """dV/dT = (V - Eg - XTI kT/q)/T at constant current, whatever n: -2.0 mV/K of silicon."""
    at = {k: forward_v(name, k, 1e-3) for k in (T0 - 0.5, T0, T0 + 0.5)}
    found = at[T0 + 0.5] - at[T0 - 0.5]
    # Of Is (exp(V/nVt) - 1) the 1 counts where Is is a thousandth of the current.
    share = 1e-3 / (1e-3 + find_diode(name).saturation_current_a)
    wanted = (at[T0] - share * (GAP_V[family] + EXPONENT[family] * K * T0 / Q)) / T0
    print(f"{name}: {found * 1e3:.2f} mV/K at 1 mA")
    # The resistor's current follows the drop by a millionth; the law bends by 1e-3 of its slope.
    assert found == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("name", [n for n, d in DIODES.items() if d.family == "led"])
def test_leds_fall_by_two_millivolts_a_kelvin(name):
    """At 10 mA, whatever their colour (common practice, no published source)."""
    found = forward_v(name, T0 + 0.5, 10e-3) - forward_v(name, T0 - 0.5, 10e-3)
    assert found == pytest.approx(-2e-3, rel=5e-3)


def test_germanium_drifts_as_germanium_does():
    """Leakage grows 18-fold from 300 K to 60 degC, silicon's 98-fold: by the gap; computed."""
    germanium = published_ratio(HOT_K, 0.67, 3.0, 1.0)
    silicon = published_ratio(HOT_K, 1.11, 3.0, 1.0)
    assert germanium == pytest.approx(17.9, rel=0.02)
    assert silicon == pytest.approx(98.0, rel=0.02)


@pytest.mark.parametrize("name", CIRCUITS)
def test_nothing_moves_at_the_temperature_the_data_hold_at(name):
    """300 K, the default, is 26.85 degC to the bit."""
    plain = CIRCUITS[name]()
    assert Ambient().temperature_k == T0 == plain.temperature_k
    for device in plain.devices:
        if device.kind not in ("diodes", "opamp", "opamp_on_rail"):
            assert device.model.at(T0) == device.model


def test_noise_of_a_resistor_is_that_of_its_temperature():
    """V^2 = 4 k T R (J. B. Johnson, H. Nyquist, Physical Review 32, 1928): 10k and 1G beside."""
    stage = CouplingHighPass(capacitor=1e-3, bias_resistor=1e9)
    design = Design("r", {"c": stage}, source=Source(resistance=10e3), load_ohm=1e12)
    for celsius in (-10.0, 26.85, 60.0):
        found = find_noise(solve_design(design.with_value("ambient.temperature", celsius)))
        assert found.temperature_k == celsius + 273.15
        wanted = math.sqrt(4.0 * K * (celsius + 273.15) * 10e3)
        assert found.output_v_rthz / wanted == pytest.approx(1.0, rel=1e-4)


# --- the setting --------------------------------------------------------------------------------

CLIPPER = """name = "cold"
[ambient]
temperature = "-5degC"
[[stage]]
name = "c"
type = "diode_clipper"
series_resistor = "1k"
diodes = "1N4148"
"""


def test_a_design_says_how_warm_it_is():
    design = parse_design(CLIPPER)
    assert design.network().temperature_k == 268.15
    assert parse_design(write_design(design)) == design
    warmer = apply_settings(design, ["ambient.temperature=40 °C"])
    assert warmer.value("ambient.temperature") == 40.0
    assert write_design(warmer, CLIPPER) == CLIPPER.replace("-5degC", "40 degC")
    assert "ambient" not in write_design(load_design("soft_clipper"))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("61degC", "temperature must be within -10..60 degC (got 61)"),
        ("-10.5degC", "temperature must be within -10..60 degC (got -10.5)"),
        ("300K", "must be a temperature in degrees Celsius"),
        ("warm", "must be a temperature in degrees Celsius"),
    ],
)
def test_a_temperature_out_of_reach_is_refused(text, message):
    with pytest.raises(DesignError) as told:
        parse_design(CLIPPER.replace("-5degC", text))
    assert "design: ambient: temperature" in str(told.value)
    assert message in str(told.value)
    assert "\n" not in str(told.value)
    with pytest.raises(DesignError, match=r"^ambient\.temperature"):
        apply_settings(load_design("soft_clipper"), [f"ambient.temperature={text}"])


def test_a_cold_boost_rests_elsewhere():
    """VBE rises by (V - Eg - 3 kT/q)/T a kelvin; the collector follows its divider and its gain."""
    design = load_design("treble_boost")
    volts = [
        solve_design(design.with_value("ambient.temperature", t)).node_v["boost.output"]
        for t in (0.0, 26.85, 50.0)
    ]
    assert np.diff(volts).max() < 0.0
    assert find_transistor("2N3904").polarity == "npn"
