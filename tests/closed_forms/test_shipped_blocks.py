"""Every block that ships, alone in a design: the gain or corner it states, a note, silence.

Authority: dividers and filters of first and second order, the ideal op-amp's ratios, the square
law's self-bias, the common emitter with emitter resistor and the feedback amplifier A/(1 + A beta)
(A. S. Sedra, K. C. Smith, Microelectronic Circuits; from memory, not located), written here.
"""

import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from small_signal_chain import poles

from vadist import load_design
from vadist.analysis.chain_response import solve_design, stage_responses
from vadist.circuits.operating_point import solve_all
from vadist.designs.block_files import ready_blocks, shipped_blocks
from vadist.designs.files import design_text, parse_design, preset_names, write_design
from vadist.parts import find_jfet
from vadist.rendering.arrays import render
from vadist.stages.wired import PART_KINDS

LOAD_OHM, SUPPLY_V, BIAS_V = 1e6, 9.0, 4.5
THERMAL_V = 1.380649e-23 * 300.0 / 1.602176634e-19
HERTZ = np.array([30.0, 82.4, 160.0, 440.0, 811.0, 1e3, 2.4e3, 5e3, 9e3, 15e3])
FS = 48_000
NAMES = tuple(ready_blocks())


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with nothing in it but designs of one ready block each."""
    folder = tmp_path_factory.mktemp("designs")
    for name in NAMES:
        (folder / f"{name}.toml").write_text(
            f'name = "{name}"\nblocks_from = ["ready"]\nsource = {{rests_at = "bias"}}\n'
            f'[load]\nresistance = "1M"\n[[stage]]\nname = "alone"\ntype = "{name}"\n'
        )
    return folder


def gains(place, name, **values):
    design = load_design(place / f"{name}.toml")
    for part, value in values.items():
        design = design.with_value(f"alone.{part}", value)
    return stage_responses(solve_design(design), HERTZ)["alone"]


def beside(*ohms):
    return 1.0 / sum(1.0 / ohm for ohm in ohms)


def reactance(farad):
    return 1.0 / (2j * np.pi * HERTZ * farad)


def decibels(ratio):
    return 20.0 * np.log10(np.abs(ratio))


def low_pass():
    below = beside(reactance(3.3e-9), LOAD_OHM)
    return below / (10e3 + below)


def high_pass():
    below = beside(100e3, LOAD_OHM)
    return below / (reactance(10e-9) + below)


def attenuator():
    below = beside(10e3, LOAD_OHM)
    return np.full(len(HERTZ), below / (30e3 + below))


def amplified(ideal, noise_gain):
    """An op-amp of 3 MHz: ideal/(1 + noise gain f/3 MHz j)."""
    return ideal / (1.0 + noise_gain * 1j * HERTZ / 3e6)


def inverting():
    ratio = beside(220e3, reactance(47e-12)) / (22e3 + reactance(330e-9))
    return amplified(-ratio, 1.0 + ratio)


def resonance():
    tuned = beside(2j * np.pi * HERTZ * 0.47 + 100.0, reactance(82e-9), LOAD_OHM)
    return tuned / (12e3 + tuned)


@pytest.mark.parametrize(
    ("name", "closed_form", "within"),
    [
        ("rc_low_pass", low_pass, 1e-9),
        ("rc_high_pass", high_pass, 1e-9),
        ("attenuator", attenuator, 1e-9),
        ("resonance", resonance, 1e-9),
        # The op-amp is an integrator here; its gain at DC and its ohms of output are left out.
        ("inverting_gain", inverting, 1e-3),
    ],
)
def test_the_whole_response(place, name, closed_form, within):
    wanted = closed_form()
    assert np.abs(gains(place, name) / wanted - 1.0).max() < within


def test_stated_figures(place):
    """What the jobs say, in round numbers: half power at the corner, -12 dB, 20 dB, a peak."""
    assert 1.0 / (2.0 * np.pi * 10e3 * 3.3e-9) == pytest.approx(4.8e3, rel=0.01)
    assert decibels(gains(place, "rc_low_pass")[7]) == pytest.approx(-3.2, abs=0.1)  # at 5 kHz
    assert decibels(gains(place, "rc_high_pass")[2]) == pytest.approx(-3.4, abs=0.1)  # 91k: 175 Hz
    assert decibels(gains(place, "attenuator")[0]) == pytest.approx(-12.0, abs=0.15)
    assert decibels(gains(place, "inverting_gain")[5]) == pytest.approx(20.0, abs=0.1)
    peak = np.abs(gains(place, "resonance"))
    assert peak.argmax() == 4  # 811 Hz
    # Half power at f0 (sqrt(1 + 1/4Q^2) +- 1/2Q): the quality is that of 12k beside 57k.
    fine = np.geomspace(600.0, 1100.0, 4001)
    responses = solve_design(load_design(place / "resonance.toml"))
    curve = np.abs(stage_responses(responses, fine)["alone"])
    band = fine[curve > curve.max() / np.sqrt(2.0)]
    assert 811.0 / np.ptp(band) == pytest.approx(4.0, rel=0.05)


def test_the_tone_network_is_flat_and_each_knob_moves_its_band(place):
    """Within +-0.2 dB of -16 dB at half rotation; 5.5 dB and more either way at its own band.

    At DC the bass arm alone drives: half a track behind 10k, against what the others draw. The
    preset's network, which is checked at 27 settings, is the same.
    """
    shipped = tomllib.loads(ready_blocks()["three_band_tone"])["block"]["three_band_tone"]["parts"]
    preset = tomllib.loads(design_text("three_band_clipper"))["stage"][2]["parts"]
    assert {part: line.partition(";")[0] for part, line in shipped.items()} == preset
    bass = beside(60e3, 50e3) + 100e3
    drawn = 1.0 / bass + 1.0 / 150e3 + 1.0 / (beside(65e3, 50e3) + 100e3) + 1.0 / LOAD_OHM
    response = solve_design(load_design(place / "three_band_tone.toml"))
    found = stage_responses(response, [0.01])["alone"][0]
    assert found == pytest.approx(50.0 / 110.0 / bass / drawn, rel=1e-4)
    flat = decibels(gains(place, "three_band_tone"))
    heard = (HERTZ > 80.0) & (HERTZ < 8e3)
    assert np.ptp(flat[heard]) < 0.4
    assert flat[heard].mean() == pytest.approx(-16.0, abs=0.2)
    for knob, hertz in (("bass", 82.4), ("middle", 811.0), ("treble", 9e3)):
        band = list(HERTZ).index(hertz)
        for wiper, sign in ((1.0, 1.0), (0.0, -1.0)):
            pot = f"{{resistance = '100k', wiper = {wiper}}}"
            moved = decibels(gains(place, "three_band_tone", **{knob: pot}))
            assert sign * (moved - flat)[band] > 5.5


@pytest.mark.parametrize("wiper", [0.0, 0.5, 1.0])
def test_the_blend_mixes_its_two_paths(place, wiper):
    """Clean at the bottom, 1 + Zf/Zleg behind 3k3 at the top; the pot's track between them."""
    pot = f"{{resistance = '100k', wiper = {wiper}}}"
    found = gains(place, "clean_blend", blend=pot)
    feedback = beside(100e3, reactance(180e-12))
    leg = 4.7e3 + reactance(220e-9)
    loud = amplified(1.0 + feedback / leg, 1.0 + feedback / leg)
    driven = 100e3 / (100e3 + reactance(220e-9))
    # 1N4148 at rest: 9.223 nA/(1.935 VT) both ways, as the library has it; 2.7 Mohm and more.
    leak = 1.935 * THERMAL_V / (2.0 * 9.223e-9)
    sources = (driven * loud * leak / (leak + 3.3e3), driven)
    ohms = (beside(3.3e3, leak), beside(100e3, reactance(220e-9)))
    top, bottom = ohms[0] + (1.0 - wiper) * 100e3, ohms[1] + wiper * 100e3
    wanted = (sources[0] / top + sources[1] / bottom) / (1.0 / top + 1.0 / bottom + 1.0 / LOAD_OHM)
    # What the pot and the load take from the sum of both is in; the op-amp's gain at DC is not.
    assert np.abs(found / wanted - 1.0).max() < 2e-3
    if wiper == 1.0:
        assert decibels(found[5]) == pytest.approx(27.0, abs=0.6)


def test_the_jfet_rests_and_follows_by_the_square_law(place):
    """Id = beta (Vgs - Vt)^2 and Id R = 4.5 V - Vgs; gm R/(1 + gm R)."""
    model = find_jfet("2N5457")
    beta, threshold, ohm = (
        model.idss_a / model.pinch_off_v**2,
        -model.pinch_off_v,
        8.2e3,
    )
    roots = np.roots(
        [beta * ohm, 1.0 - 2.0 * beta * ohm * threshold, beta * ohm * threshold**2 - BIAS_V]
    )
    over = roots.max() - threshold
    slope, current = 2.0 * beta * over, beta * over**2
    assert current == pytest.approx(0.72e-3, rel=0.03)
    loaded = slope * beside(ohm, LOAD_OHM)
    found = gains(place, "fet_buffer")
    # Channel-length modulation: lambda 3 V of the current, half of it in the slope.
    assert abs(found[5]) == pytest.approx(loaded / (1.0 + loaded), rel=0.01)
    # 10n into 1M: 16 Hz; at 30 Hz 1/sqrt(1 + (16/30)^2).
    bass = abs(1e6 / (1e6 + reactance(10e-9)[0]))
    assert abs(found[0] / found[5]) == pytest.approx(bass, rel=0.002)


def test_the_pnp_boosts(place):
    """Rl/(re + Re || leg) at 0.9 mA, turned round; bass 3 dB down near 29 Hz."""
    found = gains(place, "pnp_boost")
    wanted = beside(3.9e3, LOAD_OHM) / (THERMAL_V / 0.9e-3 + beside(1e3, 390.0))
    # Early effect and base current take a hundredth each; the capacitors' phase is left out.
    assert abs(found[5]) == pytest.approx(wanted, rel=0.02)
    assert found[5].real < 0.0
    assert decibels(found[5]) == pytest.approx(22.0, abs=0.3)
    assert decibels(found[0] / found[5]) == pytest.approx(-3.0, abs=0.6)


def test_the_feedback_pair_by_shunt_and_series(place):
    """A/(1 + A beta): currents in at the first base, out at the second emitter."""
    found = gains(place, "feedback_pair")
    first_a, second_a, beta_first, beta_second = 0.105e-3, 0.45e-3, 470.0, 110.0
    share = 2.2e3 / (2.2e3 + 100e3)  # of the second emitter's current that returns
    tail = beside(2.2e3, 100e3)
    into = beside(4.7e3, 100e3 + 2.2e3, 150e3, beta_first * THERMAL_V / first_a)
    follower = THERMAL_V / second_a + tail
    middle = beside(68e3, beta_second * follower)
    open_loop = into * first_a / THERMAL_V * middle / follower
    closed = open_loop / (1.0 + open_loop * share)
    wanted = closed * beta_second / (1.0 + beta_second) * beside(8.2e3, LOAD_OHM) / 4.7e3
    print(f"{abs(found[5]):.1f}, {wanted:.1f} on paper, loop gain {open_loop * share:.1f}")
    # The Early effect and the way forward through 100k are left out.
    assert found[5].real == pytest.approx(wanted, rel=0.05)
    assert abs(found[5]) == pytest.approx(70.0, rel=0.03)


@pytest.mark.parametrize("name", NAMES)
def test_no_natural_frequency_grows(place, name):
    """No natural frequency grows; a pot between two paths must not lead one back into itself."""
    design = load_design(place / f"{name}.toml")
    if name == "clean_blend":
        design = design.with_value("alone.leg_r", "1k")  # a gain of 101 finds what 22 hides
    for section, point in solve_all(design.network()):
        assert (poles(section, point).real < 0.0).all()


@cache
def note():
    time = np.arange(FS // 50) / FS
    return 0.1 * np.sin(2.0 * np.pi * 440.0 * time) * np.exp(-20.0 * time)


@pytest.mark.parametrize("name", NAMES)
def test_a_note_sounds_and_silence_stays_silence(place, name):
    design = load_design(place / f"{name}.toml")
    played = np.stack([note(), np.zeros(len(note()))], axis=-1)
    volts = render(design, played, FS, oversample=2).volts
    rest = solve_design(design).node_v[design.output]
    assert np.isfinite(volts).all()
    assert np.abs(volts[:, 0] - rest).max() > 0.01
    assert np.abs(volts[:, 1] - rest).max() < 1e-6


@pytest.mark.parametrize("name", NAMES)
def test_a_ready_block_is_written_out_whole(place, name):
    """The text that goes elsewhere holds this block, not the others, and needs no file."""
    path = place / f"{name}.toml"
    design, text = load_design(path), design_text(path)
    document = tomllib.loads(text)
    assert "blocks_from" not in document
    assert set(document["block"]) == {name}
    assert parse_design(text) == design
    assert parse_design(write_design(design)) == design
    assert parse_design(write_design(design, text)) == design


@pytest.mark.parametrize("name", NAMES)
def test_every_value_says_what_for_and_how(name):
    for line in ready_blocks()[name].splitlines():
        _, equals, rest = line.partition(" = ")
        if equals and rest.strip('"').split(" ")[0] in PART_KINDS:
            assert "; " in rest.partition("  # ")[0], line
            assert len(rest.partition("  # ")[2]) >= 10, line


def test_blocks_are_no_presets_and_ship():
    assert len(NAMES) == 10
    assert not set(shipped_blocks()) & set(preset_names())
    root = Path(__file__).parents[2]
    data = tomllib.loads((root / "pyproject.toml").read_text())["tool"]["setuptools"]
    patterns = data["package-data"]["vadist.presets"]
    held = {path for pattern in patterns for path in (root / "presets").glob(pattern)}
    assert {path.resolve() for path in shipped_blocks().values()} <= held
