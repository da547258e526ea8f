"""What is wanted and what may vary are read as documented; what cannot be is told in one line.

Authority: docs/questions.md; IEC 60063 for the values of a series.
"""

import math

import numpy as np
import pytest

from vadist.designs.files import load_design
from vadist.errors import DesignError, UsageError
from vadist.questions.choose import choose
from vadist.questions.choose_values import read_lists
from vadist.questions.wishes import read_wish

EMITTER = "boost.emitter_resistor"


@pytest.fixture(scope="module")
def design():
    return load_design("treble_boost")


@pytest.mark.parametrize(
    ("text", "met", "missed"),
    [
        ("boost bass cut = 80Hz", (76.2, 80.0, 84.0), (76.1, 84.1, math.nan)),
        ("bass cut = 80Hz +-1%", (79.3, 80.8), (79.1, 80.9)),
        ("bass cut = 80Hz +-10Hz", (90.0, 71.2), (90.2, 71.0)),
        ("gain at 1kHz = 30dB", (29.5, 30.5), (29.4, 30.6)),
        ("gain at 1kHz = 30 dB +- 0.1 dB", (29.9, 30.1), (29.8, 30.2)),
        ("boost.output rest 4V..5V", (4.0, 5.0), (3.99, 5.01)),
        ("boost rest = 4V..5V", (4.0, 5.0), (3.99, 5.01)),
        ("boost rest 4V..", (4.0, 9.0), (3.99,)),
        ("boost rest ..5V", (-1.0, 5.0), (5.01,)),
        ("boost rest = 0V +-50mV", (-0.05, 0.05), (0.051, -0.051)),
        ("noise < 10mV", (0.0, 0.01), (0.0101, math.nan)),
        ("1 % level >= 100 mV", (0.1, math.inf), (0.099,)),
        ("noise low", (1e-9, 1.0), ()),
        ("gain at 1kHz as high as possible", (-100.0, 100.0), ()),
    ],
)
def test_wishes_are_met_where_they_say(design, text, met, missed):
    wish = read_wish(text, design)
    assert (wish.off(np.array(met)) == 0.0).all()
    assert (wish.off(np.array(missed)) > 0.0).all()
    assert all(wish.told_off(value) for value in missed)
    assert not any(wish.told_off(value) for value in met)


def test_slacks_are_five_per_cent_or_half_a_decibel(design):
    corner = read_wish("bass cut < 100Hz", design)
    assert corner.off(np.array([100.0 * 1.05**3]))[0] == pytest.approx(3.0)
    gain = read_wish("gain at 1kHz > 20dB", design)
    assert gain.off(np.array([18.0]))[0] == pytest.approx(4.0)
    rest = read_wish("boost rest 4V..5V", design)
    assert rest.off(np.array([3.5, 5.5])) == pytest.approx([2.0, 2.0])  # a quarter volt each
    quiet, loud = read_wish("noise low", design), read_wish("gain at 1kHz high", design)
    assert float(np.diff(quiet.price(np.array([1e-3, 1.05e-3])))[0]) == pytest.approx(1.0)
    assert float(np.diff(loud.price(np.array([20.0, 21.0])))[0]) == pytest.approx(-2.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("boost bas cut = 80Hz", "begins with no figure"),
        ("boots bass cut = 80Hz", "'boots' is no block; did you mean 'boost'"),
        ("boost bass cut = 80mV", "^boost bass cut must be a frequency in hertz"),
        ("gain at 1kHz = 30", r"must be in dB \(got '30'; write 30dB"),
        ("gain at 1kHz", r"say what is wanted of 'gain at 1kHz'.*\(got nothing\)"),
        ("gain at 1kHz about 3dB", r"say what is wanted .*\(got 'about 3dB'\)"),
        ("gain at 1kHz 30dB..20dB", "a range goes from less to more"),
        ("boost rest ..", r"needs a range, like 4V\.\.5V"),
        ("noise = 0V", "must be above 0 .*write < or low"),
        ("boost rest = 0V", r"needs how far it may be off, like 0V \+-50mV"),
        ("gain at 1kHz = 3dB +-0dB", r"\+- must be above 0"),
        ("boost rest = 4V +-2dB", "^boost rest must be a voltage"),
        ("THD at 100mV < 1", "must be in %"),
    ],
)
def test_wishes_that_cannot_be_read_are_refused(design, text, message):
    with pytest.raises(UsageError, match=message) as caught:
        read_wish(text, design)
    assert "\n" not in str(caught.value)


def test_parts_take_the_values_of_a_series_between_the_shares_given(design):
    (emitter,) = read_lists(design, [EMITTER], "E6", "0.3x..3x")  # 100R
    assert emitter.values == (33.0, 47.0, 68.0, 100.0, 150.0, 220.0)
    both = read_lists(design, [f"{EMITTER},boost.input_capacitor"])
    assert [len(each.values) for each in both] == [49, 25]  # E24 and E12, a decade either way


def test_types_knobs_and_lists_vary_as_in_an_audition(design):
    kinds, knob = read_lists(design, ["boost.transistor=*", "level=0..1:5"])
    assert "BC547B" in kinds.texts  # what is there now may be chosen
    assert knob.values == (0.0, 0.25, 0.5, 0.75, 1.0)


@pytest.mark.parametrize(
    ("texts", "options", "message"),
    [
        (["boost.emiter_resistor"], {}, "unknown value .*did you mean"),
        (["boost.transistor"], {}, r"is no resistor.*give its values, like boost.transistor=\*"),
        (["level"], {}, r"give its values, like level=0\.\.1:11"),
        ([EMITTER, EMITTER], {}, "is to vary twice"),
        (["boost.transistor=2N39"], {}, "must be a known transistor"),
        (["source.inductance"], {}, "is left out or zero"),
        ([EMITTER], {"series": "E13"}, "series must be one of"),
        ([EMITTER], {"within": "2x..3x"}, r"is written 0\.1x\.\.10x, around 1x"),
        ([EMITTER], {"within": "wide"}, "is written"),
    ],
)
def test_what_cannot_vary_is_refused(design, texts, options, message):
    with pytest.raises((DesignError, UsageError), match=message) as caught:
        read_lists(design, texts, **options)
    assert "\n" not in str(caught.value)


def test_a_wish_to_be_heard_is_refused(design):
    with pytest.raises(UsageError, match="null depth is heard"):
        choose(design, [read_wish("null depth < -30dB", design)], read_lists(design, [EMITTER]))
