"""What a render gives between stages: true volts, with where each node rests.

Authority: an op-amp stage whose leg ends in a capacitor has unity gain at DC, so the bias rail,
supply times fraction, goes through it and through a clipper unchanged; a coupling capacitor blocks
it. The non-inverting gain is 1 + Rf/R (equal input voltages).
"""

import math

import numpy as np
import pytest
from example_circuits import WIRE_FARAD, antiparallel, ideal_diode, ideal_opamp

from vadist.designs.design import Design
from vadist.designs.supply import Supply
from vadist.rendering.arrays import render, render_candidates
from vadist.stages import CouplingHighPass, DiodeClipper, OpAmpGain

FS, GAIN = 48_000, 5.0
STAGES = ("in", "gain", "clip", "out")


def chain(supply: Supply) -> Design:
    """Gain of 5 into a clipper that 50 mV do not reach, and out through a capacitor."""
    stages = {
        "in": CouplingHighPass(capacitor=10e-6, bias_resistor=100e3),
        "gain": OpAmpGain(
            opamp=ideal_opamp(1e8), feedback_resistor=(GAIN - 1.0) * 1e3, leg_resistor=1e3,
            leg_capacitor=WIRE_FARAD,
        ),
        "clip": DiodeClipper(series_resistor=100.0, diodes=antiparallel(ideal_diode(1e-15, 0.05))),
        "out": CouplingHighPass(capacitor=10e-6, bias_resistor=100e3, returns_to="ground"),
    }  # fmt: skip
    return Design("chain", stages, supply, load_ohm=1e9)


@pytest.mark.parametrize("settings", [{}, {"accuracy_db": -60.0}], ids=["plain", "to accuracy"])
def test_taps_of_silence_are_the_rest(settings):
    """Two channels of two candidates with rails of their own, within 1e-6 V."""
    supplies = [Supply(9.0, 0.5), Supply(15.0, 0.4)]
    found = render_candidates(
        [chain(s) for s in supplies], np.zeros((300, 2)), FS, taps=STAGES, **settings
    )
    for supply, result in zip(supplies, found, strict=True):
        bias = supply.volts * supply.bias
        for stage, rest in zip(STAGES, (bias, bias, bias, 0.0), strict=True):
            assert result.taps[stage].shape == (300, 2)
            assert np.abs(result.taps[stage] - rest).max() < 1e-6, stage
            told = result.stages[stage]
            assert told.rest_v == pytest.approx(rest, abs=1e-6)
            assert (told.low_v, told.high_v) == pytest.approx((rest, rest), abs=1e-6)
        assert np.array_equal(result.volts, result.taps["out"])


@pytest.mark.parametrize("settings", [{"oversample": 8}, {"accuracy_db": -95.0}])
def test_taps_swing_around_the_rest(settings):
    """10 mV of 1 kHz, 50 mV after the gain: taps, lowest and highest volts, within 0.5 %.

    Corners of 0.16 Hz turn 1 kHz by 0.02 % each, 100 ohm into 100 kohm lose 0.1 %; the diodes take
    1e-14 A.
    """
    t = np.arange(round(0.05 * FS)) / FS
    sine = np.sin(2.0 * math.pi * 1e3 * t)
    result = render(chain(Supply(12.0, 0.5)), 0.01 * sine, FS, taps=STAGES, **settings)
    middle = slice(480, -480)
    for stage, rest, gain in zip(STAGES, (6.0, 6.0, 6.0, 0.0), (1, GAIN, GAIN, GAIN), strict=True):
        off = result.taps[stage][middle, 0] - rest - gain * 0.01 * sine[middle]
        told = result.stages[stage]
        print(f"{stage}: within {np.abs(off).max():.1e} V, {told}")
        assert np.abs(off).max() < 5e-3 * gain * 0.01
        swing = (told.low_v - rest, told.high_v - rest)
        assert swing == pytest.approx((-gain * 0.01, gain * 0.01), rel=5e-3)
