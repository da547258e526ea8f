"""Static curves of diodes and a resistor against closed forms.

Authorities: Banwell and Jayakumar, "Exact analytical solution for current flow through diode with
series resistance", Electronics Letters 36(4), 2000, doi 10.1049/el:20000301 (Lambert's W, in the
overflow-free form of the Wright omega function: Corless and Jeffrey, AISC 2002, LNCS 2385, from
memory, not located); for an antiparallel pair the sinh law, by
bisection; the published test circuit of Yeh, Abel, Vladimirescu and Smith, Computer Music Journal
32(2), 2008, whose static values were computed from its law, not published.
"""

import numpy as np
import pytest
from example_circuits import (
    NO_LOAD_OHM,
    PUBLISHED_IS_A,
    PUBLISHED_R_OHM,
    PUBLISHED_VT_V,
    SILICON,
    alone,
    antiparallel,
    ideal_diode,
    published_clipper,
)
from scipy.optimize import brentq
from scipy.special import wrightomega

from vadist.circuits.network import DiodeString
from vadist.quantities import thermal_voltage
from vadist.stages import DiodeClipper, DiodePair

# A settled sample: Newton starts where it ends, and only rounding is left.
TOLERANCE_V = 1e-9

# A moving one: the last Newton step is taken when the voltages moved by less than 50 uV before it,
# which leaves (50 uV)^2/(2 n Vt), n Vt being 45.3 mV here.
MOVING_TOLERANCE_V = 2.8e-8

HELD_SAMPLES = 6

SWEEP_V = np.concatenate([np.linspace(-5.0, 5.0, 1001), np.linspace(5.0, -5.0, 137)])

STATIC_PAIR_V = {
    0.1: 0.099950254074,
    0.5: 0.428654542995,
    1.0: 0.515436430390,
    2.0: 0.564629057656,
    4.5: 0.609794904774,
    10.0: 0.649521448448,
}


def static_curve(stage: DiodeClipper, drive_v) -> np.ndarray:
    """Settled output against the bias rail: each input is held for a few samples."""
    held = np.repeat(drive_v, HELD_SAMPLES)
    run = alone(stage, load_ohm=NO_LOAD_OHM).discretize(48e3)
    return run.process(held)[HELD_SAMPLES - 1 :: HELD_SAMPLES] - 4.5


def single_diode(drive_v, ohm, saturation_a, slope_v):
    """Voltage across one diode behind a resistor, closed form."""
    scale = ohm * saturation_a / slope_v
    shifted = drive_v + ohm * saturation_a
    return shifted - slope_v * wrightomega(np.log(scale) + shifted / slope_v)


@pytest.mark.parametrize("direction", [1.0, -1.0])
@pytest.mark.parametrize(
    ("ohm", "saturation_a", "slope_v"),
    [(2.2e3, 2.52e-9, 45.3e-3), (10e3, 200e-9, 33.6e-3), (470.0, 93.2e-12, 96.4e-3)],
    ids=["silicon", "germanium", "led"],
)
def test_single_diode_against_wright_omega(ohm, saturation_a, slope_v, direction):
    """-5 to 5 V, either polarity of the diode, to 1 nV."""
    string = DiodeString(ideal_diode(saturation_a, slope_v))
    diodes = DiodePair(string, None) if direction > 0 else DiodePair(None, string)
    found = static_curve(DiodeClipper(series_resistor=ohm, diodes=diodes), SWEEP_V)
    wanted = direction * single_diode(direction * SWEEP_V, ohm, saturation_a, slope_v)
    worst = np.abs(found - wanted).max()
    print(f"one diode, Is {saturation_a:g} A: within {worst:.1e} V of the closed form")
    assert worst < TOLERANCE_V


def test_strings_of_diodes_against_wright_omega():
    """Three in series, two strings side by side: 3 n Vt and 2 Is in the same closed form."""
    string = DiodeString(ideal_diode(2.52e-9, 45.3e-3), count=3, parallel=2)
    stage = DiodeClipper(series_resistor=2.2e3, diodes=DiodePair(string, None))
    wanted = single_diode(SWEEP_V, 2.2e3, 2 * 2.52e-9, 3 * 45.3e-3)
    worst = np.abs(static_curve(stage, SWEEP_V) - wanted).max()
    print(f"3 in series, 2 in parallel: within {worst:.1e} V")
    assert worst < TOLERANCE_V


def test_series_resistance_of_a_diode_counts():
    """The ohmic part stands in series with the junction: the closed form with R + Rs."""
    string = DiodeString(SILICON)
    stage = DiodeClipper(series_resistor=1e3, diodes=DiodePair(string, None))
    total = 1e3 + SILICON.series_resistance_ohm
    junction = single_diode(
        SWEEP_V, total, string.saturation_current_a, string.slope_v(thermal_voltage())
    )
    current = (SWEEP_V - junction) / total
    worst = np.abs(static_curve(stage, SWEEP_V) - (SWEEP_V - 1e3 * current)).max()
    print(f"with Rs {SILICON.series_resistance_ohm} ohm: within {worst:.1e} V")
    assert worst < TOLERANCE_V


def pair_voltage(drive_v: float) -> float:
    """(Vi - V)/R = 2 Is sinh(V/Vt) by bracketing."""

    def excess(v):
        return (drive_v - v) / PUBLISHED_R_OHM - 2 * PUBLISHED_IS_A * np.sinh(v / PUBLISHED_VT_V)

    return brentq(excess, -1.0, 1.0, xtol=1e-15)


def test_antiparallel_pair_against_sinh_law():
    """The sinh law, -5 to 5 V, to 1 nV."""
    found = static_curve(published_clipper(None), SWEEP_V)
    worst = np.abs(found - [pair_voltage(v) for v in SWEEP_V]).max()
    print(f"antiparallel pair: within {worst:.1e} V of the sinh law")
    assert worst < TOLERANCE_V


def test_moving_pair_against_sinh_law():
    """A 10 V sine through the pair: without a capacitor each sample stands for itself."""
    drive = 10.0 * np.sin(2.0 * np.pi * 1e3 * np.arange(500) / 384e3)
    run = alone(published_clipper(None), load_ohm=NO_LOAD_OHM).discretize(384e3)
    worst = np.abs(run.process(drive) - 4.5 - [pair_voltage(v) for v in drive]).max()
    print(f"antiparallel pair, moving: within {worst:.1e} V")
    assert worst < MOVING_TOLERANCE_V


def test_static_table_of_the_published_circuit():
    """Six voltages of R 2.2k, Is 2.52 nA, Vt 45.3 mV, once computed by bracketing; both ways."""
    drive = np.array(list(STATIC_PAIR_V))
    found = static_curve(published_clipper(None), np.concatenate([drive, -drive]))
    computed = np.array(list(STATIC_PAIR_V.values()))
    worst = np.abs(found - np.concatenate([computed, -computed])).max()
    print(f"published circuit: {found[:6].round(9)} V, within {worst:.1e} V")
    assert worst < TOLERANCE_V


def test_silicon_pair_clamps_near_0v7():
    """0.5 to 0.8 V at 1 to 10 mA, either way (common practice, no published source)."""
    stage = DiodeClipper(series_resistor=1e3, diodes=antiparallel(SILICON))
    drive = np.concatenate([np.linspace(1.6, 10.7, 30), -np.linspace(1.6, 10.7, 30)])
    held = np.abs(static_curve(stage, drive))
    milliamperes = np.abs(drive) - held
    print(
        f"{SILICON.name}: {held.min():.3f} V at {milliamperes.min():.2f} mA to "
        f"{held.max():.3f} V at {milliamperes.max():.2f} mA"
    )
    assert milliamperes.min() < 1.05
    assert milliamperes.max() > 9.9
    assert held.min() > 0.5
    assert held.max() < 0.8
