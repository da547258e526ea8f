"""Segments, lanes and threads change how a take is computed, never what comes out.

Authority: the serial run of the same equations, one lane from the first sample to the last.
"""

import threading
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import pytest
from example_circuits import on_held_rails

from vadist.circuits.network import BIAS, Network
from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.parts import OpAmpModel, find_opamp
from vadist.rendering.arrays import render, render_candidates
from vadist.rendering.spans import Rendering, array_window
from vadist.stages import CouplingHighPass
from vadist.stages.stage import Stage, device, part
from vadist.stepping import lanes
from vadist.stepping.batch import LANES
from vadist.stepping.circuit import Circuit, build_circuit
from vadist.stepping.plan import WARMED_V, Plan, plan_segments, warm_up_of
from vadist.stepping.stepper import Stepper

RATE = 48_000


def guitar_like(seconds: float) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    picked = np.exp(-5.0 * (t % 0.4)) * (1.0 - np.exp(-400.0 * (t % 0.4)))
    return picked * sum(
        a * np.sin(2 * np.pi * f * t) for f, a in ((110.0, 0.2), (221.0, 0.1), (663.0, 0.05))
    )


def serially(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vadist.rendering.spans.plan_segments", lambda n, *_: Plan(1, n, 0))


def decibels(error: np.ndarray, signal: np.ndarray) -> float:
    return 10.0 * np.log10(max(np.sum(error**2) / np.sum(signal**2), 1e-40))


def stepped(circuits: list[Circuit], lanes: int, volts: np.ndarray) -> np.ndarray:
    """The same input to lanes that count as unlike."""
    stepper = Stepper(circuits, lanes)
    stepper.process(np.repeat(volts, lanes, axis=1))
    return stepper.heard(circuits[0].output)


@pytest.mark.parametrize(
    ("design", "seconds"),
    [(on_held_rails("boosted_hard_clipper"), 5.0), (load_design("soft_clipper"), 12.0)],
    ids=["rails held", "a bias rail that moves"],
)
def test_segments_are_not_heard(
    design: Design, seconds: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Segmented lanes against one serial lane: below -105 dB, what a seam may be off.

    No seam is mended.
    """
    take = guitar_like(seconds)
    cut = render(design, take, RATE)
    serially(monkeypatch)
    whole = render(design, take, RATE)
    difference = decibels(cut.volts - whole.volts, whole.volts)
    print(f"{design.name}: {cut.diagnostics.segments} segments, {difference:.1f} dB")
    assert cut.diagnostics.segments > 1
    assert cut.diagnostics.seams_mended == 0
    assert difference <= -105.0


@pytest.mark.parametrize(("up", "step"), [(1_000, 1_000), (64_000, 64_000), (77, 501)])
def test_block_sizes_change_no_bit(up: int, step: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A state and its stepping know nothing of blocks: outputs are bit-identical."""
    design, take = on_held_rails("boosted_hard_clipper"), guitar_like(6.0)
    usual = render(design, take, RATE).volts
    monkeypatch.setattr(lanes, "_UP_FRAMES", up)
    monkeypatch.setattr(lanes, "_STEP_SAMPLES", step)
    np.testing.assert_array_equal(render(design, take, RATE).volts, usual)


def test_threads_change_no_bit() -> None:
    """Groups of lanes are fixed by take and design: 1, 2 and 5 threads agree in all bits."""
    design, take = on_held_rails("boosted_hard_clipper"), guitar_like(15.0)
    one = render(design, take, RATE, threads=1)
    assert one.diagnostics.segments > 16, "one group of lanes would prove nothing"
    for threads in (2, 5):
        found = render(design, take, RATE, threads=threads)
        np.testing.assert_array_equal(found.volts, one.volts)
        assert found.diagnostics == one.diagnostics


def test_spans_go_on_where_the_last_one_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """A take longer than a span, with segments and with candidates that leave no room for them."""
    design, take = on_held_rails("soft_clipper"), guitar_like(6.0)
    whole = render(design, take, RATE)
    monkeypatch.setattr("vadist.rendering.spans.SPAN_SAMPLES", 1 << 18)
    pieces = render(design, take, RATE)
    assert pieces.diagnostics.segments > 1
    many = render_candidates([design] * 17, take, RATE)
    assert many[0].diagnostics.segments == 1
    for result in (pieces, many[0], many[16]):
        assert result.diagnostics.seams_mended == 0
        assert decibels(result.volts - whole.volts, whole.volts) <= -105.0


def test_slow_coupling_is_warmed_up_long_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """10 uF into 47k and the load of 1M, 0.45 s: the warm-up grows with it, every seam fits.

    What a seam may be off, 3e-6 V, is heard for as long as the circuit remembers.
    """
    slow = CouplingHighPass(capacitor=10e-6, bias_resistor=47e3, returns_to="ground")
    design = Design("slow", {"slow": slow})
    take = 0.3 + guitar_like(30.0)
    warm_up = sum(warm_up_of(build_circuit(solve_network(design.network()), 8 * RATE)))
    assert warm_up == pytest.approx(10e-6 / (1 / 47e3 + 1 / 1e6) * np.log(0.3 / WARMED_V), rel=1e-3)
    cut = render(design, take, RATE)
    assert cut.diagnostics.segments > 1
    assert cut.diagnostics.seams_mended == 0
    serially(monkeypatch)
    whole = render(design, take, RATE)
    assert decibels(cut.volts - whole.volts, whole.volts) <= -95.0


def test_a_circuit_slower_still_goes_on_from_span_to_span(monkeypatch: pytest.MonkeyPatch) -> None:
    """47 uF into the same, 2.1 s: no warm-up is worth it; spans hand their states on."""
    slow = CouplingHighPass(capacitor=47e-6, bias_resistor=47e3, returns_to="ground")
    design = Design("slower", {"slow": slow})
    take = 0.3 + guitar_like(6.0)
    whole = render(design, take, RATE)
    assert whole.diagnostics.segments == 1
    monkeypatch.setattr("vadist.rendering.spans.SPAN_SAMPLES", 1 << 16)
    pieces = render(design, take, RATE)
    assert np.abs(whole.volts[-RATE:]).max() > 0.1, "the coupling must not have settled by then"
    assert decibels(pieces.volts - whole.volts, whole.volts) <= -105.0


def test_too_slow_a_circuit_runs_serially() -> None:
    """A warm-up longer than it is worth leaves one segment."""
    assert plan_segments(60 * RATE, 1, (5.0, 5.0, 10.0), RATE) == Plan(1, 60 * RATE, 0)


@pytest.mark.parametrize(("seconds", "segments"), [(1, 1), (4, 16), (20, 32), (180, 64)])
def test_longer_takes_are_cut_finer(seconds: int, segments: int) -> None:
    """With half a second of warm-up: one lane, one batch, batches for two cores and for four."""
    assert plan_segments(seconds * RATE, 1, (0.0, 0.0, 0.5), RATE).segments == segments


@dataclass(frozen=True, kw_only=True)
class Latch(Stage):
    """An op-amp with positive feedback: it remembers which way it was last pushed."""

    kind: ClassVar[str] = "latch"

    opamp: OpAmpModel = device("opamp", "switches")
    series_resistor: float = part("ohm", "pushes the input")
    feedback_resistor: float = part("ohm", "holds it")

    def wire(self, network: Network, source: str, output: str) -> None:
        plus = network.node("plus")
        network.resistor("series_resistor", source, plus, self.series_resistor)
        network.resistor("feedback_resistor", output, plus, self.feedback_resistor)
        network.opamp("opamp", plus, BIAS, output, self.opamp)


def test_a_latch_is_mended_serially_and_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory without end: no warm-up can know the state; seams are found wrong and mended."""
    latch = Latch(opamp=find_opamp("RC4558"), series_resistor=10e3, feedback_resistor=100e3)
    design = Design("latch", {"latch": latch}, input_at_bias=True)
    take = np.zeros(RATE)
    take[2000:2200] = 1.0
    take[33_000:33_200] = -1.0
    monkeypatch.setattr(
        "vadist.rendering.spans.plan_segments", lambda frames, *_: Plan(8, -(-frames // 8), 500)
    )
    cut = render(design, take, RATE)
    serially(monkeypatch)
    whole = render(design, take, RATE)
    assert whole.volts[25_000, 0] > 7.0
    assert whole.volts[-1, 0] < 2.0
    print(f"mended {cut.diagnostics.seams_mended} of {cut.diagnostics.seams}")
    assert cut.diagnostics.seams_mended >= 4
    assert decibels(cut.volts - whole.volts, whole.volts) <= -105.0


def test_candidates_equal_their_own_renders() -> None:
    """Candidates as lanes of one batch, per-lane coefficients: as each rendered alone."""
    base, take = on_held_rails("boosted_hard_clipper"), guitar_like(1.0)
    designs = [base.with_value("clipper.shunt_capacitor", c) for c in (4.7e-9, 10e-9, 22e-9)]
    designs.append(base.with_value("drive", 0.9))
    together = render_candidates(designs, take, RATE)
    for design, result in zip(designs, together, strict=True):
        alone = render(design, take, RATE)
        assert decibels(result.volts - alone.volts, alone.volts) <= -115.0


def test_one_lane_against_sixteen() -> None:
    """The scalar kernel and the vectorised one, each with its own roundings: -119 dB measured."""
    circuit = build_circuit(
        solve_network(on_held_rails("boosted_hard_clipper").network()), 8 * RATE
    )
    volts = np.repeat(guitar_like(0.3), 8)[:, None]
    many, one = (stepped([circuit], lanes, volts) for lanes in (LANES, 1))
    difference = decibels(many - one, one)
    print(f"{difference:.1f} dB")
    assert difference <= -110.0
    np.testing.assert_array_equal(many, many[:, :1] + np.zeros(LANES))


def test_seam_tolerance_is_what_finds_a_short_warm_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """With hardly any warm-up the check must find seams wrong, and mending must still be right."""
    design, take = on_held_rails("soft_clipper"), guitar_like(2.0)
    monkeypatch.setattr(
        "vadist.rendering.spans.plan_segments", lambda frames, *_: Plan(8, -(-frames // 8), 64)
    )
    cut = render(design, take, RATE)
    serially(monkeypatch)
    whole = render(design, take, RATE)
    assert cut.diagnostics.seams_mended == 7
    assert decibels(cut.volts - whole.volts, whole.volts) <= -105.0


def test_different_structures_share_a_batch() -> None:
    """A candidate with a part more has other equations; order and results stay as asked."""
    base, take = on_held_rails("boosted_hard_clipper"), guitar_like(0.3)
    gain = base.stages["gain"]
    bare = replace(base, stages={**base.stages, "gain": replace(gain, feedback_capacitor=None)})
    results = render_candidates([base, bare, base], take, RATE)
    np.testing.assert_array_equal(results[0].volts, results[2].volts)
    assert decibels(results[1].volts - results[0].volts, results[0].volts) > -60.0


def test_a_take_is_read_by_the_caller_alone():
    """A file has one place at which it is read: no thread of a rendering may move it."""
    design, seconds = on_held_rails("treble_boost"), 2.0
    take = guitar_like(seconds)[:, None]
    readers = set()

    def window(first: int, last: int) -> np.ndarray:
        readers.add(threading.get_ident())
        return array_window(take)(first, last)

    rendering = Rendering([design], RATE, len(take), 1, window, threads=4)
    rendering.whole()
    assert rendering.diagnostics(0).error_db is not None
    assert readers == {threading.get_ident()}
