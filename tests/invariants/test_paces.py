"""Each section at its own pace: what is linear does not depend on it, what bends gains by it.

Authority: the same section at one step a sample; and at twice the rate.
"""

from fractions import Fraction

import numpy as np
import pytest
from example_circuits import alone, every_stage
from signals import energy_ratio_db, guitar_like

from vadist.circuits.operating_point import solve_network
from vadist.designs.files import load_design
from vadist.rendering.arrays import render
from vadist.stepping.circuit import build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.stepper import Stepper

RATE, SAMPLES = 8 * 48_000, 4096


def heard(stage: str, pace: Fraction | int, rate: int = RATE) -> tuple[np.ndarray, int]:
    """A note through a stage alone, and how far behind a sample its first step is."""
    solved = solve_network(alone(every_stage()[stage], load_ohm=1e6).design().network())
    circuit = build_circuit(solved, rate, (), lambda section: pace)
    assert circuit.rate_hz(circuit.output) == rate * pace
    stepper = Stepper([circuit], 1, real=np.float64)
    stepper.process(30.0 * guitar_like(np.arange(SAMPLES * rate // RATE) / rate)[:, None])
    return stepper.heard(circuit.output)[:, 0], circuit.paces[0]


def test_two_samples_in_a_step_are_those_of_two_steps() -> None:
    """A linear section at half a step a sample: the same cubics, exactly integrated."""
    every, _ = heard("tone_blend", 1)
    half, steps = heard("tone_blend", Fraction(1, 2))
    assert steps == 1
    np.testing.assert_allclose(half, every[1::2], rtol=0.0, atol=1e-12)


@pytest.mark.parametrize("pace", [2, 4])
def test_a_linear_section_gains_nothing_from_a_pace(pace: int) -> None:
    """Its input is drawn out by a cubic, which moves it by the cubic's own error and no more."""
    every, _ = heard("tone_blend", 1)
    finer, _ = heard("tone_blend", pace)
    assert len(finer) == pace * len(every)
    off = energy_ratio_db(finer[pace - 1 :: pace] - every, every)
    print(f"pace {pace}: {off:.1f} dB from one step a sample")
    assert off < -150.0


def test_two_steps_a_sample_are_as_good_as_twice_the_rate() -> None:
    """A clipper, driven hard: what is left is the input drawn out between its samples."""
    once, _ = heard("diode_clipper", 1)
    twice, _ = heard("diode_clipper", 2)
    finer, _ = heard("diode_clipper", 1, 2 * RATE)
    one, two = (energy_ratio_db(found - finer[::2], finer) for found in (once, twice[1::2]))
    print(f"against twice the rate: {one:.1f} dB at one step a sample, {two:.1f} dB at two")
    assert two < one - 20.0
    assert two < -120.0


def test_the_sharpest_device_sets_the_usual_pace() -> None:
    """Op-amps four steps, diodes two, transistors and what is linear one."""
    for name, wanted in {
        "opamp_gain": {4}, "feedback_clipper": {4}, "diode_clipper": {2}, "emitter_follower": {1},
        "tone_blend": {1},
    }.items():  # fmt: skip
        solved = solve_network(alone(every_stage()[name]).design().network())
        assert {usual_pace(section) for section, _ in solved.sections} == wanted
    solved = solve_network(load_design("boosted_hard_clipper").network())
    circuit = build_circuit(solved, RATE, (), usual_pace)
    assert circuit.paces == (1, 4, 2)
    assert circuit.entry_pace == 1


def test_sections_of_unlike_paces_may_be_heard_at_once() -> None:
    """Taps of stages at 8 and at 32 steps a frame, over several blocks."""
    design, take = load_design("soft_clipper"), guitar_like(np.arange(30_000) / 48_000)
    together = render(design, take, 48_000, taps=tuple(design.stages))
    np.testing.assert_array_equal(together.volts, render(design, take, 48_000).volts)
    np.testing.assert_array_equal(together.taps[[*design.stages][-1]], together.volts)
    # Frames of unlike rates stay beside one another: a blend follows the gain before it.
    gain, blend = (together.taps[name][:, 0] for name in ("gain", "blend"))
    assert np.corrcoef(gain, blend)[0, 1] > 0.9
