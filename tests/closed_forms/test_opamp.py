"""Op-amp gain: frequency response, bandwidth, slew rate, swing.

Authorities: 1 + Zf/Zg and its poles and zero (elementary network theory), with digits computed here
for 100k/1k/100 pF/100 nF; bandwidth = gain-bandwidth product over noise gain, and full-power
bandwidth SR/(2 pi Vp), with digits computed here: what one pole and a limited slope entail.
"""

import math

import numpy as np
import pytest
from example_circuits import NO_LOAD_OHM, WIRE_FARAD, alone, ideal_opamp
from scipy.optimize import brentq
from signals import EDGE_S, edge
from small_signal_chain import continuous_response, decibels, discretised_response, poles

from vadist.circuits.operating_point import solve_all
from vadist.parts import OpAmpModel, find_opamp
from vadist.stages import OpAmpGain

RF, RG, CF, CG = 100e3, 1e3, 100e-12, 100e-9


def amplifier(opamp: OpAmpModel, gain: float, feedback=10e3, cf=None) -> OpAmpGain:
    """Flat gain above 1: the leg's capacitor is a wire."""
    return OpAmpGain(
        opamp=opamp, feedback_resistor=feedback, leg_resistor=feedback / (gain - 1.0),
        leg_capacitor=WIRE_FARAD, feedback_capacitor=cf,
    )  # fmt: skip


def buffer(opamp: OpAmpModel) -> OpAmpGain:
    """Noise gain one: the leg is as good as open."""
    return OpAmpGain(opamp=opamp, feedback_resistor=1.0, leg_resistor=1e9, leg_capacitor=WIRE_FARAD)


def test_response_of_the_example():
    """Magnitude and phase are 1 + Zf/Zg from 1 Hz to 10 MHz; 1e-6 for the op-amp's own 1 THz."""
    stage = OpAmpGain(
        opamp=ideal_opamp(1e12), feedback_resistor=RF, leg_resistor=RG, leg_capacitor=CG,
        feedback_capacitor=CF,
    )  # fmt: skip
    f = np.geomspace(1.0, 1e6, 200)
    s = 2j * np.pi * f
    closed_form = 1.0 + (RF / (1.0 + s * RF * CF)) / (RG + 1.0 / (s * CG))
    found = continuous_response(alone(stage).design(), f)
    worst = np.abs(found / closed_form - 1.0).max()
    print(f"1 + Zf/Zg followed within {worst:.1e}")
    # Loop gain at 1 MHz: 1e12/1e6 over a noise gain below 101.
    assert worst < 1e-5


def test_poles_of_the_example():
    """1/(2 pi 100k 100p) = 15 915.5 Hz (feedback), 1/(2 pi 1k 100n) = 1591.55 Hz (leg)."""
    stage = OpAmpGain(
        opamp=ideal_opamp(1e12), feedback_resistor=RF, leg_resistor=RG, leg_capacitor=CG,
        feedback_capacitor=CF,
    )  # fmt: skip
    ((section, point),) = solve_all(alone(stage).design().network())
    corners = -poles(section, point).real[:2] / (2.0 * math.pi)
    print(f"poles {corners[0]:.3f} Hz and {corners[1]:.2f} Hz")
    # 1e-5: the op-amp's own pole is not quite at infinity.
    assert corners == pytest.approx([1591.55, 15915.5], rel=1e-5)


def test_zero_of_the_example():
    """Above 1.60746 MHz = 1/(2 pi (Rf || Rg) Cf) the gain levels out at one."""
    stage = amplifier(ideal_opamp(1e13), 101.0, RF, CF)
    f = np.array([1.0e3, 1.60746e6, 1e9])
    found = continuous_response(alone(stage).design(), f)
    closed_form = 101.0 * (1.0 + 1j * f / 1.60746e6) / (1.0 + 1j * f / 15915.5)
    print(
        f"gain {abs(found[0]):.3f}, at the zero {abs(found[1]):.5f}, far above {abs(found[2]):.5f}"
    )
    # 2e-4: a loop gain of 1e4 at 1 GHz.
    assert np.abs(found / closed_form - 1.0).max() < 2e-4
    assert abs(found[2]) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("gain", [1.0, 2.0, 11.0, 101.0, 1001.0])
def test_closed_loop_bandwidth(gain):
    """-3 dB at gain-bandwidth/noise gain, within 3 % (the finite open-loop gain)."""
    model = find_opamp("TL072")
    design = alone(buffer(model) if gain == 1.0 else amplifier(model, gain)).design()
    middle = decibels(continuous_response(design, [100.0]))[0]
    found = brentq(
        lambda f: decibels(continuous_response(design, [f]))[0] - middle + 3.0103, 100.0, 1e8
    )
    wanted = model.gain_bandwidth_hz / gain
    print(f"noise gain {gain:g}: bandwidth {found:.6g} Hz, {found / wanted - 1:+.2%}")
    assert found == pytest.approx(wanted, rel=0.03)


def test_bandwidth_survives_discretisation():
    """A gain of 101 from 3 MHz has its corner at 29.7 kHz, as usually stepped at 8 x 48 kHz too.

    0.1 %: the finite open-loop gain of 2e5 leaves 0.05 % of that. The line through the op-amp's
    current errs by (w h)^2/12, 0.0012 at four steps a sample.
    """
    model = find_opamp("TL072")
    design = alone(amplifier(model, 101.0)).design()

    def corner(response):
        def level(f):
            return decibels(response([f]))[0]

        middle = level(100.0)
        return brentq(lambda f: level(f) - middle + 3.0103, 1e3, 200e3)

    wanted = corner(lambda f: continuous_response(design, f))
    found = corner(lambda f: discretised_response(design, 8 * 48e3, f))
    print(f"stepped bandwidth {found:.1f} Hz, {found / wanted - 1.0:+.1e} of the circuit's")
    assert wanted == pytest.approx(3e6 / 101.0, rel=0.03)
    assert found == pytest.approx(wanted, rel=2e-3)


@pytest.mark.parametrize("name", ["TL072", "RC4558", "NE5532"])
def test_slew_limited_ramp(name):
    """A 6 V step through unity gain ramps at the library's rate, within 3 %.

    The library's rates are held against their sheets in ``tests/standards/test_part_library.py``.
    """
    model = find_opamp(name)
    rate = 48e6
    processor = alone(buffer(model), 18.0).discretize(rate)
    processor.process(np.full(2000, -3.0))
    out = processor.process(np.full(round(1.1 * 6.0 / model.slew_rate_v_per_s * rate), 3.0)) - 9.0
    inside = np.flatnonzero((out > -3.0 + 0.1 * 6.0) & (out < -3.0 + 0.5 * 6.0))
    slope = (out[inside[-1]] - out[inside[0]]) / (inside[-1] - inside[0]) * rate
    print(f"{name}: ramp {slope * 1e-6:.4f} V/us, library {model.slew_rate_v_per_s * 1e-6:g}")
    assert slope == pytest.approx(model.slew_rate_v_per_s, rel=0.03)
    assert np.abs(np.diff(out)).max() * rate <= 1.001 * model.slew_rate_v_per_s


@pytest.mark.parametrize(
    ("slew_v_per_s", "peak_v", "computed_hz"),
    [(2e6, 12.0, 26.5e3), (13e6, 4.0, 517.25e3), (1.7e6, 4.0, 67.64e3)],
)
def test_full_power_bandwidth(slew_v_per_s, peak_v, computed_hz):
    """Below SR/(2 pi Vp) a sine keeps its steepest slope 2 pi f Vp, above it is held to SR.

    The two lines cross there. 3 % for the limiter's knee; the gain-bandwidth product is set far
    away, so that the slew rate alone acts.
    """
    chain = alone(buffer(ideal_opamp(3e9, slew_v_per_s)), 30.0, NO_LOAD_OHM)

    def steepest(f):
        rate = 2000.0 * f
        t = np.arange(8000) / rate
        out = chain.discretize(rate).process(peak_v * np.sin(2.0 * np.pi * f * t))
        return np.abs(np.diff(out[4000:])).max() * rate

    below, above = 0.95 * computed_hz, 1.3 * computed_hz
    unlimited = steepest(below) / (2.0 * np.pi * peak_v)
    limited = steepest(above) / (2.0 * np.pi * peak_v)
    print(
        f"asked {below:.5g} Hz, slope of {unlimited:.5g} Hz; above: {limited:.5g} ({computed_hz:g})"
    )
    assert unlimited == pytest.approx(below, rel=0.03)
    assert limited == pytest.approx(computed_hz, rel=0.03)


@pytest.mark.parametrize("name", ["TL072", "RC4558", "NE5532"])
@pytest.mark.parametrize("oversample", [4, 8, 32])
def test_saturation_recovers_without_ringing(name, oversample):
    """1 V overdrive at a gain of 101, then silence: back from the rail without alternating.

    The output leaves its rail monotonically and never passes rest by more than the leg's capacitor
    moved during the millisecond at the rail.
    """
    model, rate = find_opamp(name), oversample * 48e3
    processor = alone(amplifier(model, 101.0)).discretize(rate)
    rest = processor.process(np.zeros(10))[-1]
    t = np.arange(96 * oversample) / rate
    out = processor.process(edge(t - 0.2e-3) - edge(t - 1.2e-3)) - rest
    held = out[: 48 * oversample].max()
    back = out[58 * oversample :] / held
    high = 9.0 - model.headroom_high_v
    print(
        f"{name} {oversample}x: rail {held + rest:.4f} V (limit {high:g} V), "
        f"undershoot {max(-back.min(), 0.0):.2%}, end {back[-1]:.1e}"
    )
    # The knee of the swing limit is 50 mV wide.
    assert abs(held + rest - high) < 0.1
    leaving = back[np.argmax(back < 0.999) : np.argmax(back < 1e-3) + 1]
    assert leaving[0] > 0.9
    assert (np.diff(leaving) < 0.0).all()
    assert np.abs(back[-20 * oversample :]).max() < 1e-3
    assert back.min() > -1e-3
    assert not alternates(back, 1e-5)


def alternates(error, floor) -> bool:
    """Whether three samples in a row change sign and each stands out of the floor."""
    signs = np.sign(np.where(np.abs(error) > floor, error, 0.0))
    return bool(((signs[:-2] * signs[1:-1] < 0) & (signs[1:-1] * signs[2:] < 0)).any())


@pytest.mark.parametrize("gain", [1.0, 2.0, 11.0])
@pytest.mark.parametrize("oversample", [1, 8, 16])
def test_edge_is_clean_with_a_pole_above_nyquist(gain, oversample):
    """Bandwidths above the oversampled Nyquist rate, or near it, do not ring at it.

    An edge within the audio band comes out 1/(2 pi gain-bandwidth/gain) late, which for its
    steepest slope 1/(sqrt(2 pi) 37 us) is the error; it does not overshoot and never alternates.
    """
    model, rate = find_opamp("NE5532"), oversample * 48e3
    stage = buffer(model) if gain == 1.0 else amplifier(model, gain)
    processor = alone(stage).discretize(rate)
    rest = processor.process(np.zeros(4))[-1]
    wanted = edge(np.arange(40 * oversample) / rate - 0.2e-3)
    out = (processor.process(0.01 * wanted) - rest) / (0.01 * gain)
    lag_s = gain / (2.0 * math.pi * model.gain_bandwidth_hz)
    late = lag_s / (math.sqrt(2.0 * math.pi) * EDGE_S)
    found = np.abs(out - wanted).max()
    print(f"gain {gain:g}, {oversample}x: {found:.2e} late, {late:.2e} wanted")
    assert out.max() < 1.0
    # Open-loop gain of 1e5: gain/1e5 short at the end; and a sample may miss the steepest slope.
    assert 0.9 * late < found < 1.1 * late + gain * 1.1e-5
    assert not alternates(out - wanted, 1e-6)
