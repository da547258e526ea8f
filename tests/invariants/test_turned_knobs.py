"""What must hold of knobs that are turned, whatever the circuit.

Authority: identities. A knob that goes nowhere is a knob; before a move nothing has moved; how a
take is cut, and what else is rendered beside it, is not heard.
"""

import numpy as np
import pytest
from signals import energy_ratio_db

from vadist.designs.files import load_design
from vadist.designs.moves import Move
from vadist.rendering import spans
from vadist.rendering.arrays import render, render_candidates
from vadist.stepping import plan

RATE = 48_000
TIME = np.arange(RATE // 5) / RATE
NOTE = 0.2 * np.sin(2 * np.pi * 196 * TIME) * np.exp(-3 * TIME)
CLIPPER = load_design("soft_clipper")


@pytest.mark.parametrize("move", ["drive=70%@1s,0.7@3s", "drive=0.7@0s"])
def test_a_knob_that_goes_nowhere_is_the_fixed_render_bit_for_bit(move) -> None:
    fixed = render(CLIPPER.with_value("drive", 0.7), NOTE, RATE)
    found = render(CLIPPER, NOTE, RATE, moves=[move])
    assert found.volts.tobytes() == fixed.volts.tobytes()
    assert found.diagnostics == fixed.diagnostics


def test_before_a_move_and_long_behind_it_stand_fixed_knobs() -> None:
    """Before: the fixed render's rounding in single precision. Behind: a state that has settled."""
    move = Move("tone", ((0.06, 0.2), (0.07, 0.8)))
    found = render(CLIPPER, NOTE, RATE, moves=[move]).volts[:, 0]
    early = render(CLIPPER.with_value("tone", 0.2), NOTE, RATE).volts[:, 0]
    late = render(CLIPPER.with_value("tone", 0.8), NOTE, RATE).volts[:, 0]
    before, behind = slice(0, 2800), slice(7200, 9000)
    assert energy_ratio_db((found - early)[before], early[before]) < -110.0
    assert energy_ratio_db((found - late)[behind], late[behind]) < -60.0
    assert energy_ratio_db((found - late)[before], late[before]) > -30.0


def test_silence_stays_silent_where_pots_hold_no_direct_current() -> None:
    """Of this design's pots none does: whatever is turned, no thump but of volts' own rounding."""
    moves = ["drive=0@10ms,1@30ms", "level=0.1@0s,1@30ms"]
    volts = render(CLIPPER, np.zeros(1920), RATE, moves=moves).volts
    print(f"{np.abs(volts).max():.1e} V")
    assert np.abs(volts).max() < 1e-8


def test_candidates_spans_and_segments_are_not_heard(monkeypatch) -> None:
    """Side by side with another value, two channels, in pieces that start with a warm-up."""
    seconds = np.arange(3 * RATE // 2) / RATE
    take = 0.2 * np.sin(2 * np.pi * 196 * seconds) * np.exp(-3 * (seconds % 0.4))
    take = np.column_stack([take, take[::-1]])
    boost, moves = load_design("treble_boost"), ["level=0.2@0.3s,0.9@1.2s"]
    other = boost.with_value("volume.level_pot", "47k")
    beside = render_candidates([other, boost], take, RATE, moves=moves)[1]
    assert beside.diagnostics.segments > 1
    assert beside.diagnostics.seams_mended == 0
    monkeypatch.setattr(plan, "_LONGEST_WARM_UP_S", -1.0)
    monkeypatch.setattr(spans, "SPAN_SAMPLES", 1 << 16)
    alone = render(boost, take, RATE, moves=moves, threads=1)
    assert alone.diagnostics.segments == 1
    error_db = energy_ratio_db(beside.volts - alone.volts, alone.volts)
    print(f"{error_db:.1f} dB")
    assert error_db < -120.0


def test_a_take_from_power_up_may_turn_knobs() -> None:
    """Before the move the thump of switching on is that of fixed knobs."""
    fixed = render(CLIPPER.with_value("tone", 0.3), NOTE, RATE, from_power_up=True).volts[:, 0]
    found = render(CLIPPER, NOTE, RATE, from_power_up=True, moves=["tone=0.3@0.1s,1@0.15s"]).volts[
        :, 0
    ]
    before = slice(0, 4700)
    assert energy_ratio_db((found - fixed)[before], fixed[before]) < -110.0
    assert energy_ratio_db((found - fixed)[7200:], fixed[7200:]) > -40.0
