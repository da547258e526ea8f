"""A bypass and a switch that are thrown during a take, clicks and all.

Authority: SUNDIALS IDA on the undivided nodal equations, begun anew at each throw from the charges
before it.
"""

import dataclasses

import numpy as np
import soxr
from circuit_oracle import CircuitOracle, device_models, solve_thrown
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist.circuits.operating_point import solve_network
from vadist.designs.contacts import parse_bypass
from vadist.designs.files import load_design, parse_design
from vadist.designs.moves import parse_move
from vadist.designs.turning import turned
from vadist.rendering.spans import Rendering, array_window

FS, FRAMES, REACH, TRUTH = 48_000, 1100, 256, 64
CLOSED_OHM, OPEN_OHM = 0.05, 1e11


def wanted_and_found(design, text, closed, factor, bypass="true"):
    """Deviation of the output from rest by both; ``closed`` tells contacts piece by piece."""
    move = parse_move(text)
    start = turned(design, [move], FS, parse_bypass(bypass))
    solved = solve_network(start.network)
    pieces = []
    for (at, _), parts in zip(move.points, closed, strict=True):
        resistors = [
            dataclasses.replace(r, value=CLOSED_OHM if r.part in parts else OPEN_OHM)
            if r.part in start.network.contacts
            else r
            for r in start.network.resistors
        ]
        network = dataclasses.replace(start.network, resistors=resistors)
        pieces.append((at, CircuitOracle(network, device_models(design))))
    fast = np.arange(FRAMES * TRUTH) / (FS * TRUTH)
    node = tuple(start.network.outputs.values())[-1]
    volts = solve_thrown(pieces, solved.node_v, fast, guitar_like, guitar_like_slope, node)
    rest = solved.node_v[node]
    wanted = soxr.resample(volts - rest, FS * TRUTH, FS, "VHQ")[: FRAMES - REACH]
    take = guitar_like(np.arange(FRAMES) / FS)
    rendering = Rendering(
        [design], FS, FRAMES, 1, array_window(take[:, None]), oversample=factor, moves=[move],
        bypass=parse_bypass(bypass),
    )  # fmt: skip
    return wanted, rendering.whole()[0, : FRAMES - REACH, 0, 0] - rest


def test_a_true_bypass_thrown_twice_during_a_note() -> None:
    """Out at 6 ms, in again at 12 ms, with what the coupling capacitors held meanwhile."""
    inside, outside = {"bypass.in", "bypass.out"}, {"bypass.through"}
    wanted, found = wanted_and_found(
        load_design("treble_boost"), "bypass=in@0s,out@6ms,in@12ms", [inside, outside, inside], 16
    )
    error_db = energy_ratio_db(found - wanted, wanted)
    click = np.abs(np.diff(wanted)).max()
    print(f"{error_db:.1f} dB; steepest {click:.2f} V a frame")
    assert error_db < -80.0


def test_a_buffered_bypass_whose_effect_is_driven_on() -> None:
    """The output alone changes over, behind an op-amp that goes on clipping."""
    inside, outside = {"bypass.out"}, {"bypass.through"}
    wanted, found = wanted_and_found(
        load_design("soft_clipper").with_value("drive", 0.8), "bypass=in@0s,out@6ms,in@12ms",
        [inside, outside, inside], 16, "buffered",
    )  # fmt: skip
    error_db = energy_ratio_db(found - wanted, wanted)
    print(f"{error_db:.1f} dB")
    assert error_db < -80.0


# 2k2 from 0.5 V or so: fractions of a milliampere in the diodes. A capacitor before them leaves an
# offset that a pair unlike in its halves has charged, and that the other one meets.
VOICES = """
name = "voices"
[load]
resistance = "100k"
[[stage]]
name = "mix"
type = "wired"
[stage.parts]
into = "capacitor 470n: source to in"
series = "resistor 2k2: in to output"
leak = "resistor 47k: output to ground"
voice = "switch silicon: common to output, silicon to soft, mixed to uneven, off to nothing"
soft = "diodes 1N4148: soft to ground"
uneven = "diodes {forward = '1N34A', reverse = {type = '1N4148', count = 2}}: uneven to ground"
"""


def test_a_switch_of_diodes_thrown_during_a_note() -> None:
    """From silicon to an uneven pair, then to none."""
    wanted, found = wanted_and_found(
        parse_design(VOICES), "mix.voice=silicon@0s,mixed@6ms,off@12ms",
        [{"mix.voice.silicon.1"}, {"mix.voice.mixed.1"}, set()], 16,
    )  # fmt: skip
    error_db = energy_ratio_db(found - wanted, wanted)
    print(f"{error_db:.1f} dB")
    assert error_db < -80.0


def test_a_take_begins_with_contacts_where_the_switch_stands() -> None:
    """The network that rests as the take begins, throw by throw."""
    names = ("silicon", "mixed")
    for first, other in (names, names[::-1], ("off", "mixed")):
        move = parse_move(f"mix.voice={first}@0s,{other}@6ms")
        network = turned(parse_design(VOICES), [move], FS).network
        ohms = {r.part: r.value for r in network.resistors if r.part in network.contacts}
        assert ohms == {
            f"mix.voice.{name}.1": CLOSED_OHM if name == first else OPEN_OHM for name in names
        }
