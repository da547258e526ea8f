"""Coupling high-pass against the first-order closed form; difference equations against it.

Authority: |H| = 1/sqrt(1 + (fc/f)^2), fc = 1/(2 pi R C), elementary network theory.
"""

import math

import numpy as np
import pytest
from example_circuits import PRESETS, alone, every_stage
from small_signal_chain import continuous_response, decibels, discretised_response

from vadist.designs.files import load_design
from vadist.stages import CouplingHighPass

# At fc, fc/2, fc/10 and 2 fc, from 10 log10 of the closed form: dB to six digits.
CLOSED_FORM_DB = {1.0: -3.010300, 0.5: -6.989700, 0.1: -20.043214, 2.0: -0.969100}

AUDIO_HZ = np.concatenate([np.geomspace(20.0, 10e3, 60), [82.4, 1000.0]])


@pytest.mark.parametrize("returns_to", ["bias", "ground"])
@pytest.mark.parametrize(("ohm", "farad"), [(1e3, 1e-6), (1e6, 4.7e-9), (100e3, 100e-9)])
def test_table_of_the_first_order_high_pass(ohm, farad, returns_to):
    """The closed form at four multiples of 1/(2 pi R C), to the last digit of the table above."""
    corner_hz = 1.0 / (2.0 * math.pi * ohm * farad)
    stage = CouplingHighPass(capacitor=farad, bias_resistor=ohm, returns_to=returns_to)
    factors = np.array(list(CLOSED_FORM_DB))
    measured = decibels(continuous_response(alone(stage).design(), factors * corner_hz))
    worst = np.abs(measured - list(CLOSED_FORM_DB.values())).max()
    print(f"{ohm:g} ohm, {farad:g} F: {measured.round(6)} dB, worst {worst:.1e} dB off the table")
    assert worst < 0.6e-6


def test_corner_of_one_kilohm_and_one_microfarad():
    """1 kohm and 1 uF meet at 159.154943 Hz: there, and not 0.01 % away, the level is -3.0103."""
    stage = CouplingHighPass(capacitor=1e-6, bias_resistor=1e3)
    at, above = decibels(
        continuous_response(alone(stage).design(), [159.154943, 159.154943 * 1.0001])
    )
    assert abs(at + 3.010300) < 1e-6
    assert abs(above + 3.010300) > 1e-4


# What the cubic through four samples leaves of a tone of w radians a step is 0.0264 w^4 (the mean
# of its error polynomial, Abramowitz and Stegun 25.2.3, over the last interval): 1.64e-4 dB at
# 10 kHz and eight times 48 kHz, where w is 0.164. No stage may leave more, and an op-amp's steep
# loop, whose line is held back, some hundredths of a dB.
CUBIC_DB = 20.0 * math.log10(1.0 + 0.0264 * (2.0 * math.pi * 10e3 / 384e3) ** 4)
HELD_BACK_DB = 0.05
LOOPS = {"feedback_clipper", "soft_clipper", "boosted_hard_clipper"}


@pytest.mark.parametrize("name", sorted(every_stage()))
def test_difference_equations_follow_each_stage_alone(name):
    """8 x 48 kHz, 20 Hz to 10 kHz."""
    design = alone(every_stage()[name], load_ohm=1e6).design()
    wanted = decibels(continuous_response(design, AUDIO_HZ))
    stepped = decibels(discretised_response(design, 8 * 48e3, AUDIO_HZ))
    worst = np.abs(stepped - wanted).max()
    print(f"{name}: difference equations within {worst:.1e} dB of the circuit up to 10 kHz")
    assert worst < (HELD_BACK_DB if name in LOOPS else 1.05 * CUBIC_DB)


@pytest.mark.parametrize("name", PRESETS)
def test_difference_equations_follow_a_whole_design(name):
    """As for a stage alone; a chain adds up what its stages are off."""
    design = load_design(name)
    wanted = decibels(continuous_response(design, AUDIO_HZ))
    stepped = decibels(discretised_response(design, 8 * 48e3, AUDIO_HZ))
    worst = np.abs(stepped - wanted).max()
    print(f"{name}: whole design within {worst:.1e} dB up to 10 kHz")
    assert worst < (HELD_BACK_DB if name in LOOPS else 1.05 * CUBIC_DB)
