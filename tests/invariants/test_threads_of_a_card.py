"""One thread a lane says what sixteen lanes of the processor say.

Authority: the processor's own kernels, which other tests hold against SUNDIALS and closed forms;
numpy's Fourier transform; the converter that the filters down are measured of. A card is simulated
by numba in a process of its own, and what would be compiled for one is compiled for the processor.
"""

import dataclasses
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numba import njit
from numba.extending import intrinsic

from vadist.circuits.operating_point import solve_network
from vadist.designs.files import load_design
from vadist.gpu.down import measured_filter, two_stages
from vadist.gpu.lane_tables import LaneTables, kin
from vadist.gpu.lowering import thread_lowered
from vadist.gpu.threads import WARP, thread_text
from vadist.kernel import structure
from vadist.questions.sampling import boards_at, points
from vadist.questions.tolerances import variations
from vadist.stepping.batch import NEWTON_LIMIT, NEWTON_TOLERANCE_V, Batch
from vadist.stepping.circuit import build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.resampling import resampler

NEWTON_LEAVES_V = 1e-8
# Of a step it accepts, (5e-5 V)^2 over 2 Vt at most; the roundings of two compilers move it.

SUPPORT = Path(__file__).parents[1] / "support"


@pytest.fixture(scope="module")
def simulated():
    """All that is simulated, in one process: it takes a second to begin."""
    names = ("devices", "hearing", "candidates", "spectra", "loudness")
    done = subprocess.run(
        [sys.executable, SUPPORT / "simulated_card.py", *names],
        env={**os.environ, "NUMBA_ENABLE_CUDASIM": "1", "PYTHONPATH": str(SUPPORT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def test_every_kind_of_device_is_stepped_as_the_processor_steps_it(simulated):
    """Rails that move and sections of unlike paces are in the preset; Newton steps are as many."""
    for name, (apart, largest, as_many) in simulated["devices"].items():
        assert largest > 1e-3, name
        assert apart < NEWTON_LEAVES_V, name
        assert as_many, name


def test_boards_sound_as_the_processor_hears_them(simulated):
    found = simulated["hearing"]
    assert np.std(found["cpu"], axis=0).min() > 1e-3
    np.testing.assert_allclose(found["gpu"], found["cpu"], atol=1e-4)
    assert found["before"] == []


def test_a_lane_without_a_solution_is_rendered_on_the_processor_and_named(simulated):
    found = simulated["hearing"]
    assert found["stuck"] == found["cpu"]
    assert found["told"] == ["board 1, 2, 3: no solution on the card, rendered on the processor"]


def test_candidates_sound_and_are_judged_alike(simulated):
    for cpu, gpu in zip(*(simulated["candidates"][d] for d in ("cpu", "gpu")), strict=True):
        for k, within in enumerate((1e-6, 1e-5, 1e-5)):
            np.testing.assert_allclose(gpu[k], cpu[k], rtol=0.0, atol=within)
        assert gpu[3] == pytest.approx(cpu[3], abs=0.01)


def test_loudness_is_that_of_the_meter(simulated):
    """Which ITU-R BS.1770's own signals are held against elsewhere."""
    found = simulated["loudness"]
    assert np.shape(found["meter"]) == (2, 1)
    np.testing.assert_allclose(found["card"], found["meter"], rtol=1e-10)
    np.testing.assert_array_equal(*found["peaks"])


def test_spectra_are_those_of_numpy(simulated):
    for apart, largest in simulated["spectra"].values():
        assert apart < 1e-12 * largest


@pytest.mark.parametrize("factor", [2, 8, 16])
def test_filters_down_are_the_converter(factor):
    """To -140 dB, on noise in silence: at the ends of a take converters differ."""
    frames, middle = 900, 320
    noise = np.zeros((frames * factor, 1))
    inside = slice(middle * factor, (frames - middle) * factor)
    noise[inside] = np.random.default_rng(factor).standard_normal(noise[inside].shape)
    exact = resampler(48e3, factor, 1, down=True)(noise, True)[:, 0]

    def brought_down(samples, weights, by):
        half = len(weights) // 2
        windows = np.lib.stride_tricks.sliding_window_view(np.pad(samples, half), len(weights))
        return windows[::by] @ weights

    ways = [[(measured_filter(48e3, factor), factor)]]
    if factor > 2:
        wide, sharp = two_stages(48e3, factor)
        ways.append([(wide, factor // 2), (sharp, 2)])
    for stages in ways:
        found = noise[:, 0]
        for weights, by in stages:
            found = brought_down(found, weights, by)
        error = np.sum((found - exact) ** 2) / np.sum(exact**2)
        assert 10.0 * np.log10(error) < -140.0


def compiled(text, real, signals):
    """A thread's text compiled for this processor: one call runs one lane."""
    run = intrinsic(thread_lowered(text, real))
    taken = "".join(f"u{k}, " for k in range(signals))
    space = {"run": run, "njit": njit}
    exec(
        f"@njit\ndef step(work, {taken}columns, y, stuck, effort, before, ticks, tolerance, limit, "
        f"lane):\n    return run(work, {taken}columns, y, stuck, effort, before, ticks, tolerance, "
        "limit, lane)",
        space,
    )
    return space["step"]


@pytest.mark.parametrize("looped", [False, True])
@pytest.mark.parametrize("real", ["float32", "float64"])
def test_what_a_card_runs_is_compiled_rightly(monkeypatch, looped, real):
    """Three lanes in turn, on the processor; the text as loops over rows as well."""
    if looped:
        monkeypatch.setattr(structure, "LONGEST_TEXT", 1)
        monkeypatch.setattr(structure, "LONGEST_PART", 1)
    circuits = boards("treble_boost", 3)
    ticks, lanes = 64, LaneTables.of(circuits)
    program, table = lanes.reduced(0, real)
    assert any(program.looped) == looped
    work = np.zeros((1, len(table), WARP), dtype=real)
    work[0, :, :3] = table
    volts = (0.5 * np.sin(2.0 * np.pi * 3000.0 * np.arange(ticks) / 384e3)[:, None]).astype(real)
    y = np.zeros((sum(p.written for p in program.parts), ticks, 3), dtype=real)
    stuck, effort = np.full(3, -1), np.zeros((2 * len(program.parts), 3), dtype=np.int64)
    step, columns = compiled(thread_text(program), real, 1), np.zeros((1, 3), dtype=np.int64)
    tolerance = getattr(np, real)(NEWTON_TOLERANCE_V)
    for before in (0, ticks // 2):
        for lane in range(3):
            step(work.ravel(), volts, columns, y, stuck, effort, before, ticks // 2, tolerance,
                 NEWTON_LIMIT, lane)  # fmt: skip
    assert (stuck == -1).all()
    for lane, circuit in enumerate(circuits):
        batch = Batch([circuit.bundle(0)], program)
        batch.advance(volts[None], ticks)
        wanted = batch.written[:, :, 0]
        within = 2e-6 if real == "float32" else 1e-12
        assert np.abs(y[:, :, lane] - wanted).max() < within * np.abs(wanted).max()
        assert np.abs(y[:, :, lane] - y[:, :, lane - 1]).max() > 1e-4 * np.abs(wanted).max()


def boards(name, count):
    design = load_design(name)
    varied = variations(design)
    made = boards_at(design, varied, points(varied, count, "normal", 0))
    return [build_circuit(solve_network(board.network()), 384e3, (), usual_pace) for board in made]


def test_a_stuck_lane_leaves_where_it_was_and_the_others_go_on():
    circuits = boards("treble_boost", 2)
    program, table = LaneTables.of(circuits).reduced(0, "float64")
    work = np.zeros((1, len(table), WARP))
    work[0, :, :2] = table
    volts = np.array([[0.0, 0.0], [1e3, 0.0], [-1e3, 0.0], [1e3, 0.0]])
    y = np.zeros((sum(p.written for p in program.parts), 4, 2))
    stuck, effort = np.full(2, -1), np.zeros((2, 2), dtype=np.int64)
    step = compiled(thread_text(program), "float64", 1)
    for lane in range(2):
        step(work.ravel(), volts, np.array([[0, 1]]), y, stuck, effort, 0, 4, 5e-5, 3, lane)
    assert stuck.tolist() == [1, -1]
    assert effort[1].tolist() == [0, 4]


def test_boards_that_differ_in_slow_states_are_of_one_kin():
    """Their rows are told by name; none moves where more have their rounding made up for."""
    light, heavy = boards("treble_boost", 2)
    assert kin(light) == kin(heavy)
    few, many = LaneTables.of([light]), LaneTables.of([heavy])
    more = tuple(n + 1 for n in many.slow)
    wider = LaneTables(many.circuit, more, [many._as(more, 0)], [None], {})
    both = LaneTables.joined([dataclasses.replace(few, rest_v={}), wider])
    assert both.slow == more
    whole, joined = both.reduced(0, "float64")
    for lane, lanes in enumerate((few, many)):
        program, table = lanes.reduced(0, "float64")
        shared = [key for key in program.rows if not key[1].startswith("e")]
        rows = [whole.rows[key] for key in shared], [program.rows[key] for key in shared]
        np.testing.assert_array_equal(joined[rows[0], lane], table[rows[1], 0])


def test_without_a_card_there_is_one_line(monkeypatch):
    from vadist.errors import UsageError
    from vadist.gpu.cards import count_cards

    monkeypatch.delenv("NUMBA_ENABLE_CUDASIM", raising=False)
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(UsageError, match=r"--device gpu needs .*pip install 'vadist\[gpu\]'"):
        count_cards()
