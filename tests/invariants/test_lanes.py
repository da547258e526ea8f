"""Lanes that are alike share their early sections, and zero coefficients are left out.

Authority: each lane stepped alone, and the same kernel with nothing left out.
"""

import numpy as np
import pytest
from example_circuits import on_held_rails
from signals import guitar_like

from vadist.circuits.operating_point import solve_network
from vadist.rendering.arrays import render, render_candidates
from vadist.stepping.batch import LANES, Batch
from vadist.stepping.circuit import Circuit, build_circuit
from vadist.stepping.plan import Plan
from vadist.stepping.stepper import Stepper

RATE = 8 * 48_000
COLUMNS = 3


def drive(samples: int) -> np.ndarray:
    """Three different passages, (samples, columns)."""
    t = np.arange(samples)[:, None] / RATE + np.array([0.0, 0.011, 0.023])
    return 2.0 * guitar_like(t)


def sweep(part: str, values: list[float]) -> list[Circuit]:
    """A preset on rails that stand still: three sections, each a program of its own."""
    base = on_held_rails("boosted_hard_clipper")
    return [
        build_circuit(solve_network(base.with_value(part, value).network()), RATE)
        for value in values
    ]


def batches(stepper: Stepper, samples: int) -> list[int]:
    """How many kernels each section ran in."""
    return (stepper.statistics()[:, 1] // samples).tolist()


@pytest.mark.parametrize(
    ("part", "kernels"),
    [("clipper.shunt_capacitor", [1, 1, 2]), ("boost.collector_resistor", [2, 2, 2])],
)
def test_sections_before_a_change_run_once(part: str, kernels: list[int]) -> None:
    """21 lanes, 7 values of a part over 3 passages: as each alone, in every bit of every stage.

    A part of the last section leaves 3 unlike lanes, one kernel, to those before it; a part of the
    first leaves 21, two kernels, to all.
    """
    usual = {"clipper.shunt_capacitor": 10e-9, "boost.collector_resistor": 5.6e3}[part]
    circuits = sweep(part, [usual * 1.1**k for k in range(7)])
    every = [circuit for circuit in circuits for _ in range(COLUMNS)]
    volts = drive(600)
    stepper = Stepper(every, len(every), columns=[*range(COLUMNS)] * len(circuits))
    stepper.process(volts)
    assert batches(stepper, len(volts)) == kernels
    alone = [Stepper([c], COLUMNS) for c in circuits]
    for one in alone:
        one.process(volts)
    for stage, tap in circuits[0].taps.items():
        if tap.row >= circuits[0].written[tap.section]:
            continue
        together = stepper.heard(tap).reshape(len(volts), len(circuits), COLUMNS)
        for k, one in enumerate(alone):
            np.testing.assert_array_equal(together[:, k], one.heard(tap), err_msg=stage)
    peaks = {stage: peak.reshape(2, -1, COLUMNS) for stage, peak in stepper.peaks().items()}
    for k, one in enumerate(alone):
        for stage, peak in one.peaks().items():
            np.testing.assert_array_equal(peaks[stage][:, k], peak, err_msg=stage)
    for together, *apart in zip(stepper.states(), *(one.states() for one in alone), strict=True):
        np.testing.assert_array_equal(together, np.concatenate(apart, axis=1))


def test_lanes_hear_the_columns_they_name() -> None:
    """A full kernel with its columns turned round, through sections that could pass blocks on."""
    (circuit,) = sweep("clipper.shunt_capacitor", [10e-9])
    volts = np.linspace(0.1, 1.6, LANES) * drive(300)[:, :1]
    forward, backward = Stepper([circuit], LANES), Stepper([circuit], LANES, [*range(LANES)][::-1])
    forward.process(volts)
    backward.process(volts)
    heard = forward.heard(circuit.output)
    assert np.ptp(heard, axis=1).max() > 0.01
    np.testing.assert_array_equal(backward.heard(circuit.output), heard[:, ::-1])


def test_alike_lanes_that_enter_different_states_are_kept_apart() -> None:
    """The same circuit and passage, put into different states: two lanes, not one."""
    (circuit,) = sweep("clipper.shunt_capacitor", [10e-9])
    enter = [np.full((len(circuit.program(k).memory), 2), np.nan) for k in range(3)]
    enter[-1][0] = (0.0, 0.1)
    stepper = Stepper([circuit], 2, columns=[0, 0], enter=[enter])
    stepper.enter(0)
    found = stepper.states()
    assert found[-1][0].tolist() == [0.0, np.float32(0.1)]
    stepper.process(drive(200)[:, :1])
    first, second = stepper.heard(circuit.output).T
    assert np.abs(first - second).max() > 1e-3
    assert batches(stepper, 200) == [1, 1, 1]
    np.testing.assert_array_equal(stepper.states()[0][:, 0], stepper.states()[0][:, 1])


def test_leaving_out_zeros_changes_nothing() -> None:
    """A section of two transistors, with its zero coefficients in the code and without.

    The compiler fuses other pairs into multiply-adds, so the last digits may differ, and a gain of
    twenty stands behind them.
    """
    (circuit,) = sweep("clipper.shunt_capacitor", [10e-9])
    volts = np.resize(drive(400).T, (LANES, 400)).T[None].astype(np.float32, order="C")
    section = circuit.sections[0]
    zeros = frozenset(np.flatnonzero(section.coefficients == 0.0).tolist())
    assert len(zeros) >= 10
    batch, whole = (
        Batch([circuit.bundle(0)] * LANES, circuit.program(0, LANES, zeros=[left]))
        for left in (zeros, frozenset())
    )
    batch.advance(volts, 400)
    whole.advance(volts, 400)
    assert np.ptp(whole.written) > 1.0
    np.testing.assert_allclose(batch.written, whole.written, rtol=0.0, atol=1e-5)
    np.testing.assert_allclose(batch.extremes(0), whole.extremes(0), rtol=0.0, atol=1e-5)


def test_vectors_lie_within_cache_lines() -> None:
    """What a kernel reads and writes in each lane begins on a boundary of 64 bytes."""
    (circuit,) = sweep("clipper.shunt_capacitor", [10e-9])
    batch = Batch([circuit.bundle(0)] * LANES, circuit.program(0, LANES))
    u = batch.inputs(10)
    batch.advance(u, 10)
    for array in (u, batch.written, batch.memory):
        assert array.ctypes.data % 64 == 0


def test_seams_of_candidates_are_mended_side_by_side(monkeypatch: pytest.MonkeyPatch) -> None:
    """With hardly any warm-up most seams of every candidate are run again, and come out right."""
    base, frames = on_held_rails("soft_clipper"), 48_000
    designs = [base.with_value("drive", value) for value in (0.2, 0.9)]
    designs.append(base.with_value("level", 0.3))
    take = guitar_like(np.arange(frames) / 48_000)
    monkeypatch.setattr("vadist.rendering.spans.plan_segments", lambda n, *_: Plan(6, 8_000, 64))
    together = render_candidates(designs, take, 48_000)
    monkeypatch.setattr("vadist.rendering.spans.plan_segments", lambda n, *_: Plan(1, n, 0))
    for design, result in zip(designs, together, strict=True):
        alone = render(design, take, 48_000).volts
        assert result.diagnostics.seams == 5
        assert result.diagnostics.seams_mended >= 4
        error = np.sum((result.volts - alone) ** 2) / np.sum(alone**2)
        assert 10.0 * np.log10(error + 1e-40) <= -105.0
