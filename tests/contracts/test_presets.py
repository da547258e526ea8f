"""Contract of the presets: they load, rest sensibly, and meet the targets written beside them.

Targets are the project's own, beside the values they belong to: where a collector rests, the bass
cut of a boost an octave and more under the low E, which rail a boost meets first. Parts are from
the E24 series of IEC 60063.
"""

import math

import numpy as np
import pytest
from small_signal_chain import poles

from vadist.analysis.chain_response import node_responses, solve_design
from vadist.analysis.resting import supply_current
from vadist.analysis.small_signal import section_response
from vadist.circuits.operating_point import solve_all
from vadist.designs.files import load_design, preset_names, preset_path
from vadist.designs.supply import Supply
from vadist.large_signal.steady_sine import steady_sines
from vadist.stages import STAGES, OpAmpGain, ToneBlend, TransistorBoost
from vadist.stages.wired import PART_KINDS, WIRED

PRESETS = preset_names()
# IEC 60063, transcribed.
E24 = (
    *(10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30),
    *(33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91),
)
# Pots are sold in steps of 1, 2 (or 2.5) and 5 (common practice).
POT_STEPS = (10, 20, 25, 50)
# A boost whose collector rests a third of the supply under it is cut off before it saturates.
ONE_RAIL_FIRST = ("boosted_hard_clipper", "two_stage_hard_clipper")
LOW_E_HZ = 82.41


def responses(design, frequencies_hz):
    """Transfer from the input to every node."""
    known = {"input": np.ones(len(frequencies_hz), complex)}
    for section, point in solve_all(design.network()):
        for node in section.unknowns:
            gains = section_response(section, point, node, frequencies_hz)
            known[node] = sum(gains[:, k] * known[s] for k, s in enumerate(section.signals))
    return known


def rest_volts(design):
    return {
        node: volts
        for section, point in solve_all(design.network())
        for node, volts in zip(section.unknowns, point.node_v, strict=True)
    }


def first_digits(value):
    """The value between 10 and 99, without what scaling a float leaves behind."""
    return round(value / 10.0 ** (math.floor(math.log10(value) + 1e-9) - 1), 6)


def test_presets_cover_the_stages():
    assert len(PRESETS) >= 6
    used = {stage.kind for name in PRESETS for stage in load_design(name).stages.values()}
    assert used == {*STAGES, WIRED}


@pytest.mark.parametrize("name", PRESETS)
def test_rests_sensibly(name):
    design = load_design(name)
    volts = rest_volts(design)
    supply, bias = design.supply.volts, solve_design(design).node_v["bias"]
    # Half the supply, less what base currents drop in the divider: 20 mV, as the presets say.
    assert supply / 2.0 - 0.0205 < bias <= supply / 2.0
    for stage_name, stage in design.stages.items():
        rest = volts[f"{stage_name}.output"]
        if isinstance(stage, TransistorBoost):
            share = 2.0 / 3.0 if name in ONE_RAIL_FIRST else 0.5
            assert rest == pytest.approx(share * supply, abs=0.01 * supply)
        if isinstance(stage, OpAmpGain):
            # Unity gain at DC from the bias rail, within offset over open-loop gain (none here).
            assert rest == pytest.approx(bias, abs=1e-3)
    assert abs(volts[design.output]) < 1e-3


@pytest.mark.parametrize("name", PRESETS)
def test_no_natural_frequency_grows(name):
    """At either end and the middle of the drive: a circuit that sounds by itself is no preset."""
    design = load_design(name)
    for drive in (0.0, 0.5, 1.0) if "drive" in design.controls else ():
        for section, point in solve_all(design.with_value("drive", drive).network()):
            assert (poles(section, point).real < 0.0).all(), f"drive {drive:g}"


@pytest.mark.parametrize("name", PRESETS)
def test_every_value_says_what_it_was_chosen_for(name):
    fields = {field for stage in STAGES.values() for field in stage.fields()}
    fields |= {*Supply.fields(), "resistance", "taper"}
    for line in preset_path(name).read_text(encoding="utf-8").splitlines():
        key, equals, rest = line.partition(" = ")
        wired = rest.strip('"').split(" ")[0] in PART_KINDS
        if equals and (key.strip() in fields or wired):
            comment = rest.partition("  # ")[2]
            assert len(comment) >= 15, line


@pytest.mark.parametrize("name", PRESETS)
def test_values_are_preferred_numbers(name):
    design = load_design(name)
    for path in design.paths:
        info, value = design.field_info(path), design.value(path)
        if value is None or value == 0.0:
            continue
        if info.kind == "part":
            assert first_digits(value) in E24, f"{path} = {value:g}"
        if info.kind == "pot":
            assert first_digits(value.resistance) in POT_STEPS, f"{path} = {value.resistance:g}"


@pytest.mark.parametrize("name", [n for n in PRESETS if load_design(n).supply.divided])
def test_the_bias_rail_does_what_it_was_chosen_for(name):
    """Low E within 0.5 dB of a stiff rail at half drive, 1.25 dB at full; a quarter of a second.

    And the divider takes no more than a quarter of the current.
    """
    design = load_design(name)
    for drive, most_db in ((0.5, 0.5), (1.0, 1.25)):
        solved = solve_design(design.with_value("drive", drive))
        as_is, held = (
            node_responses(solved, [LOW_E_HZ], pinned=pinned)[design.output][0]
            for pinned in ((), ("bias",))
        )
        lost_db = -20.0 * math.log10(abs(as_is / held))
        assert 0.0 <= lost_db < most_db
        if design.supply.bias_buffer is None:
            assert lost_db > 0.2  # else a smaller capacitor would do
    supply = design.supply
    thevenin = supply.bias_upper * supply.bias_lower / (supply.bias_upper + supply.bias_lower)
    assert 0.2 < thevenin * supply.bias_capacitor < 0.25
    drawn = supply_current(solved)
    assert dict(drawn.parts)["supply.bias_upper"] < 0.25 * drawn.total_a


def boosts_behind_a_buffer():
    return [
        name for name in PRESETS if {"buffer", "boost"} <= set(load_design(name).stages)
    ]  # fmt: skip


@pytest.mark.parametrize("name", boosts_behind_a_buffer())
def test_boost_cuts_bass_an_octave_and_more_under_the_low_e(name):
    # And no more than 1.7 octaves, 25 Hz: below it rumble only takes headroom.
    frequencies = np.geomspace(5.0, 2000.0, 2000)
    known = responses(load_design(name), frequencies)
    gain = np.abs(known["boost.output"] / known["buffer.output"])
    corner = frequencies[np.argmax(gain >= gain.max() / math.sqrt(2.0))]
    assert 25.0 < corner < LOW_E_HZ / 2.0


def swing_of_the_boost(name, peak_v):
    """Peaks up and down from rest, and even harmonics against the first, dB, at 220 Hz."""
    sines = steady_sines(solve_design(load_design(name)), 220.0, [peak_v])
    low, high = (float(v[0]) for v in sines.peaks("boost"))
    lines = np.abs(sines.spectrum("boost")[:, 0])
    even = math.sqrt(np.sum(lines[1::2] ** 2)) / lines[0]
    return high, -low, 20.0 * math.log10(even)


@pytest.mark.parametrize("name", ONE_RAIL_FIRST)
@pytest.mark.parametrize(
    ("peak_v", "asymmetry", "even_db"), [(0.2, 0.15, -20.0), (0.3, 0.3, -14.0)]
)
def test_boost_meets_its_upper_rail_first(name, peak_v, asymmetry, even_db):
    """With what a guitar gives, 0.2 V and 0.3 V peak: the upper peak is the lower by far.

    Asymmetry is (up - down)/(up + down). The upper peak stays within what cut-off leaves it.
    """
    up, down, even = swing_of_the_boost(name, peak_v)
    print(f"{name}, {peak_v:g} V: +{up:.3f}/-{down:.3f} V, even harmonics {even:.1f} dB")
    assert (up - down) / (up + down) < -asymmetry
    assert even > even_db
    assert up < 3.0 < down


def test_a_boost_at_half_the_supply_swings_evenly():
    """The counterpart: within 6 % at both levels."""
    for peak_v in (0.2, 0.3):
        up, down, _ = swing_of_the_boost("led_clipper", peak_v)
        assert abs(up - down) / (up + down) < 0.06


def test_some_preset_has_a_boost_behind_a_buffer():
    assert len(boosts_behind_a_buffer()) >= 2


@pytest.mark.parametrize("name", [n for n in PRESETS if "tone" in load_design(n).controls])
def test_tone_dips_in_the_middle_at_half_rotation_only(name):
    design = load_design(name)
    stages = list(design.stages)
    blend = next(s for s in stages if isinstance(design.stages[s], ToneBlend))
    before = stages[stages.index(blend) - 1]
    frequencies = np.geomspace(82.0, 8000.0, 400)

    def blend_db(position):
        known = responses(design.with_value("tone", position), frequencies)
        return 20.0 * np.log10(np.abs(known[f"{blend}.output"] / known[f"{before}.output"]))

    half = blend_db(0.5)
    assert 500.0 < frequencies[half.argmin()] < 1200.0
    # As the presets say: some 3.5 to 4 dB under either end of the band.
    assert 3.0 < min(half[0], half[-1]) - half.min() < 4.5
    assert (np.diff(blend_db(0.0)) < 0.0).all()
    assert blend_db(1.0)[-1] - blend_db(1.0)[0] > 10.0


@pytest.mark.parametrize("name", [n for n in PRESETS if "drive" in load_design(n).controls])
def test_drive_feels_even(name):
    """Each half of the rotation adds a fair share of the gain in dB."""
    design = load_design(name)
    frequencies = np.geomspace(300.0, 8000.0, 100)
    stage = design.controls["drive"].moves[0].partition(".")[0]
    before = list(design.stages)[list(design.stages).index(stage) - 1]

    def gain_db(position):
        known = responses(design.with_value("drive", position), frequencies)
        gain = np.abs(known[f"{stage}.output"] / known[f"{before}.output"])
        return 20.0 * math.log10(gain.max())

    low, middle, high = gain_db(0.0), gain_db(0.5), gain_db(1.0)
    assert high - low > 20.0
    # A linear taper gives four fifths and more to the first half; this must not.
    assert 0.35 < (middle - low) / (high - low) < 0.65
