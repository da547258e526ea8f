"""Knobs that are turned during a take, against solvers that know nothing of how time is stepped.

Authority: SUNDIALS IDA on the undivided nodal equations with resistances that are functions of
time; scipy's solve_ivp (DOP853) on one capacitor behind such a resistance.
"""

import numpy as np
import pytest
import soxr
from circuit_oracle import CircuitOracle, device_models
from moved_ohms import END_OHM, ohms_of
from scipy.integrate import solve_ivp
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist.circuits.operating_point import solve_network
from vadist.designs.files import load_design, parse_design
from vadist.designs.moves import parse_move
from vadist.designs.turning import turned
from vadist.rendering.spans import Rendering, array_window
from vadist.stepping.rails import tear

FS, REACH, TRUTH = 48_000, 256, 16

# A boost whose bias is a knob. Wanted 0.9 to 2.8 V at the wiper: 47k and 147k of 477k from 9 V. One
# less 0.6 V over 1k5: 0.2 to 1.4 mA, so that the collector goes from 8 V down to 3 V through 4k7.
# 220n into 100k || 1M: 8 Hz.
BIAS_KNOB = """
name = "bias knob"
[load]
resistance = "1M"
[[stage]]
name = "boost"
type = "wired"
[stage.parts]
into = "capacitor 100n: source to base"
above = "resistor 330k: supply to top"
trim = "pot 100k: top to top, wiper to wiper, bottom to low"
below = "resistor 47k: low to ground"
feed = "resistor 47k: wiper to base"
q = "transistor 2N3904: collector to collector, base to base, emitter to emitter"
load = "resistor 4k7: supply to collector"
tail = "resistor 1k5: emitter to ground"
out = "capacitor 220n: collector to output"
leak = "resistor 100k: output to ground"
[controls.bias]
moves = ["boost.trim"]
position = 0.5
"""


def oracle_and_render(design, moves, frames, volts, slope, factor):
    """Output of both, deviations from rest at the start."""
    start = turned(design, [parse_move(text) for text in moves], FS)
    solved = solve_network(start.network)
    ohms = {}
    for text in moves:
        ohms |= ohms_of(design, start.network, text)
    oracle = CircuitOracle(start.network, device_models(design), ohms)
    fast = np.arange(frames * TRUTH) / (FS * TRUTH)
    found = oracle.solve(
        solved.node_v, fast, volts, slope, design.output, rtol=1e-8, atol=1e-9, max_step=1e-3
    )
    rest = solved.node_v[design.output]
    wanted = soxr.resample(found - rest, FS * TRUTH, FS, "VHQ")[: frames - REACH]
    take = volts(np.arange(frames) / FS)
    rendering = Rendering(
        [design], FS, frames, 1, array_window(take[:, None]), oversample=factor,
        moves=[parse_move(text) for text in moves],
    )  # fmt: skip
    return wanted, rendering.whole()[0, : frames - REACH, 0, 0] - rest


def test_a_drive_and_a_tone_knob_of_a_preset_turned_at_once():
    """19 ms of a note through seven stages and a moving bias rail, at 16x: -90 dB at most."""
    design = load_design("boosted_hard_clipper")
    moves = ["drive=20%@3ms,90%@8ms", "tone=0.1@4ms,0.9@9ms,0.3@12ms"]
    wanted, found = oracle_and_render(design, moves, 900, guitar_like, guitar_like_slope, 16)
    error_db = energy_ratio_db(found - wanted, wanted)
    print(f"{error_db:.1f} dB")
    assert error_db < -90.0


def still(t):
    return np.zeros_like(np.asarray(t, dtype=float))


def test_the_thump_of_a_bias_that_is_turned():
    """No note: all that is heard is the point of rest on its way, volts of it."""
    design = parse_design(BIAS_KNOB)
    moves = ["bias=0.2@4ms,0.95@9ms,0.4@20ms"]
    wanted, found = oracle_and_render(design, moves, 1440, still, still, 16)
    error_db = energy_ratio_db(found - wanted, wanted)
    print(f"thump {np.abs(wanted).max():.2f} V, {error_db:.1f} dB")
    assert np.abs(wanted).max() > 0.8
    assert error_db < -105.0


def test_a_note_through_a_bias_that_is_turned():
    """Rest, gain and limits move under the note: -105 dB."""
    design = parse_design(BIAS_KNOB)
    moves = ["bias=0.2@4ms,0.95@9ms,0.4@20ms"]
    wanted, found = oracle_and_render(design, moves, 1440, guitar_like, guitar_like_slope, 16)
    error_db = energy_ratio_db(found - wanted, wanted)
    print(f"{error_db:.1f} dB")
    assert error_db < -105.0


def test_a_pot_from_a_rail_that_moves():
    """The knob's own current pulls the supply, 100 ohm and 100 uF, and the boost with it.

    15k under the track: 1.2 to 2.7 V at the wiper. The rail alone is off by some 1e-5 V.
    """
    text = BIAS_KNOB.replace(
        "[load]", '[supply]\nresistance = "100R"\nfilter_capacitor = "100u"\n[load]'
    )
    text = text.replace('above = "resistor 330k: supply to top"\n', "").replace(
        "to top,", "to supply,"
    )
    design = parse_design(text.replace("resistor 47k: low", "resistor 15k: low"))
    moves = ["bias=0.2@4ms,0@9ms,0.15@20ms"]
    assert tear(solve_network(turned(design, [parse_move(moves[0])], FS).network)).rails == (
        "supply",
    )
    wanted, found = oracle_and_render(design, moves, 1440, still, still, 16)
    error_db = energy_ratio_db(found - wanted, wanted)
    print(f"thump {np.abs(wanted).max():.2f} V, {error_db:.1f} dB")
    assert error_db < -90.0


LOW_PASS = """
name = "low pass"
[load]
resistance = "1G"
[[stage]]
name = "cut"
type = "wired"
[stage.parts]
series = "resistor 1k: source to in"
knob = "rheostat 100k: in to output"
shunt = "capacitor 10n: output to ground"
[controls.tone]
moves = ["cut.knob"]
position = 0.5
"""


def test_a_capacitor_behind_a_rheostat_that_is_turned():
    """1k and 0 to 100k into 10n, all of the track in 7 ms: of second order in the step.

    Where 10 us of RC grow by a seventh in each of them, the render says so within 2 dB.
    """
    design, frames = parse_design(LOW_PASS), 1200
    at, positions = np.array([5e-3, 12e-3, 17e-3]), np.array([0.0, 1.0, 0.25])
    move = ",".join(f"{p}@{1e3 * t:g}ms" for t, p in zip(at, positions, strict=True))
    fast = np.arange(frames * TRUTH) / (FS * TRUTH)

    def charge(t, v):
        ohm = 1e3 + max(1e5 * np.interp(t, at, positions), END_OHM)
        return ((guitar_like(t) - v) / ohm - v / 1e9) / 10e-9

    exact = solve_ivp(
        charge, (0.0, fast[-1]), [0.0], "DOP853", t_eval=fast, rtol=1e-10, atol=1e-12,
        max_step=5e-5,
    ).y[0]  # fmt: skip
    wanted = soxr.resample(exact, FS * TRUTH, FS, "VHQ")[: frames - REACH]
    off = []
    for factor in (16, 8):
        take = guitar_like(np.arange(frames) / FS)
        rendering = Rendering(
            [design], FS, frames, 1, array_window(take[:, None]), oversample=factor,
            moves=[parse_move(f"tone={move}")],
        )  # fmt: skip
        found = rendering.whole()[0, : frames - REACH, 0, 0]
        off.append(energy_ratio_db(found - wanted, wanted))
    says_db = rendering.diagnostics(0).error_db
    print(f"{off[1]:.1f} dB at 8x, which says {says_db:.1f} dB, {off[0]:.1f} dB at 16x")
    assert off[1] < -110.0
    assert off[1] - off[0] == pytest.approx(12.0, abs=0.5)
    assert says_db == pytest.approx(off[1], abs=2.0)
