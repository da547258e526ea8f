"""Values are found that a recording was made with.

Authority: the recording is a render of one of the combinations, so the best is known; a gain at one
frequency, which two of the combinations share, cannot tell it.
"""

import numpy as np
import pytest

from vadist.designs.toml import parse_design
from vadist.errors import UsageError
from vadist.population.measure import measure
from vadist.population.sound import hearing_against, rendered
from vadist.questions.choose import choose
from vadist.questions.choose_values import changes_of, read_lists, with_place
from vadist.questions.wishes import read_wish

# 3 mA at most through a diode from 7 V; 1/(2 pi 10n 2k2) = 7.2 kHz.
CLIPPER = """
name = "clipper"
[[stage]]
name = "rc"
type = "wired"
[stage.parts]
series = "resistor 2k2: source to output"
shunt = "capacitor 10n: output to ground"
diodes = "diode 1N4148: anode to output, cathode to ground"
"""
VARIED = ["rc.series=1k,2k2,4k7", "rc.shunt=4n7,10n,22n", "rc.diodes=1N4148,red LED"]
TRUTH = (2, 0, 1)
RATE_HZ = 48_000.0


@pytest.fixture(scope="module")
def design():
    return parse_design(CLIPPER)


@pytest.fixture(scope="module")
def lists(design):
    return read_lists(design, VARIED)


@pytest.fixture(scope="module")
def take():
    time = np.arange(2400) / RATE_HZ
    return 3.0 * np.sin(2.0 * np.pi * 300.0 * time) * np.minimum(time / 0.01, 1.0)


def test_the_recorded_combination_is_found_at_any_level(design, lists, take):
    recorded = rendered([with_place(design, lists, TRUTH)], take[:, None], RATE_HZ, None)[0]
    hearing = hearing_against(-0.25 * recorded, take, RATE_HZ)
    wishes = [read_wish("sounds like the old board.wav", design)]
    choice = choose(design, wishes, lists, hearing=hearing)
    assert choice.search.exhaustive
    assert choice.measured == 18
    assert choice.options[0].changes == changes_of(lists, TRUTH)
    assert choice.options[0].wished[0] < -120.0
    assert choice.options[1].wished[0] > -60.0


def test_small_signals_cannot_tell_it(design, lists):
    other = (*TRUTH[:2], 0)
    gain = read_wish("gain at 1kHz = 0dB", design).figure
    designs = [with_place(design, lists, place) for place in (TRUTH, other)]
    values = measure(designs, [gain]).values[:, 0]
    assert values[0] == pytest.approx(values[1], abs=0.01)


@pytest.mark.parametrize(
    ("target", "told"),
    [
        (np.zeros(2400), "the target is silent"),
        (np.ones((2400, 2)), "the target has 2 channels and the take 1"),
        (np.ones(9600), "within 0.1 s"),
    ],
)
def test_targets_that_cannot_be_held_against_a_take(take, target, told):
    with pytest.raises(UsageError, match=told):
        hearing_against(target, take, RATE_HZ)


def test_a_wish_of_sound_wants_a_take(design, lists):
    with pytest.raises(UsageError, match="null depth is heard: it needs a take"):
        choose(design, [read_wish("sounds like it.wav", design)], lists)
