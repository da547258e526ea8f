"""Tables and plots of an audition: they fit, tell all apart, and name the change that matters.

Authority: the written contract (no line longer than asked for, every figure kept, no two lines of
a plot alike); sines of stated level for the band that changed most.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from vadist.audition import plots
from vadist.audition.candidates import Candidate, make_candidates
from vadist.audition.layout import lay_out
from vadist.audition.run import Probe, _compare, audition_design
from vadist.audition.tables import figure_rows, largest_band, text_table
from vadist.designs.files import load_design
from vadist.measure import third_octave_levels
from vadist.plots.style import look, mark_style

RATE = 48_000
TIME = np.arange(RATE) / RATE


def tones(levels_db: dict[float, float]) -> np.ndarray:
    """Sines under one bell, so that none of them leaks into the band of another."""
    return (
        np.hanning(RATE)[:, None]
        * sum(
            10 ** (level / 20) * np.sin(2 * np.pi * hertz * TIME)
            for hertz, level in levels_db.items()
        )[:, None]
    )


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({20.0: -30.0, 16e3: -35.0, 500.0: 2.0}, (500.0, 2.0)),  # out of range, though larger
        ({5e3: -40.0, 500.0: 2.0}, (500.0, 2.0)),  # in range, but 50 dB below the loudest
        ({5e3: -20.0, 500.0: 2.0}, (5e3, 30.0)),  # one that came to hold energy
        ({500.0: -3.0, 1e3: -2.5}, (500.0, -3.0)),
    ],
)
def test_the_band_named_holds_energy(changed, named):
    before = {20.0: -45.0, 500.0: 0.0, 1e3: 0.0, 5e3: -50.0, 16e3: -50.0}
    matched = [tones(before), tones(before | changed)]
    still = SimpleNamespace(rest_v={})
    compared = _compare(matched, [still, still], 1, RATE)
    result = SimpleNamespace(bands_hz=third_octave_levels(matched[0], RATE).nominal_hz)
    band, change = largest_band(result, SimpleNamespace(comparison=compared))
    assert band == named[0]
    # What is left of the bell's skirts in a neighbouring band.
    assert change == pytest.approx(named[1], abs=0.05)


@pytest.fixture(scope="module")
def result():
    """Twelve candidates, one of a long name, and another design."""
    design = load_design("treble_boost")
    trials = ["boost.emitter_resistor=150R,180R,220R,270R,330R,390R,470R,560R", "level=0.25,0.75"]
    long = "two diodes one way and one the other, then a third, of {type = '1N4148', count = 2}"
    named = [Candidate(long, design.with_value("level", 0.6))]
    others = [load_design("soft_clipper")]
    note = 0.2 * np.sin(2 * np.pi * 330.0 * TIME[: RATE // 4])
    return audition_design(
        design, [*named, *make_candidates(design, trials, others)], note, RATE, probe=Probe()
    )


@pytest.mark.parametrize("width", [40, 60, 80, 132, 400])
def test_no_line_is_longer_than_asked_for_and_none_is_lost(result, width):
    lines = text_table(result, width).splitlines()
    assert max(map(len, lines)) <= width
    text = "".join(text_table(result, width).split())
    for row in figure_rows(result):
        for cell in row[1:]:
            assert "".join(cell.split()) in text
    if width == 400:
        rule = [k for k, line in enumerate(lines) if line.startswith("---")]
        assert len(rule) == 1  # one table where there is room
        for row, line in zip(figure_rows(result), lines[rule[0] + 1 :], strict=False):
            assert line.startswith(row[0])


def test_a_column_without_figures_is_left_out():
    assert lay_out([("x", "y", "z"), ("a", "", "1")], 80) == ["x  z", "----", "a  1"]


def test_no_number_is_broken_at_its_point():
    (*_, last) = lay_out([("name", "v"), ("a_long_name_of_a_val=0.55", "1")], 40)
    assert last == "  0.55"


def drawn(figure):
    figure.draw_without_rendering()
    return figure.axes


def test_no_two_lines_of_a_plot_are_alike(result):
    with look():
        for draw in (plots.response_figure, plots.third_octaves_figure, plots.harmonics_figure):
            axes = drawn(draw(result))[-1]
            looks = [
                (str(line.get_color()), str(line.get_linestyle()), str(line.get_marker()),
                 str(line.get_markerfacecolor()), line._dash_pattern[1])
                for line in axes.get_lines() if not line.get_label().startswith("_")
            ]  # fmt: skip
            assert len(looks) >= 12
            assert len({str(look) for look in looks}) == len(looks)
    assert len({str(mark_style(k)) for k in range(64)}) == 64
    # A colour that comes back within twelve comes back hollow.
    styles = [mark_style(k) for k in range(12)]
    assert len({(style["color"], style["markerfacecolor"] == "white") for style in styles}) == 12


def test_a_long_name_does_not_halve_a_plot(result):
    with look():
        figure = plots.third_octaves_figure(result)
        (axes,) = drawn(figure)
        # 3.2 inches of 8 across: a little flatter than two to one, whatever the legend takes.
        assert axes.get_position().height * figure.get_figheight() > 3.2
        labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert len(set(labels)) == 12
    assert max(map(len, labels)) <= 30
    assert "emitter_resistor=180R" in labels
    assert any("…" in label for label in labels)


def test_harmonics_are_drawn_as_differences_from_the_reference(result):
    with look():
        top, below = drawn(plots.harmonics_figure(result))
    floor = -80.0
    held = np.maximum(result.reference.distortion.harmonics_db[1:], floor)
    assert np.allclose(top.get_lines()[0].get_ydata(), held)
    for track, line in zip(result.candidates, below.get_lines(), strict=False):
        own = np.maximum(track.distortion.harmonics_db[1:], floor)
        assert np.allclose(line.get_ydata(), own - held)
        assert np.allclose(line.get_xdata(), np.arange(2, 11))
