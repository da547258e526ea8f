"""What must hold whatever the numbers: symmetry, rest, time, blocks, lanes, scale, energy.

Authority: the symmetries of the circuit equations themselves; nothing here knows a solution.
"""

import dataclasses

import numpy as np
import pytest
import soxr
from example_circuits import (
    PRESETS,
    SILICON,
    alone,
    antiparallel,
    every_stage,
    on_held_rails,
    published_clipper,
)
from signals import energy_ratio_db, guitar_like
from small_signal_chain import continuous_response, decibels

from vadist.circuits.network import DiodeString
from vadist.circuits.operating_point import solve_network
from vadist.designs.chain import Processor
from vadist.designs.design import Design
from vadist.designs.files import load_design, preset_names
from vadist.rendering.arrays import render
from vadist.stages import DiodeClipper, DiodePair, FeedbackClipper, ToneBlend
from vadist.stepping.batch import LANES
from vadist.stepping.circuit import build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.resampling import REACH
from vadist.stepping.stepper import Stepper

RATE = 8 * 48_000
FS = 48_000


def drive(seconds: float, peak_v: float = 1.0) -> np.ndarray:
    """A plucked note at the oversampled rate."""
    return peak_v / 0.3 * guitar_like(np.arange(round(seconds * RATE)) / RATE)


def processor(design: Design, channels: int = 1) -> Processor:
    return Processor(build_circuit(solve_network(design.network()), RATE), channels)


@pytest.mark.parametrize(
    "stage",
    [
        published_clipper(),
        published_clipper(None),
        DiodeClipper(
            series_resistor=1e3, diodes=antiparallel(SILICON), shunt_capacitor=22e-9,
            input_capacitor=1e-6,
        ),
    ],
    ids=["published", "static", "coupled"],
)  # fmt: skip
def test_symmetric_diodes_are_odd(stage):
    """Turned over going in, a signal comes out turned over.

    Newton's tolerance (5e-8 V) could break it, and behind a coupling capacitor the leak of
    1e-15 S to ground, which the engine gives to nodes that float at DC: 4.5 fA through the
    diodes' 0.1 uS.
    """
    x = drive(0.02, 3.0)
    up = alone(stage).discretize(RATE).process(x) - 4.5
    down = alone(stage).discretize(RATE).process(-x) - 4.5
    worst = np.abs(up + down).max()
    print(f"oddness broken by {worst:.1e} V of {np.abs(up).max():.2f} V")
    assert np.abs(up).max() > 0.5
    assert worst < (1e-8 if stage.input_capacitor is None else 1e-6)


def test_unequal_diodes_are_not_odd():
    """Two diodes one way and one the other: the test above can fail."""
    pair = DiodePair(DiodeString(SILICON, count=2), DiodeString(SILICON))
    stage = every_stage()["diode_clipper"]
    assert isinstance(stage, DiodeClipper)
    stage = dataclasses.replace(stage, diodes=pair)
    x = drive(0.02, 3.0)
    up = alone(stage).discretize(RATE).process(x) - 4.5
    down = alone(stage).discretize(RATE).process(-x) - 4.5
    print(f"unequal diodes: {np.abs(up + down).max():.3f} V from odd")
    assert np.abs(up + down).max() > 0.3


@pytest.mark.parametrize("name", preset_names())
def test_silence_stays_at_rest(name):
    """No signal, no thump, no drift: below 1e-13 V (-260 dB).

    The compiled laws round otherwise than the interpreted ones that found the operating point,
    and the stages amplify that.
    """
    chain = processor(load_design(name))
    off = np.abs(chain.process(np.zeros(20_000)) - chain.circuit.rest_v).max()
    result = render(load_design(name), np.zeros(2000), FS)
    rendered = np.abs(result.volts - chain.circuit.rest_v).max()
    print(f"{name}: silence within {off:.1e} V of rest, rendered {rendered:.1e} V")
    assert max(off, rendered) < 1e-13
    assert result.diagnostics.error_db is None


@pytest.mark.parametrize("name", PRESETS)
def test_time_shift_by_whole_frames(name):
    """A take that starts 100 frames later comes out 100 frames later.

    What is left is single precision: some 2e-7 V of 0.3 V, -123 dB.
    """
    x = guitar_like(np.arange(1500) / FS)
    early = render(load_design(name), x, FS).volts[:, 0]
    late = render(load_design(name), np.concatenate([np.zeros(100), x]), FS).volts[:, 0]
    worst = np.abs(late[100:] - early).max()
    print(f"{name}: shifted take within {worst:.1e} V of {np.ptp(early):.3f} V")
    assert worst < 1e-6


@pytest.mark.parametrize("block", [1, 7, 1000])
@pytest.mark.parametrize("name", PRESETS)
def test_block_size_does_not_matter(name, block):
    """A Processor fed in blocks of any size gives the same bits."""
    x = drive(0.004)
    whole = processor(load_design(name)).process(x)
    piecewise = processor(load_design(name))
    parts = [piecewise.process(x[k : k + block]) for k in range(0, len(x), block)]
    assert np.array_equal(np.concatenate(parts), whole)


def test_a_rescue_leaves_the_rest_of_a_block_alone():
    """Samples that Newton's method is helped with, in blocks of one and of many: the same bits.

    Three sections at their usual paces, and a rail; a loud 20 kHz sine.
    """
    circuit = build_circuit(
        solve_network(load_design("boosted_hard_clipper").network()), RATE, (), usual_pace
    )
    x = np.sin(2.0 * np.pi * 20e3 * np.arange(200) / RATE)
    heard = []
    for block in (1, 7, 200):
        stepper, parts = Stepper([circuit], 1, real=np.float64), []
        for first in range(0, len(x), block):
            stepper.process(x[first : first + block, None])
            parts.append(stepper.heard(circuit.output))
        assert stepper.statistics()[:, 2].sum() > 0, "without a rescue nothing is proved"
        heard.append(np.concatenate(parts))
    for other in heard[1:]:
        np.testing.assert_array_equal(other, heard[0])


@pytest.mark.parametrize("name", PRESETS)
def test_lanes_do_not_matter(name):
    """A signal comes out the same alone, among 8 lanes and in a full kernel.

    What the neighbours are must not matter. Between kernels of different width LLVM may fuse
    multiply and add elsewhere, so -140 dB is asked; within one width every lane must give the
    same bits.
    """
    x, other = drive(0.01), drive(0.01, 3.0)[::-1]
    lonely = processor(load_design(name)).process(x)
    same_width = []
    for lanes in (8, LANES):
        together = np.stack([x if k in (0, lanes - 1) else other * k for k in range(lanes)], axis=1)
        out = processor(load_design(name), lanes).process(together)
        same_width += [out[:, 0], out[:, -1]]
        off = np.sqrt(np.mean((out[:, 0] - lonely) ** 2)) / np.std(lonely)
        print(f"{name}: {lanes} lanes against one: {off:.1e} of the signal (0: the same bits)")
        assert off < 1e-7
    assert all(np.array_equal(same_width[0], column) for column in same_width)


def test_many_channels_do_not_matter():
    """32 channels, more than a kernel has lanes, each as if it were alone.

    Kernels of one lane and of sixteen round otherwise: in single precision by -121 dB.
    """
    x = guitar_like(np.arange(600) / FS)
    levels = np.linspace(0.1, 2.0, 32)
    wide = render(load_design("soft_clipper"), x[:, None] * levels, FS).volts
    for k in (0, 15, 16, 31):
        narrow = render(load_design("soft_clipper"), x * levels[k], FS).volts[:, 0]
        off = np.sqrt(np.mean((wide[:, k] - narrow) ** 2)) / np.std(narrow)
        print(f"channel {k} of 32: {off:.1e} of the signal")
        assert off < 2e-6


@pytest.mark.parametrize("factor", [0.1, 7.0])
def test_impedance_scale_leaves_the_response(factor):
    """R times k, C over k, diode currents over k: the same volts, linear and clipping."""

    def scaled(stage, k):
        values = {}
        for name, info in type(stage).fields().items():
            value = getattr(stage, name)
            if info.unit == "ohm" and info.kind == "part":
                values[name] = value * k
            if info.unit == "F" and value is not None:
                values[name] = value / k
            if info.kind == "pot":
                values[name] = dataclasses.replace(value, resistance=value.resistance * k)
        return dataclasses.replace(stage, **values)

    blend = every_stage()["tone_blend"]
    assert isinstance(blend, ToneBlend)
    f = np.geomspace(20.0, 20e3, 30)
    plain, moved = (
        continuous_response(alone(stage).design(), f) for stage in (blend, scaled(blend, factor))
    )
    linear = np.abs(decibels(moved / plain)).max()
    clipper = published_clipper()
    model = clipper.diodes.forward.model
    weaker = dataclasses.replace(model, saturation_current_a=model.saturation_current_a / factor)
    rescaled = dataclasses.replace(scaled(clipper, factor), diodes=antiparallel(weaker))
    x = drive(0.01, 3.0)
    worst = np.abs(
        alone(rescaled).discretize(RATE).process(x) - alone(clipper).discretize(RATE).process(x)
    ).max()
    print(f"impedances times {factor:g}: {linear:.1e} dB linear, {worst:.1e} V clipping")
    assert linear < 1e-9
    assert worst < 1e-9


@pytest.mark.parametrize("name", sorted(every_stage()))
@pytest.mark.parametrize("frequency_hz", [100.0, 1000.0, 5000.0])
def test_tiny_signals_follow_the_small_signal_response(name, frequency_hz):
    """10 uV sines through each stage: amplitude and phase of the response, within 0.1 dB."""
    design = alone(every_stage()[name], load_ohm=1e6).design()
    period = round(RATE / frequency_hz)
    settle = round(0.2 * RATE / period) * period
    t = np.arange(settle + 4 * period) / RATE
    run = processor(design)
    out = run.process(1e-5 * np.sin(2.0 * np.pi * RATE / period * t)) - run.circuit.rest_v
    spectrum = np.fft.rfft(out[settle:])
    found = spectrum[4] * 2j / (4 * period) / 1e-5
    wanted = continuous_response(design, [RATE / period])[0]
    off = decibels(found / wanted)
    angle = np.degrees(np.angle(found / wanted))
    print(f"{name} at {RATE / period:.0f} Hz: {off:+.4f} dB, {angle:+.3f} degrees")
    assert abs(off) < 0.1
    assert abs(angle) < 1.0


def test_tiny_signals_follow_whole_presets():
    """As above for the presets at 1 kHz: the linear limit of the chain."""
    for name in PRESETS:
        design = load_design(name)
        run = processor(design)
        t = np.arange(384 * 400) / RATE
        out = run.process(1e-6 * np.sin(2.0 * np.pi * 1000.0 * t)) - run.circuit.rest_v
        last = out[-384 * 100 :]
        found = np.abs(np.fft.rfft(last)[100]) * 2.0 / len(last) / 1e-6
        wanted = np.abs(continuous_response(design, [1000.0])[0])
        off = decibels(found / wanted)
        print(f"{name}: gain {decibels(wanted):.2f} dB, tiny signal {off:+.4f} dB off")
        assert abs(off) < 0.1


@pytest.mark.parametrize("stage", [published_clipper(), published_clipper(None)], ids=["rc", "r"])
@pytest.mark.parametrize("peak_v", [0.1, 1.0, 100.0])
def test_clipper_is_passive(stage, peak_v):
    """Resistor, capacitor and diodes, unloaded, give no more energy than they got, at any moment.

    sum out^2 <= sum in^2 from the start on, with noise and with a note, whose slow parts pass
    almost whole.
    """
    noise = peak_v * np.random.default_rng(7).standard_normal(4000)
    for x in (noise, drive(0.02, peak_v)):
        out = alone(stage).discretize(RATE).process(x) - 4.5
        assert (np.cumsum(out**2) <= np.cumsum(x**2) + 1e-12).all()
        assert np.abs(out).max() <= np.abs(x).max()
    print(f"{peak_v:g} V: {np.sum(out**2) / np.sum(x**2):.4f} of a note's energy comes out")


@pytest.mark.parametrize("name", preset_names())
def test_abuse_gives_finite_volts(name):
    """A 1 kV square and a full-scale 20 kHz sine: finite volts, the sine's within the supply.

    The square's may pass the supply: a roll-off capacitor feeds its steps through.
    """
    square = processor(load_design(name)).process(square_kv(500))
    sine = np.sin(2.0 * np.pi * 20e3 * np.arange(1000) / FS)
    tone = render(load_design(name), sine, FS).volts
    print(f"{name}: {np.abs(square).max():.2f} V from 1 kV, {np.abs(tone).max():.2f} V at 20 kHz")
    assert np.isfinite(square).all()
    assert np.isfinite(tone).all()
    assert np.abs(tone).max() < 9.0


def square_kv(samples: int) -> np.ndarray:
    """1 kV at 500 Hz, at the oversampled rate."""
    return 1000.0 * np.sign(np.sin(2.0 * np.pi * 500.0 * np.arange(samples) / RATE))


@pytest.mark.parametrize("name", sorted(every_stage()))
def test_abuse_of_a_stage_alone(name):
    """A 1 kV square straight into each stage."""
    out = alone(every_stage()[name], load_ohm=1e6).discretize(RATE).process(square_kv(3000))
    assert np.isfinite(out).all()


def test_input_clamp_and_loop_diodes_survive_abuse():
    """Diodes at the op-amp's input and in its loop together, under a 1 kV square."""
    stage = every_stage()["feedback_clipper"]
    assert isinstance(stage, FeedbackClipper)
    stage = dataclasses.replace(stage, input_clamp=antiparallel(SILICON))
    chain = {"series": published_clipper(), "stage": stage}
    design = Design("abuse", chain, input_at_bias=True)
    out = processor(design).process(square_kv(3000))
    assert np.isfinite(out).all()
    assert 0.0 < out.min() < out.max() < 9.0


def test_segments_join_without_a_seam():
    """The same take in one piece, stepped serially and in double precision, resampled at once."""
    design = on_held_rails("soft_clipper")
    x = np.tile(guitar_like(np.arange(4000) / FS), 60)
    cut = render(design, x, FS)
    assert cut.diagnostics.segments > 1
    circuit = build_circuit(solve_network(design.network()), RATE, (), usual_pace)
    stepper = Stepper([circuit], 1, real=np.float64)
    stepper.process(soxr.resample(x, FS, RATE, "VHQ")[:, None])
    fast = circuit.rate_hz(circuit.output)
    # The first sample ends the first tick, whose last step is the first that counts.
    heard = stepper.heard(circuit.output)[circuit.paces[circuit.output.section] - 1 :, 0]
    serial = soxr.resample(heard, fast, RATE, "VHQ")
    serial = soxr.resample(serial, RATE, FS, "VHQ")
    inside = slice(REACH, -REACH)  # a render also knows the silence around a take
    off = (cut.volts[:, 0] - circuit.rest_v - serial[: len(x)])[inside]
    error_db = energy_ratio_db(off, serial[inside])
    print(f"{cut.diagnostics.segments} segments: {error_db:.1f} dB from a serial run")
    # Single precision, and seams of 3e-6 V in a state.
    assert error_db < -105.0
