"""What a figure may be called, and what is said of one that is none.

Authority: the table in :mod:`vadist.population.figure_names`.
"""

import math

import pytest

from vadist import load_design
from vadist.errors import UsageError
from vadist.population.figure_names import Figure, parse_figure, rest_nodes, split_figure

DESIGN = load_design("boosted_hard_clipper")


@pytest.mark.parametrize(
    ("text", "figure", "rest"),
    [
        ("boost.output rest 4V..5V", Figure("boost", "rest"), "4V..5V"),
        ("boost bass cut = 80Hz", Figure("boost", "bass cut"), "= 80Hz"),
        ("gain at 1kHz = 30dB", Figure("", "gain", 1e3), "= 30dB"),
        ("gain at 1 kHz=30dB", Figure("", "gain", 1e3), "=30dB"),
        ("clipper 1 % level low", Figure("clipper", "1 % level"), "low"),
        ("1% level", Figure("", "1 % level"), ""),
        ("THD at 100mV <1%", Figure("", "THD", 0.1), "<1%"),
        ("input noise", Figure("", "input noise"), ""),
        ("noise", Figure("", "noise"), ""),
        ("supply current ..4mA", Figure("", "supply current"), "..4mA"),
        ("supply rest", Figure("supply", "rest"), ""),
        ("boost.base rest", Figure("boost.base", "rest"), ""),
        ("rest", Figure("output", "rest"), ""),
        ("boost.transistor Ic 0.4mA..", Figure("boost.transistor", "Ic"), "0.4mA.."),
        ("blend scoop  from", Figure("blend", "scoop from"), ""),
        ("band at 1.25kHz", Figure("", "band", 1250.0), ""),
    ],
)
def test_a_figure_is_read_and_what_follows_given_back(text, figure, rest):
    assert split_figure(text, DESIGN) == (figure, rest)
    assert parse_figure(str(figure), DESIGN) == figure


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("gane at 1kHz", "begins with no figure"),
        ("bost bass cut", "'bost' is no block; did you mean 'boost'"),
        ("boost.bse rest", "did you mean 'boost.base'"),
        ("boost noise", "noise is of the whole design"),
        ("boost.transistr Ic", "did you mean 'boost.transistor'"),
        ("gain at 0Hz", "must be above 0 Hz"),
        ("THD at 5Hz", "THD at 5Hz"),
        ("gain at 1kHz and more", "nothing may follow"),
    ],
)
def test_what_is_no_figure_is_told_in_one_line(text, told):
    with pytest.raises(UsageError, match=r".*") as caught:
        parse_figure(text, DESIGN)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("figure", "text", "value", "shown"),
    [
        (Figure("", "gain", 1e3), "-3.5dB", -3.5, "-3.50 dB"),
        (Figure("", "THD", 0.1), "1%", 1.0, "1 %"),
        (Figure("", "bass cut"), "80Hz", 80.0, "80.0 Hz"),
        (Figure("", "loudness"), "-18LUFS", -18.0, "-18.00 LUFS"),
        (Figure("", "supply current"), "4mA", 4e-3, "4.00 mA"),
    ],
)
def test_values_are_read_and_shown_in_the_unit_of_the_figure(figure, text, value, shown):
    assert figure.read(text) == value
    assert figure.show(value) == shown
    assert figure.show(math.nan) == "none"
    with pytest.raises(UsageError, match=str(figure)):
        figure.read("4 furlongs")


def test_every_node_that_may_be_asked_for_rests_somewhere():
    from vadist.population.measure import measure

    figures = [parse_figure(f"{node} rest", DESIGN) for node in rest_nodes(DESIGN)]
    assert all(map(math.isfinite, measure([DESIGN], figures).values[0]))
