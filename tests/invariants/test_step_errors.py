"""A sample without a solution becomes an error that names stage, time and channel of the take.

Authority: a law that has no solution beyond a fold known in closed form; and the take itself,
which is quiet but for one burst.
"""

import dataclasses
import math
import re

import numpy as np
import pytest
from example_circuits import (
    PUBLISHED_IS_A,
    PUBLISHED_R_OHM,
    PUBLISHED_VT_V,
    alone,
    on_held_rails,
    published_clipper,
)

from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Design
from vadist.rendering.arrays import render, render_candidates
from vadist.rendering.spans import Rendering, array_window
from vadist.stepping.batch import Batch, Bundle, StepError
from vadist.stepping.circuit import build_circuit
from vadist.stepping.plan import Plan
from vadist.stepping.resampling import REACH
from vadist.stepping.segments import Span

RATE = 48_000
BURST_S = 5.0
EARLY_S = REACH / RATE
"""The resampling filters ring before a burst."""


def stubborn(monkeypatch: pytest.MonkeyPatch) -> None:
    """One Newton step a sample and no rescue: whatever moves fast has no solution."""
    monkeypatch.setattr("vadist.stepping.batch.NEWTON_LIMIT", 1)
    monkeypatch.setattr("vadist.kernel.rescue._STEPS", 0)


def take_with_burst(seconds: float = 6.0, channels: int = 1) -> np.ndarray:
    """A whisper that one Newton step follows, and 20 ms of a tone on the last channel."""
    t = np.arange(round(seconds * RATE)) / RATE
    take = 1e-6 * np.sin(2.0 * np.pi * 110.0 * t)[:, None] * np.ones(channels)
    after = (t >= BURST_S) & (t < BURST_S + 0.02)
    take[after, -1] += np.sin(2.0 * np.pi * 1500.0 * (t[after] - BURST_S))
    return take


def cut_into(monkeypatch: pytest.MonkeyPatch, segments: int, warm_up: int) -> None:
    monkeypatch.setattr(
        "vadist.rendering.spans.plan_segments",
        lambda frames, *_: Plan(segments, -(-frames // segments), warm_up),
    )


def assert_names_the_burst(error: StepError) -> None:
    assert BURST_S - EARLY_S <= error.seconds <= BURST_S + 0.02 + EARLY_S, str(error)
    (told,) = re.findall(r"no solution at ([\d.]+) s", str(error))
    assert float(told) == pytest.approx(error.seconds, abs=1e-6)


@pytest.mark.parametrize("segments", [1, 8, 32])
@pytest.mark.parametrize("span_s", [60.0, 1.9])
def test_time_is_the_time_of_the_take(
    segments: int, span_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever segments and spans a take is cut into."""
    stubborn(monkeypatch)
    cut_into(monkeypatch, segments, 4800)
    monkeypatch.setattr("vadist.rendering.spans.SPAN_SAMPLES", round(span_s * RATE))
    with pytest.raises(StepError, match=r"no solution at [\d.]+ s \(last change") as caught:
        render(on_held_rails("soft_clipper"), take_with_burst(), RATE)
    assert_names_the_burst(caught.value)


def test_time_is_the_same_for_the_usual_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """To the sample of the serial run: the prediction is exact where nothing moves."""
    stubborn(monkeypatch)
    times = []
    for segments in (None, 1):
        if segments:
            cut_into(monkeypatch, 1, 0)
        with pytest.raises(StepError) as caught:
            render(on_held_rails("soft_clipper"), take_with_burst(), RATE)
        times.append(caught.value.seconds)
    assert times[0] == pytest.approx(times[1], abs=2.0 / RATE)


def test_channel_and_candidate_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second channel has the burst; only the second candidate is loud enough to fail."""
    stubborn(monkeypatch)
    base = on_held_rails("soft_clipper")
    with pytest.raises(StepError, match="s of channel 2 ") as caught:
        render(base, take_with_burst(channels=2), RATE)
    assert_names_the_burst(caught.value)
    designs = [base.with_value("input.bias_resistor", ohm) for ohm in (1.0, 470e3)]
    cut_into(monkeypatch, 8, 4800)  # a state entered within the burst is news to one Newton step
    with pytest.raises(StepError, match="s of candidate 2 ") as caught:
        render_candidates(designs, take_with_burst(), RATE)
    assert_names_the_burst(caught.value)


def test_time_in_a_seam_that_is_mended(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first runs settle; the run that mends does not."""
    usual = Span._mend

    def mend(self, lanes, pool):
        stubborn(monkeypatch)
        return usual(self, lanes, pool)

    monkeypatch.setattr(Span, "_mend", mend)
    cut_into(monkeypatch, 8, 64)
    with pytest.raises(StepError) as caught:
        render(on_held_rails("soft_clipper"), take_with_burst() + 0.1, RATE)
    # The first seam: its run begins from rest in a take that stands at 0.1 V.
    assert 6.0 / 8.0 - 3.0 * EARLY_S <= caught.value.seconds <= 6.0 / 8.0


def test_time_in_a_passage_that_is_run_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The render settles; the finer run that judges its error does not."""
    take = take_with_burst()
    rendering = Rendering([on_held_rails("soft_clipper")], RATE, len(take), 1, array_window(take))
    rendering.whole()
    stubborn(monkeypatch)
    with pytest.raises(StepError) as caught:
        rendering.diagnostics(0)
    assert caught.value.seconds >= BURST_S - 3.0 * EARLY_S
    assert caught.value.seconds <= 6.0


def test_a_law_without_a_solution_is_an_error_at_the_fold() -> None:
    """One diode string behind a negative resistance: a ramp meets the fold at a known sample.

    v = p + R Is (exp(v/Vt) - 1) has no solution above p = Vt ln(Vt/(R Is)) - Vt + R Is, where the
    two sides touch.
    """
    chain = alone(published_clipper(None), load_ohm=1e18)
    circuit = build_circuit(solve_network(chain.design().network()), RATE)
    (section,) = circuit.sections
    ((forward_a, per_v, _, _),) = section.parameters
    assert (forward_a, per_v) == pytest.approx((PUBLISHED_IS_A, 1.0 / PUBLISHED_VT_V))
    # Without the straight line through rest, which is part of the linear circuit, K is -R and E 1.
    lined = float(section.port_slopes[0, 0])
    ohm = -float(section.K[0, 0]) / (1.0 + lined * float(section.K[0, 0]))
    assert ohm == pytest.approx(PUBLISHED_R_OHM, rel=1e-6)
    negative = dataclasses.replace(
        section,
        K=np.array([[ohm]]), E=np.array([[1.0]]), port_slopes=np.zeros((1, 1)),
        parameters=((forward_a, per_v, 0.0, per_v),),
    )  # fmt: skip
    fold_v = (math.log(1.0 / (ohm * forward_a * per_v)) - 1.0) / per_v + ohm * forward_a
    step_v = 1e-4
    ramp = step_v * np.arange(round(fold_v / step_v) + 20)
    batch = Batch([Bundle((negative,))], circuit.program(0, real="float64"))
    with pytest.raises(StepError, match="stage, load: no solution") as caught:
        batch.advance(ramp[None, :, None], len(ramp))
    failed = round(caught.value.seconds * RATE)
    print(f"fold at {fold_v:.5f} V, failed at {ramp[failed]:.5f} V")
    # Near the fold the linearised step is taken within Newton's tolerance of 5e-5 V.
    assert ramp[failed] == pytest.approx(fold_v, abs=3.0 * step_v)


def test_peaks_after_mending_are_those_of_the_mended_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow ramp into 10 uF and 47k: started late and from rest, a segment would see a step.

    Authority: the serial run, and the high-pass of one pole, whose answer to a ramp stays below
    slope times R C.
    """
    from vadist.stages import CouplingHighPass

    slow = CouplingHighPass(capacitor=10e-6, bias_resistor=47e3, returns_to="ground")
    design = Design("slow", {"slow": slow})
    slope_v_per_s = 0.25
    take = slope_v_per_s * np.arange(4 * RATE) / RATE
    cut_into(monkeypatch, 8, 64)
    found = render(design, take, RATE)
    assert found.diagnostics.seams_mended == 7
    bound_v = slope_v_per_s * 10e-6 / (1 / 47e3 + 1 / 1e6)
    assert found.volts[:-REACH, 0].max() < bound_v
    cut_into(monkeypatch, 1, 0)
    serial = render(design, take, RATE)
    for stage, reached in serial.stages.items():
        assert found.stages[stage].high_v == pytest.approx(reached.high_v, abs=1e-6)
        # The filters ring where the take ends at a volt, by some tenth of that.
        assert reached.high_v < bound_v + 0.2
    # The states that finer runs go on from are the mended ones too.
    assert found.diagnostics.error_db < -80.0
