"""From symbols and wires to SVG, PDF and PNG; the only importer of schemdraw."""

import html
import importlib
import io
import warnings
from collections.abc import Iterable
from typing import Any

from vadist.drawing.pages import SHEET_IN, Page
from vadist.drawing.parts import JACK, RAIL
from vadist.drawing.routing import Edge
from vadist.drawing.shapes import SHAPES, Shape
from vadist.drawing.symbols import Symbol, Words

CELL = 0.5
"""A cell in the library's units: a resistor's body is two cells long."""

BOX, ZIGZAG = "box", "zigzag"
INK, GREY, BLUE = "#111111", "#777777", "#0072B2"

_TWO_ENDS = {
    BOX: {"resistor": "ResistorIEC", "rheostat": "ResistorVarIEC", "pot": "PotentiometerIEC"},
    ZIGZAG: {"resistor": "Resistor", "rheostat": "ResistorVar", "pot": "Potentiometer"},
}
_OTHERS = {"capacitor": "Capacitor", "inductor": "Inductor", "diode": "Diode", "led": "LED",
           "zener": "Zener", "battery": "BatteryCell"}  # fmt: skip
_LETTER_PT = 1.0
_PNG_DPI = 150
_BASE_LINE = 0.36
_MARKUP = {ord("$"): "S", ord("&"): "+"}
# In the library these begin mathematics, and an entity.
_FONT = "DejaVu Sans, Verdana, Helvetica, Arial, sans-serif"


def drawing_of(page: Page, resistors: str, *, for_svg: bool, whole_sheet: bool) -> Any:
    """The page as a drawing of schemdraw; a whole sheet has A4's size, whatever is on it."""
    import schemdraw
    from schemdraw import elements, segments

    drawing = schemdraw.Drawing(canvas="svg" if for_svg else "matplotlib", show=False)
    width, height = (page.width, page.height)
    if whole_sheet:
        width, height = (side / page.cell_in for side in SHEET_IN)
    inches = page.cell_in / CELL
    font = _FONT if for_svg else "DejaVu Sans"
    points = page.cell_in * 72.0 * _LETTER_PT
    drawing.config(
        unit=2, inches_per_unit=inches, fontsize=points, font=font, color=INK, lw=0.09 * points,
        margin=0, bgcolor="white",
    )  # fmt: skip
    pen = _Pen(drawing, elements, segments, resistors, points)
    pen.frame(width, height)
    for symbol in page.symbols:
        pen.symbol(symbol)
    for edges in page.wires:
        pen.wire(edges)
    for x, y in sorted(page.dots):
        pen.dot(x, y)
    for line in page.lines:
        pen.line(line, GREY)
    for words in page.titles:
        pen.words(words, GREY)
    for words in page.volts:
        pen.words(words, BLUE)
        if words.led is not None:
            x0, y0, x1, y1 = words.led
            pen.line(((x0, y0), (x1, y1)), BLUE)
    pen.finish()
    return drawing


def picture_of(page: Page, kind: str, resistors: str, title: str) -> bytes:
    """The page as a file's content: ``svg``, ``pdf`` or ``png``."""
    from schemdraw.backends import svg

    if kind == "svg":
        before, svg.config._text = svg.config._text, "text"  # whatever fonts are installed
        try:
            drawing = drawing_of(page, resistors, for_svg=True, whole_sheet=False)
            text = drawing.get_imagedata("svg").decode("utf-8")
        finally:
            svg.config._text = before
        head, _, rest = text[text.index("<svg") :].partition(">")
        return f'{head} role="img"><title>{html.escape(title)}</title>{rest}\n'.encode()
    drawing = drawing_of(page, resistors, for_svg=False, whole_sheet=kind == "pdf")
    drawing.draw(show=False)
    figure = drawing.fig.getfig()
    if kind == "pdf":
        figure.set_size_inches(*SHEET_IN)
    held = io.BytesIO()
    metadata = {"Title": title, "CreationDate": None} if kind == "pdf" else {"Software": None}
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")  # a box stands for such a letter
        figure.savefig(held, format=kind, dpi=_PNG_DPI, metadata=metadata)
    pyplot: Any = importlib.import_module("schemdraw.backends.mpl").plt
    pyplot.close(figure)  # which the library has opened there
    return held.getvalue()


class _Pen:
    """Adds symbols, wires and words to a drawing."""

    def __init__(
        self, drawing: Any, elements: Any, segments: Any, resistors: str, points: float
    ) -> None:
        self.drawing, self.elements, self.segments = drawing, elements, segments
        self.points = points
        self.drawn: list[Any] = []
        self.texts: list[Any] = []
        self.names = {**_TWO_ENDS[resistors], **_OTHERS}

    def finish(self) -> None:
        """Add what is no element of the library: in one piece, which is fast."""
        element = self.elements.Element()
        element.segments.extend([*self.drawn, *self.texts])
        self._add(element.at((0, 0)).theta(0))

    def frame(self, width: float, height: float) -> None:
        """Hold the whole sheet, whatever is drawn."""
        corners = ((0.0, 0.0), (width, 0.0), (width, -height), (0.0, -height), (0.0, 0.0))
        self._path(corners, color="#ffffff", lw=0.01)

    def line(self, points: Iterable[tuple[float, float]], color: str = INK) -> None:
        """Draw a line through points."""
        self._path(tuple(points), color=color)

    def words(self, words: Words, color: str = INK) -> None:
        """Write a line of text."""
        at = (words.x * CELL, (words.y - _BASE_LINE) * CELL)
        text = words.text.translate(_MARKUP)
        self.texts.append(
            self.segments.SegmentText(
                at, text, align=(words.align, "base"), color=color, fontsize=self.points
            )
        )

    def wire(self, edges: set[Edge]) -> None:
        """Draw the lines of a net."""
        for one, other in _lines(edges):
            self._path((one, other))

    def symbol(self, symbol: Symbol) -> None:
        """Draw a part or a mark, and its words."""
        part = symbol.part
        for words in symbol.words:
            self.words(words)
        if part.kind in self.names:
            self._two_ends(symbol)
        elif part.kind == "switch":
            self._shape(_switch_shape(symbol), symbol)
        elif part.kind == RAIL:
            self._shape(SHAPES["ground" if part.variant == "ground" else "rail", ""], symbol)
        elif part.kind == JACK:
            self._shape(SHAPES["jack", ""], symbol)
        elif part.kind == "mark":
            self._circle((symbol.x + (1.0 if symbol.mirrored else -1.0), symbol.y), 1.0)
        elif part.kind != "port":
            self._shape(SHAPES[part.kind, part.variant], symbol)

    def _two_ends(self, symbol: Symbol) -> None:
        part, kind = symbol.part, getattr(self.elements, self.names[symbol.part.kind])
        pins = {p.terminal: p for p in symbol.pins}
        one, other = (pins[t] for t, _ in part.terminals if t != "wiper")
        for k in range(part.count):
            x0, y0 = (one.x + (other.x - one.x) * k / part.count,
                      one.y + (other.y - one.y) * k / part.count)  # fmt: skip
            x1, y1 = (one.x + (other.x - one.x) * (k + 1) / part.count,
                      one.y + (other.y - one.y) * (k + 1) / part.count)  # fmt: skip
            element = kind().at((x0 * CELL, y0 * CELL)).to((x1 * CELL, y1 * CELL))
            if part.kind == "pot":
                wiper = pins["wiper"]
                # The library draws the tap left of the way from the first end to the last.
                if (wiper.x - one.x) * (one.y - other.y) < 0:
                    element = element.flip()
                element = self._add(element)
                tap = element.absanchors["tap"]
                self._path(((tap[0] / CELL, tap[1] / CELL), (wiper.x, wiper.y)))
                continue
            if part.kind in ("led", "rheostat", "inductor") and self._arrows_low(one, other):
                element = element.flip()
            self._add(element)

    @staticmethod
    def _arrows_low(one: Any, other: Any) -> bool:
        """Whether the side of the arrows would not be that of the words: up or right."""
        return bool(other.x < one.x or other.y > one.y)

    def _shape(self, shape: Shape, symbol: Symbol) -> None:
        def at(point: tuple[float, float]) -> tuple[float, float]:
            x, y = point
            return (symbol.x - x if symbol.mirrored else symbol.x + x,
                    symbol.y - y if symbol.flipped else symbol.y + y)  # fmt: skip

        for line in shape.lines:
            self._path(tuple(map(at, line)))
        for line in shape.arrows:
            self._path(tuple(map(at, line)), arrow=True)
        for x, y, radius in shape.circles:
            self._circle(at((x, y)), radius)
        for text, x, y in shape.signs:
            self.words(Words(text, *at((x, y)), "center"))

    def _path(
        self, points: tuple[tuple[float, float], ...], color: str = INK,
        arrow: bool = False, lw: float | None = None,
    ) -> None:  # fmt: skip
        path = [(x * CELL, y * CELL) for x, y in points]
        self.drawn.append(
            self.segments.Segment(
                path,
                color=color,
                lw=lw,
                arrow="->" if arrow else None,
                arrowwidth=0.22,
                arrowlength=0.3,
            )
        )

    def _circle(self, center: tuple[float, float], radius: float, fill: str | None = None) -> None:
        x, y = center
        self.drawn.append(
            self.segments.SegmentCircle((x * CELL, y * CELL), radius * CELL, fill=fill)
        )

    def dot(self, x: float, y: float) -> None:
        """Draw a junction."""
        self._circle((x, y), 0.22, fill=INK)

    def _add(self, element: Any) -> Any:
        return self.drawing.add(element)


def _switch_shape(symbol: Symbol) -> Shape:
    part = symbol.part
    places = [w.text for w in symbol.words[1:]]
    stands = places.index(part.variant) if part.variant in places else 0
    reach = symbol.body[2] - symbol.x
    lines: list[Any] = [((0.0, 0.0), (0.6, 0.0)), ((0.75, 0.15), (2.85, -2.0 * stands))]
    circles = [(0.8, 0.0, 0.2)]
    for k, _ in enumerate(places):
        lines.append(((3.2, -2.0 * k), (reach, -2.0 * k)))
        circles.append((3.0, -2.0 * k, 0.2))
    return Shape(tuple(lines), circles=tuple(circles))


def _lines(edges: set[Edge]) -> list[Edge]:
    """Straight lines that lengths of one cell make up."""
    found: list[Edge] = []
    for one, other in sorted(edges, key=lambda e: (e[0][1] == e[1][1], e)):
        step = (other[0] - one[0], other[1] - one[1])
        before = ((one[0] - step[0], one[1] - step[1]), one)
        if before in edges:
            continue
        end = other
        while (end, (end[0] + step[0], end[1] + step[1])) in edges:
            end = (end[0] + step[0], end[1] + step[1])
        found.append((one, end))
    return found
