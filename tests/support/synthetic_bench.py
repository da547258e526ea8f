"""A bench made of software: a board solved by SUNDIALS IDA, in front of an 8-bit oscilloscope.

The board is integrated by ``circuit_oracle`` and never by the package's kernel. The stimulus is a
smooth function of time; the oscilloscope has a clock, a trigger, a probe, noise and steps of its
own.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from circuit_oracle import CircuitOracle, device_models
from example_circuits import NPN, OPAMP, SILICON, antiparallel
from scipy.interpolate import CubicSpline

from vadist.captures.capture import Capture
from vadist.circuits.operating_point import solve_all
from vadist.designs.design import Design, Source
from vadist.stages import (
    CouplingHighPass,
    DiodeClipper,
    OpAmpGain,
    Pot,
    ToneBlend,
    TransistorBoost,
)

PLAYER_HZ = 48_000
SCOPE_HZ = 250e3
SOLVED_HZ = 500e3
_FINE = 16


def short_board() -> Design:
    """Boost, op-amp gain, clipper and blend; drive rather low, so that every block is heard.

    Values as calculated (a corner is 1/(2 pi R C)): the boost rests at half the supply, collector
    0.80 V (1 + 180k/56k) + 6.0 uA x 180k = 4.5 V, and passes from 680n (1k + 1k5 + 5k3) = 30 Hz on,
    an octave and more under the low E of 82.4 Hz; gain 1 + 4k7/1k = 5.7 from 159 Hz (1k 1u) to
    10 kHz (4k7 3n3); the op-amp's 3 V less 0.6 V drives 1.1 mA through 2k2, 4.8 kHz with 15n; arms
    of 482 Hz (22k 15n) and 1.06 kHz (6n8 22k), ten times the clipper's 2k2.
    """
    stages = {
        "boost": TransistorBoost(
            input_capacitor=680e-9, feedback_resistor=180e3, collector_resistor=5.6e3,
            transistor=NPN, base_resistor=1.5e3, emitter_resistor=180.0, ground_resistor=56e3,
            rolloff_capacitor=220e-12,
        ),
        "coupling": CouplingHighPass(capacitor=100e-9, bias_resistor=100e3),
        "gain": OpAmpGain(
            opamp=OPAMP, feedback_resistor=4.7e3, leg_resistor=1e3, leg_capacitor=1e-6,
            feedback_capacitor=3.3e-9,
        ),
        "clipper": DiodeClipper(
            series_resistor=2.2e3, diodes=antiparallel(SILICON), shunt_capacitor=15e-9
        ),
        "blend": ToneBlend(
            low_resistor=22e3, low_capacitor=15e-9, high_capacitor=6.8e-9, high_resistor=22e3,
            blend_pot=Pot(100e3, 0.5),
        ),
    }  # fmt: skip
    return Design("bench board", stages, source=Source(resistance=1e3), load_ohm=250e3)


PARTS = {
    "boost": (
        "input_capacitor", "feedback_resistor", "collector_resistor", "emitter_resistor",
        "base_resistor", "ground_resistor",
    ),
    "gain": ("feedback_resistor", "leg_resistor", "leg_capacitor", "feedback_capacitor"),
    "clipper": ("series_resistor", "shunt_capacitor"),
    "blend": ("low_resistor", "low_capacitor", "high_capacitor", "high_resistor"),
}  # fmt: skip
"""Parts of each block that a check must find off by 10 %."""


def sweep(seconds, low_hz, high_hz, level_v):
    """Exponential sweep with rounded ends."""
    t = np.arange(round(seconds * PLAYER_HZ)) / PLAYER_HZ
    k = np.log(high_hz / low_hz) / seconds
    edge = np.minimum(1.0, np.minimum(t, seconds - t) / 1e-3)
    wave = np.sin(2 * np.pi * low_hz * np.expm1(k * t) / k)
    return level_v * wave * np.sin(0.5 * np.pi * np.maximum(edge, 0.0)) ** 2


def level_sweeps(levels_v=(0.01, 0.04, 0.2), seconds=0.02):
    """Sweeps at several levels: linear, bending and clipped; silence around them."""
    quiet = np.zeros(round(4e-3 * PLAYER_HZ))
    pieces = [quiet, quiet]
    for level in levels_v:
        pieces += [sweep(seconds, 150.0, 12e3, level), quiet]
    return np.concatenate(pieces)


def stimulus_capture(volts) -> Capture:
    """What the player was told to play."""
    return Capture("stimulus", float(PLAYER_HZ), ("stimulus",), np.asarray(volts)[:, None])


def solve_board(design: Design, volts, change=None) -> tuple[CubicSpline, CubicSpline]:
    """Input and output volts as functions of time, from IDA.

    ``change`` may add to the network what no design holds.
    """
    import soxr

    margin = np.zeros(256)
    fine = soxr.resample(
        np.concatenate([margin, volts, margin]), PLAYER_HZ, PLAYER_HZ * _FINE, "VHQ"
    )
    times = (np.arange(len(fine)) - len(margin) * _FINE) / (PLAYER_HZ * _FINE)
    # From where the signal is exactly zero, so that the start is consistent.
    drive = CubicSpline(times, fine)
    slope = drive.derivative()
    network = design.network()
    if change is not None:
        change(network)
    rest = {}
    for section, point in solve_all(network):
        rest.update(zip(section.unknowns, point.node_v, strict=True))
    start = 1e-3
    t = start + np.arange(int((len(volts) / PLAYER_HZ - start) * SOLVED_HZ)) / SOLVED_HZ
    oracle = CircuitOracle(network, device_models(design))
    y = oracle.solve(
        rest, t - start, lambda s: float(drive(s + start)), lambda s: float(slope(s + start)),
        design.output, rtol=1e-7, atol=1e-8, max_step=1e-3,
    )  # fmt: skip
    before = np.arange(int(start * SOLVED_HZ)) / SOLVED_HZ
    whole = np.concatenate([before, t])
    return drive, CubicSpline(whole, np.concatenate([np.full(len(before), y[0]), y]))


@dataclass(frozen=True)
class Scope:
    """An oscilloscope's imperfections.

    Attributes
    ----------
    bits : int
    noise_steps : float
        Rms noise in converter steps.
    gain : float
        Probe and attenuator, largest departure from 1.
    clock_ppm : float
        Largest departure.
    trigger_s : float
        Latest trigger after the player's start.
    range_share : float
        Share of the converter's range that the signal fills.
    rate_hz : float
        There is no filter before it: what lies above half of it folds back.
    """

    bits: int = 8
    noise_steps: float = 0.5
    gain: float = 0.02
    clock_ppm: float = 50.0
    trigger_s: float = 1e-3
    range_share: float = 0.8
    rate_hz: float = SCOPE_HZ

    def record(self, waves, seconds, generator, names=("output",)) -> Capture:
        """Capture of functions of time, each channel with its own gain and range."""
        clock = 1.0 + 1e-6 * generator.uniform(-self.clock_ppm, self.clock_ppm)
        trigger = generator.uniform(0.0, self.trigger_s)
        t = (
            trigger
            + clock * np.arange(int((seconds - trigger) / clock * self.rate_hz) - 2) / self.rate_hz
        )
        channels = []
        for wave in waves:
            volts = wave(t) * (1.0 + generator.uniform(-self.gain, self.gain))
            middle = 0.5 * (volts.max() + volts.min())
            step = np.ptp(volts) / (self.range_share * 2**self.bits)
            noisy = volts - middle + generator.normal(0.0, self.noise_steps * step, len(t))
            channels.append(step * np.round(noisy / step) + middle)
        return Capture("capture", self.rate_hz, names, np.stack(channels, axis=1))


@cache
def solved_change(path: str, factor: float, seconds: float = 0.02) -> CubicSpline:
    """Output of the short board with one part changed, to level sweeps of that length."""
    design = short_board()
    if path:
        value = design.value(path)
        design = design.with_value(path, value * factor)
    return solve_board(design, level_sweeps(seconds=seconds))[1]


@dataclass(frozen=True)
class FitCase:
    """A board with parts that differ from its design, recorded.

    Attributes
    ----------
    design : Design
        The nominal values.
    truth : mapping of path -> value
    source, capture : Capture
    """

    design: Design
    truth: dict[str, float]
    source: Capture
    capture: Capture


FITTED = (
    "boost.emitter_resistor", "boost.input_capacitor", "boost.feedback_resistor",
    "gain.leg_resistor", "gain.leg_capacitor", "clipper.series_resistor",
    "clipper.shunt_capacitor", "blend.low_capacitor", "blend.high_capacitor",
    "blend.high_resistor",
)  # fmt: skip
"""Parts that fit cases draw from."""


def draw_parts(generator, parts: int) -> tuple[Design, dict[str, float]]:
    """Draw a board with ``parts`` of :data:`FITTED` off by up to 25 %, and their values."""
    board, truth = short_board(), {}
    for path in generator.choice(FITTED, parts, replace=False).tolist():
        truth[path] = float(board.value(path) * np.exp(generator.uniform(-0.22, 0.22)))
        board = board.with_value(path, truth[path])
    return board, truth


def record_board(board, truth, volts, scope, generator, change=None) -> FitCase:
    """Solve a board, record it, and put it beside the nominal design."""
    output = solve_board(board, volts, change)[1]
    capture = scope.record([output], len(volts) / PLAYER_HZ, generator)
    return FitCase(short_board(), truth, stimulus_capture(volts), capture)


def fit_case(seed: int, parts: int = 3) -> FitCase:
    """Draw a board with parts off, and nothing else wrong with it."""
    generator = np.random.default_rng(1000 + seed)
    board, truth = draw_parts(generator, parts)
    return record_board(board, truth, level_sweeps((0.02, 0.2), 0.015), Scope(), generator)
