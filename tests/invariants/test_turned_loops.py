"""A loop that is turned is the take rendered: whatever was kept, shared or begun from memory.

Authority: the engine of :func:`vadist.render`, which knows nothing of loops; ITU-R BS.1770 for the
level.
"""

import numpy as np
import pytest

from vadist import load_design
from vadist.circuits.operating_point import solve_network
from vadist.measure import integrated_loudness
from vadist.rendering.spans import Rendering, array_window
from vadist.stepping.circuit import build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.stepper import programs_of
from vadist.turning.loop import Loop
from vadist.turning.segments import DRAFT_SEAM_V, SEAM_V
from vadist.turning.sounds import LEVEL_LUFS, SEAM_FADE_S, Sound, sound_of
from vadist.turning.strips import behind, cuts
from vadist.turning.work import Desk, Superseded

RATE = 48_000
SETTLED_DB, DRAFT_DB = -80.0, -40.0
# A seam may be off by 2e-5 V in a state, which an op-amp behind it makes some millivolts of.


@pytest.fixture(scope="module")
def take():
    """Three plucks, 0.5 s, so that a rail moves and a seam meets every part of a note."""
    time = np.arange(RATE // 2) / RATE
    since = time % 0.17
    note = np.exp(-9.0 * since) * np.sin(2.0 * np.pi * 196.0 * since)
    return 0.2 * (note + 0.5 * np.exp(-6.0 * since) * np.sin(2.0 * np.pi * 294.0 * since))[:, None]


def rendered(design, take):
    """As :func:`vadist.render` does, but for the statement of its error."""
    window = array_window(take)
    rendering = Rendering([design], RATE, len(take), take.shape[1], window, threads=2)
    return rendering.whole()[0, :, :, 0] - rendering.circuits(rendering.method)[0].rest_v


def apart_db(found, wanted):
    return 10.0 * np.log10(np.mean((found - wanted) ** 2) / np.mean(wanted**2))


@pytest.mark.parametrize(
    ("name", "settings"),
    [
        (
            "boosted_hard_clipper",  # one program, for its bias rail moves
            [("level", "0.6"), ("buffer.input_capacitor", "10n"), ("supply.bias_capacitor", "22u")],
        ),
        ("three_band_clipper", [("level", "0.5"), ("gain.feedback_resistor", "8k2")]),
    ],
)  # fmt: skip
def test_whatever_was_turned_before_a_loop_is_the_take_rendered(name, settings, take) -> None:
    design = load_design(name)
    loop = Loop(take, RATE, threads=2)
    assert apart_db(loop.render(design).volts, rendered(design, take)) < SETTLED_DB
    for path, text in settings:
        design = design.with_value(path, text)
        wanted = rendered(design, take)
        draft = loop.render(design, draft=True)
        assert draft.seam_v <= DRAFT_SEAM_V
        assert apart_db(draft.volts, wanted) < DRAFT_DB
        settled = loop.render(design)
        assert settled.settled
        assert settled.seam_v <= SEAM_V
        assert apart_db(settled.volts, wanted) < SETTLED_DB, path


def test_two_channels_are_two_takes(take) -> None:
    design = load_design("treble_boost")
    both = np.concatenate([take, -0.5 * take[::-1]], axis=1)
    found = Loop(both, RATE, threads=2).render(design).volts
    assert apart_db(found, rendered(design, both)) < SETTLED_DB


def test_a_short_loop_is_one_lane_from_rest(take) -> None:
    """No seams, no memory: what is left is the rounding of a kernel that leaves out less."""
    design, short = load_design("boosted_hard_clipper"), take[:1200]
    heard = Loop(short, RATE, threads=1).render(design)
    assert heard.seam_v == 0.0
    assert apart_db(heard.volts, rendered(design, short)) < -115.0


def test_a_supply_that_hums_hums_by_the_take(take) -> None:
    design = load_design("boosted_hard_clipper").with_value("supply.ripple", "50mV 100Hz")
    design = design.with_value("supply.resistance", "100R")
    design = design.with_value("supply.filter_capacitor", "47u")
    found = Loop(take, RATE, threads=2).render(design).volts
    assert apart_db(found, rendered(design, take)) < SETTLED_DB


def test_only_what_follows_a_change_is_stepped(take) -> None:
    design = load_design("three_band_clipper")
    loop = Loop(take, RATE, threads=2)
    assert set(loop.render(design).blocks) >= {"input", "gain", "tone", "make_up", "volume"}
    late = loop.render(design.with_value("make_up.feedback_resistor", "22k"))
    assert "volume" in late.blocks
    assert not {"input", "gain", "tone"} & set(late.blocks)
    early = loop.render(design.with_value("input.capacitor", "10n"))
    assert "input" in early.blocks
    again = loop.render(design.with_value("input.capacitor", "10n"))
    assert np.array_equal(early.volts, again.volts)


def test_a_circuit_behind_a_cut_hears_what_crosses_there(take) -> None:
    circuit = Loop(take, RATE).circuit(load_design("three_band_clipper"))
    for first, tap in cuts(circuit).items():
        late = behind(circuit, first)
        assert late.entry_pace == circuit.paces[tap.section]
        assert late.sample_rate_hz == circuit.rate_hz(tap)
        assert len(late.programs) == len(circuit.programs) - first
        assert late.rate_hz(late.output) == circuit.rate_hz(circuit.output)


def test_a_changed_value_compiles_nothing(take) -> None:
    """Values that without that have one more slow state, other zeros, or a real pair of modes."""
    design = load_design("boosted_hard_clipper")
    loop = Loop(take, RATE)
    loop.learn(design)
    (wanted,) = programs_of([loop.circuit(design)], [16])
    (alone,) = programs_of([built(design)], [16])
    changes = [("clipper.shunt_capacitor", "33n"), ("buffer.input_capacitor", "10n"),
               ("clipper.diodes", "red LED"), ("level", "0.05")]  # fmt: skip
    others = [design.with_value(path, text) for path, text in changes]
    assert [programs_of([loop.circuit(other)], [16]) for other in others] == [[wanted]] * 4
    assert any(programs_of([built(other)], [16]) != [alone] for other in others)


def built(design):
    return build_circuit(solve_network(design.network()), 8.0 * RATE, (), usual_pace)


def test_lanes_begin_from_what_they_remembered(take) -> None:
    """Passes of 2 s in 20 segments: 8 from rest; then 4 and 6, which are 7 without memory.

    Without shares, or with those of the slowest mode alone, they are 13, 4 and 12.
    """
    design = load_design("boosted_hard_clipper")
    loop = Loop(np.tile(take, (4, 1)), RATE, threads=2)
    assert loop.render(design).passes <= 10
    assert loop.render(design.with_value("level", "0.7")).passes <= 4
    assert loop.render(design.with_value("buffer.input_capacitor", "18n")).passes <= 6


@pytest.mark.parametrize("after", [10, 60])
def test_work_that_nobody_waits_for_is_dropped_and_harms_nothing(after, take) -> None:
    """Called off in the first pass and in a later one."""
    design = load_design("boosted_hard_clipper")
    loop = Loop(take[:12_000], RATE, threads=2)
    loop.render(design)
    other, calls = design.with_value("drive", "0.9"), []

    def wanted() -> None:
        calls.append(1)
        if len(calls) > after:
            raise Superseded

    with pytest.raises(Superseded):
        loop.render(other, wanted)
    found = loop.render(other)
    assert apart_db(found.volts, rendered(other, take[:12_000])) < SETTLED_DB


def test_levels_match_within_a_tenth_and_a_guard_holds_peaks(take) -> None:
    desk = Desk(load_design("treble_boost"), "", take, RATE, threads=2)
    for settings in ({}, {"level": "0.3"}, {"boost.emitter_resistor": "1k"}):
        told = desk.sound(settings)
        gain_db, short_db = told.sound.gain_db(desk.reference.sound, matched=True)
        assert short_db == 0.0
        heard = told.sound.volts * 10.0 ** (gain_db / 20.0)
        assert integrated_loudness(heard, RATE) == pytest.approx(LEVEL_LUFS, abs=0.1)
    reference = desk.reference.sound
    loud = Sound(reference.volts, reference.loudness, reference.true_peak_db + 40.0)
    given, held_back = loud.gain_db(reference, matched=False)
    assert given + loud.true_peak_db == pytest.approx(-1.0)
    assert held_back > 0.0


def test_the_loop_begins_and_ends_in_silence(take) -> None:
    sound = sound_of(np.full((RATE, 1), 0.3), RATE)
    count = round(SEAM_FADE_S * RATE)
    assert abs(sound.volts[0, 0]) < 1e-3
    assert abs(sound.volts[-1, 0]) < 1e-3
    assert np.all(sound.volts[count:-count] == 0.3)
    assert np.abs(np.diff(sound.volts, axis=0)).max() < 0.3 * np.pi / 2.0 / count * 1.01


def test_silence_has_the_gain_of_the_reference(take) -> None:
    quiet, loud = sound_of(np.zeros((RATE, 1)), RATE), sound_of(np.tile(take, (2, 1)), RATE)
    assert quiet.gain_db(loud, matched=True) == loud.gain_db(loud, matched=True)
