"""What a notebook user meets: a design that shows itself, pictures as figures, shapes of arrays.

Authority: the docstrings' promises, held against the design's own values.
"""

import pickle
from html.parser import HTMLParser

import numpy as np
import pytest

import vadist
from vadist.designs.describing import value_words
from vadist.errors import UsageError
from vadist.rendering.judging import Judge
from vadist.rendering.spans import Rendering, array_window

DESIGN = vadist.load_design("treble_boost")


@pytest.fixture(scope="module")
def found():
    return vadist.inspect_design(DESIGN)


class Cells(HTMLParser):
    """Text of a page, and whether every tag is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open, self.texts = [], []

    def handle_starttag(self, tag, attrs):
        if tag != "br":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)


def test_a_design_tells_every_value_in_the_notation_of_the_trade() -> None:
    odd = vadist.Design("<b>&", DESIGN.stages, controls=DESIGN.controls)
    page = Cells()
    page.feed(odd._repr_html_())
    assert not page.open
    assert page.texts[0] == "<b>&"
    lines = str(odd).splitlines()
    assert lines[0] == "<b>&"
    for path in odd.paths:
        value, key = odd.value(path), path.rpartition(".")[2]
        told = [line for line in lines if line.split()[:1] == [key]]
        if value is None:
            continue
        words = value_words(odd.field_info(path), value)
        assert any(words in line for line in told), path
        assert words in page.texts
    assert "emitter_resistor" in str(odd)
    assert value_words(DESIGN.field_info("boost.emitter_resistor"), 180.0) == "180R"


@pytest.mark.parametrize(
    ("draw", "count"),
    [
        (lambda found, axes: vadist.plot_headroom(found, axes), 1),
        (lambda found, axes: vadist.plot_spectrum(found, axes), 1),
        (lambda found, axes: vadist.plot_harmonics(found, axes), 2),
        (lambda found, axes: vadist.plot_control(found.design, "level", axes), 2),
    ],
    ids=["headroom", "spectrum", "harmonics", "control"],
)
def test_pictures_draw_into_given_axes(found, draw, count) -> None:
    from matplotlib.figure import Figure

    own = draw(found, None)
    assert len(own.axes) == count
    assert own.get_suptitle()
    mine = Figure()
    axes = mine.subplots(count + 1, 1)
    given = axes[0] if count == 1 else axes[:count]
    assert draw(found, given) is mine
    assert not mine.get_suptitle()
    drawn = [len(axis.lines) + len(axis.collections) for axis in mine.axes]
    assert drawn[:count] == [len(axis.lines) + len(axis.collections) for axis in own.axes]
    assert drawn[count] == 0
    with pytest.raises(UsageError, match=f"axes: this picture needs {count} .got {count + 1}."):
        draw(found, axes)


def test_a_control_that_is_not_there_is_told_with_the_nearest() -> None:
    with pytest.raises(UsageError, match="no control 'levl'; did you mean 'level'"):
        vadist.plot_control(DESIGN, "levl")


def test_diagnostics_wait_for_the_rendering() -> None:
    take = np.zeros((480, 1))
    rendering = Rendering([DESIGN], 48000, 480, 1, array_window(take))
    with pytest.raises(UsageError, match=r"^diagnostics: the rendering is not finished"):
        rendering.diagnostics(0)
    spans = rendering.spans()
    next(spans)
    with pytest.raises(UsageError, match="not finished"):
        rendering.diagnostics(0)
    assert list(spans) == []
    assert rendering.diagnostics(0).segments >= 1


def test_shapes_are_those_of_the_docstrings() -> None:
    stage = DESIGN.stages["boost"]
    for shape, rendered in [((48,), (48, 1)), ((48, 1), (48, 1)), ((48, 2), (48, 2))]:
        take = np.zeros(shape)
        assert vadist.render(DESIGN, take, 48000).volts.shape == rendered
        processor = stage.discretize(48000, channels=rendered[1])
        assert processor.process(take).shape == shape


def test_an_error_is_worked_out_when_it_is_asked_for(monkeypatch) -> None:
    """Once; and what is put away and taken out again, as workers do, says the same."""
    asked = []
    judged = Judge.judged
    monkeypatch.setattr(Judge, "judged", lambda *its: asked.append(its) or judged(*its))
    result = vadist.render(DESIGN, 0.1 * np.sin(0.03 * np.arange(4800)), 48_000)
    assert result.stages["boost"].low_v < result.stages["boost"].rest_v
    assert not asked
    assert result.diagnostics.error_db < -60.0
    kept = pickle.loads(pickle.dumps(result))
    assert kept.diagnostics == result.diagnostics
    assert len(asked) == 1
