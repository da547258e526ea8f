"""Takes that begin as the supply is switched on.

Authority: SUNDIALS IDA on the undivided circuit (``circuit_oracle``), from steps of implicit Euler
of a nanosecond on; decimated by the resampler the renderer uses. And what a circuit comes to.
"""

from functools import partial

import numpy as np
import pytest
import soxr
from circuit_oracle import CircuitOracle, device_models
from example_circuits import alone, every_stage
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist.analysis.chain_response import solve_design
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.rendering.arrays import render, render_candidates
from vadist.rendering.spans import Rendering, array_window
from vadist.stepping.circuit import build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.power_up import PowerUp
from vadist.stepping.rails import tear
from vadist.stepping.stepper import Stepper
from vadist.stepping.switching_on import SwitchOn

FS, FRAMES, REACH = 48_000, 2400, 256
EARLY_S = 1.0 / FS
"""From switch-on to the first frame of a take."""


def on_a_battery(name: str) -> Design:
    """220 ohm and 10 uF before the supply rail, which is torn then."""
    design = load_design(name).with_value("supply.resistance", 220.0)
    return design.with_value("supply.filter_capacitor", 10e-6)


def oracle_of(design: Design) -> CircuitOracle:
    pytest.importorskip("sksundae", reason="scikit-sundae has no wheel for this machine")
    return CircuitOracle(solve_design(design).network, device_models(design))


def decimated(design: Design, factor: int, played: bool = False) -> np.ndarray:
    """The oracle's output from the first frame on; a sample on the jump is its middle."""
    fast = FS * factor
    times = EARLY_S + np.arange(1 - factor, FRAMES * factor) / fast
    oracle = oracle_of(design)
    found = partial(oracle.power_up, node=design.output, rtol=1e-8, atol=1e-9)
    if played:
        late = lambda function: lambda t: float(function(max(t - EARLY_S, 0.0)))  # noqa: E731
        found = partial(found, signal=late(guitar_like), slope=late(guitar_like_slope))
    jump, volts = found([1e-8, EARLY_S])[0], found(times)
    every = np.concatenate([np.zeros((REACH - 1) * factor), [jump / 2.0], volts])
    return soxr.resample(every, fast, FS, "VHQ")[REACH : REACH + FRAMES - 256]


@pytest.mark.parametrize(
    ("design", "torn", "opamps"),
    [
        (load_design("treble_boost"), (), 0),
        (load_design("three_band_clipper").with_value("supply.bias", 0.5), (), 2),
        (load_design("soft_clipper"), ("bias",), 1),
        (on_a_battery("treble_boost"), ("supply",), 0),
    ],
    ids=["held, transistor", "held, op-amps", "torn bias", "torn supply"],
)
def test_every_node_at_the_first_frame(design: Design, torn, opamps) -> None:
    """Volts of every node 21 us after switch-on, seven decades after the first step: 5e-6 V."""
    solved, oracle = solve_design(design), oracle_of(design)
    assert tear(solved).rails == torn
    assert sum(d.kind.startswith("opamp") for d in solved.network.devices) >= opamps
    wanted = oracle.power_up([EARLY_S / 2.0, EARLY_S], None)[-1]
    found = SwitchOn(solved, EARLY_S).at(oracle.free, np.array([EARLY_S]))[0]
    off = np.abs(found - wanted)
    away = np.abs(wanted - [solved.node_v[node] for node in oracle.free])
    print(f"{design.name}: {off.max():.1e} V at {oracle.free[int(off.argmax())]}")
    assert off.max() < 5e-6
    assert away.max() > 0.5


@pytest.mark.parametrize(
    ("design", "factor", "limit_db", "played"),
    [
        (load_design("treble_boost"), 32, -88.0, False),
        (on_a_battery("treble_boost"), 16, -92.0, False),
        (load_design("soft_clipper"), 16, -110.0, True),
    ],
    ids=["held", "torn supply", "torn bias, played"],
)
def test_render_from_power_up_against_ida(design, factor, limit_db, played) -> None:
    """45 ms from switch-on: error-to-signal ratio, the thump being the signal."""
    wanted = decimated(design, 4 * factor if factor > 16 else 16, played)
    take = guitar_like(np.arange(FRAMES) / FS) if played else np.zeros(FRAMES)
    result = render(design, take, FS, oversample=factor, from_power_up=True)
    error_db = energy_ratio_db(result.volts[: len(wanted), 0] - wanted, wanted)
    print(f"{design.name}: {error_db:.2f} dB at {factor}x, peak {np.abs(wanted).max():.3f} V, "
          f"own estimate {result.diagnostics.error_db:.2f}")  # fmt: skip
    assert error_db < limit_db
    assert result.diagnostics.segments == 1
    still = render(design, take, FS, oversample=factor).volts[: len(wanted), 0]
    assert energy_ratio_db(still - wanted, wanted) > -20.0


def test_what_is_remembered_of_a_torn_rail() -> None:
    """Its volts, those a tick earlier and its charge: the oracle's node, 1e-6 V; Q = C V."""
    design, rate = on_a_battery("treble_boost"), 8 * FS
    solved = solve_design(design)
    circuit = build_circuit(solved, rate)
    (number,) = (k for k in range(len(circuit.programs)) if circuit.feeds_rails(k))
    program = circuit.program(number)
    kept = dict(zip(program.memory, PowerUp(solved, EARLY_S).memory(circuit, number), strict=True))
    times = [EARLY_S / 2.0, EARLY_S - 1.0 / rate, EARLY_S]
    _, before, now = oracle_of(design).power_up(times, "supply") - solved.node_v["supply"]
    rail = len(program.parts)
    assert abs(before - now) > 1e-3
    assert kept[rail, "v0"] == pytest.approx(now, abs=1e-6)
    assert kept[rail, "v_old0"] == pytest.approx(before, abs=1e-6)
    # Sections hold a charge against it, too: their coupling capacitors, of nanofarads.
    assert kept[rail, "q0"] == pytest.approx(10e-6 * now, rel=1e-2)


def test_a_later_power_up_is_an_earlier_one_stepped_on() -> None:
    """Everything a lane remembers, eight ticks on: within 1e-4 of what each sort moves by.

    Past samples, remainders now and a step ago, rails and their flow: the kernel's own words.
    """
    solved, rate, ticks = solve_design(load_design("soft_clipper")), 16 * FS, 8
    circuit = build_circuit(solved, rate, (), usual_pace)
    numbers = range(len(circuit.programs))
    early, late = (
        [source.memory(circuit, number)[:, None] for number in numbers]
        for source in (PowerUp(solved, EARLY_S), PowerUp(solved, EARLY_S + ticks / rate))
    )
    stepper = Stepper([circuit], 1, real=np.float64)
    stepper.put(early)
    stepper.process(np.zeros((ticks, 1)))
    seen = set()
    for number, stepped in zip(numbers, stepper.states(), strict=True):
        for k, (part, name) in enumerate(circuit.program(number).memory):
            wanted, found, before = (m[k, 0] for m in (late[number], stepped, early[number]))
            word = name.rstrip("0123456789_")
            if np.isnan(wanted) or word in ("e", "theta", "q_lost"):
                continue  # what comes in is silent; shares and roundings are the kernel's alone
            seen.add(word)
            allowed = 1e-4 * abs(wanted - before) + (1e-9 if word in "ij" else 1e-7)
            assert abs(found - wanted) <= allowed, (number, part, name, found, wanted, before)
    assert seen == {"x", "h", "g", "i", "j", "v", "v_old", "q", "flow"}


def test_the_stated_error_holds_the_first_passage() -> None:
    """The jump of a boost on a held supply is the worst of its take; told within 3 dB."""
    design = load_design("treble_boost")
    wanted = decimated(design, 64)
    result = render(design, np.zeros(FRAMES), FS, from_power_up=True)
    error_db = energy_ratio_db(result.volts[: len(wanted), 0] - wanted, wanted)
    print(f"{error_db:.2f} dB, told {result.diagnostics.error_db:.2f}")
    assert result.diagnostics.error.worst_s == 0.0
    assert abs(result.diagnostics.error_db - error_db) < 3.0


def test_at_last_all_is_as_at_rest() -> None:
    """Two seconds later, on a rail of 2.2 ms, every stage within 1e-5 V of where it rests."""
    design = on_a_battery("treble_boost")
    taps = tuple(design.stages)
    found = render(design, np.zeros(2 * FS), FS, taps=taps, from_power_up=True)
    at_rest = render(design, np.zeros(2 * FS), FS, taps=taps)
    # Segments would be warmed up from rest, which is not where this take comes from.
    assert (found.diagnostics.segments, at_rest.diagnostics.segments > 1) == (1, True)
    for stage in taps:
        assert abs(found.taps[stage][-1, 0] - at_rest.taps[stage][-1, 0]) < 1e-5, stage
        assert found.taps[stage][0, 0] != pytest.approx(at_rest.taps[stage][0, 0], abs=1e-2), stage


def test_in_any_company(monkeypatch: pytest.MonkeyPatch) -> None:
    """Threads change no bit; channels, candidates and spans no more than roundings."""
    base = on_a_battery("treble_boost")
    other = base.with_value("supply.filter_capacitor", 22e-6)
    take = np.stack([guitar_like(np.arange(FS) / FS), np.zeros(FS)], axis=1)
    usual = render(base, take, FS, from_power_up=True)
    one = render(base, take, FS, from_power_up=True, threads=1)
    np.testing.assert_array_equal(usual.volts, one.volts)
    beside, _ = render_candidates([base, other], take, FS, from_power_up=True)
    monkeypatch.setattr("vadist.rendering.spans.SPAN_SAMPLES", 1 << 15)
    rendering = Rendering([base], FS, FS, 2, array_window(take), from_power_up=True)
    pieces = list(rendering.spans())
    assert len(pieces) > 1
    spans = np.concatenate([piece[0, :, :, 0] for piece in pieces])
    for found in (beside.volts, spans):
        assert np.abs(found - usual.volts).max() < 5e-6 * np.abs(usual.volts).max()


def test_what_hangs_on_no_supply_does_not_thump() -> None:
    """A tone blend alone: the same take with and without a switch-on."""
    design = alone(every_stage()["tone_blend"], load_ohm=1e6).design()
    design = design.with_value("supply.bias", 1e-9)  # its bias rail is ground
    take = guitar_like(np.arange(FRAMES) / FS)
    usual, switched = (render(design, take, FS, from_power_up=p).volts for p in (False, True))
    assert np.abs(switched - usual).max() < 1e-7
