"""Describing functions of blocks, against closed forms.

Authority: for antiparallel diodes of I = 2 Is sinh(v/(n Vt)) and v = V cos, the current's
fundamental is 4 Is I1(V/(n Vt)), I1 the modified Bessel function (scipy.special; the expansion of
exp(z cos) in Abramowitz and Stegun 9.6.34, from memory, not located); so the pair is a conductance
that depends on V, and the clipper a divider. A linear block has its response at every level.
"""

import dataclasses
import math

import numpy as np
import pytest
from example_circuits import (
    PUBLISHED_C_F,
    PUBLISHED_IS_A,
    PUBLISHED_R_OHM,
    PUBLISHED_VT_V,
    alone,
    antiparallel,
    every_stage,
    ideal_diode,
    ideal_opamp,
    published_clipper,
)
from scipy.optimize import brentq
from scipy.special import i1

from vadist.analysis.chain_response import solve_design
from vadist.large_signal.describing_function import DescribedBlock, corners_at_levels
from vadist.stages import FeedbackClipper


def output_v(hz: float, input_v: float) -> float:
    """Fundamental across the pair and its capacitor behind R."""

    def missing(v: float) -> float:
        pair = 4.0 * PUBLISHED_IS_A * i1(v / PUBLISHED_VT_V) / v
        susceptance = 2.0 * math.pi * hz * PUBLISHED_C_F
        return v * math.hypot(1.0 / PUBLISHED_R_OHM + pair, susceptance) - input_v / PUBLISHED_R_OHM

    return float(brentq(missing, 1e-9, 2.0, xtol=1e-14, rtol=1e-13))


@pytest.mark.parametrize("input_v", [0.05, 0.5, 4.0])
def test_gain_of_a_diode_pair_is_that_of_its_bessel_function(input_v):
    block = DescribedBlock(solve_design(alone(published_clipper()).design()), "stage")
    for hz in (100.0, 7e3):
        assert abs(block.gain(hz, input_v)) * input_v == pytest.approx(
            output_v(hz, input_v), rel=1e-6
        )


@pytest.mark.parametrize("input_v", [0.05, 0.5, 4.0])
def test_the_corner_of_a_diode_clipper_rises_as_its_closed_form_does(input_v):
    """7.2 kHz, 1/(2 pi 2k2 10n), with the diodes off; beyond 100 kHz at 4 V."""
    solved = solve_design(alone(published_clipper()).design())
    (corners,) = corners_at_levels(solved, "stage", [input_v])
    top = output_v(20.0, input_v)
    expected = brentq(lambda f: output_v(f, input_v) - top / math.sqrt(2.0), 1e3, 1e6)
    wanted = pytest.approx(expected, rel=1e-4) if expected < 100e3 else None
    assert corners.treble_cut_hz == wanted
    assert corners.bass_cut_hz is None


@pytest.mark.parametrize("input_v", [0.02, 0.2])
def test_a_pair_in_an_opamps_loop_adds_what_its_bessel_function_leaves(input_v):
    """Of an ideal op-amp the leg's A/R1 flows through Rf and the pair: A + V comes out.

    1k and 0.1 F from the inverting input, 47k beside the pair; 1 MHz, so a millionth at 1 Hz times
    a gain of 48 at most is off.
    """
    stage = FeedbackClipper(
        opamp=ideal_opamp(1e6), feedback_resistor=47e3, leg_resistor=1e3, leg_capacitor=0.1,
        diodes=antiparallel(ideal_diode(PUBLISHED_IS_A, PUBLISHED_VT_V)),
    )  # fmt: skip

    def missing(v: float) -> float:
        return v / 47e3 + 4.0 * PUBLISHED_IS_A * i1(v / PUBLISHED_VT_V) - input_v / 1e3

    added = brentq(missing, 1e-6, 2.0, xtol=1e-14)
    block = DescribedBlock(solve_design(alone(stage).design()), "stage")
    assert abs(block.gain(1.0, input_v)) * input_v == pytest.approx(input_v + added, rel=1e-4)


def test_a_linear_block_has_one_corner_at_every_level():
    """100n and 100k: 1/(2 pi R C) = 15.9 Hz, below the lowest; 10n: 159 Hz."""
    stage = dataclasses.replace(every_stage()["coupling_high_pass"], capacitor=10e-9)
    found = corners_at_levels(solve_design(alone(stage).design()), "stage", [0.01, 1.0])
    for corners in found:
        assert corners.bass_cut_hz == pytest.approx(1.0 / (2.0 * np.pi * 100e3 * 10e-9), rel=1e-3)
        assert corners.treble_cut_hz is None
