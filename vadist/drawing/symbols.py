"""Symbols on a grid: where the pins of a part are, what it covers, where its words stand.

Lengths are cells of the grid, y upwards. Pins stand on whole cells; wires run along them.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from vadist.drawing.parts import JACK, RAIL, DrawnPart

LETTER = 0.64
"""Width of a letter on average, generous for the sans-serif letters of the common fonts."""

LINE = 1.25
"""Height of a line of text."""

UP, DOWN, LEFT, RIGHT = (0, 1), (0, -1), (-1, 0), (1, 0)
Box = tuple[float, float, float, float]


def overlap(a: Box, b: Box, gap: float = 0.0) -> bool:
    """Whether two boxes come closer than a gap."""
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


@dataclass(frozen=True)
class Pin:
    """Where a terminal is joined: its place, the way out of the symbol, its node."""

    terminal: str
    x: int
    y: int
    way: tuple[int, int]
    node: str


@dataclass(frozen=True)
class Words:
    """A line of text: ``align`` is left, center or right; y is the middle of the line.

    ``led`` is a line, as the box it covers, that leads to what is meant.
    """

    text: str
    x: float
    y: float
    align: str = "left"
    led: Box | None = None

    def moved(self, dx: float, dy: float) -> "Words":
        """The same elsewhere."""
        led = self.led and (self.led[0] + dx, self.led[1] + dy, self.led[2] + dx, self.led[3] + dy)
        return replace(self, x=self.x + dx, y=self.y + dy, led=led)

    @property
    def box(self) -> Box:
        """What it covers."""
        wide = LETTER * max(len(self.text), 1)
        x0 = self.x - {"left": 0.0, "center": wide / 2.0, "right": wide}[self.align]
        return (x0, self.y - LINE / 2.0, x0 + wide, self.y + LINE / 2.0)


@dataclass(frozen=True)
class Symbol:
    """A part where it stands.

    Attributes
    ----------
    part : DrawnPart
    pins : tuple of Pin
    body : Box
        What its lines cover, up to the pins.
    words : tuple of Words
    x, y : int
        Origin: the first pin of a part with two, else where :mod:`vadist.drawing.shapes` counts
        from.
    flipped : bool
        Top to bottom.
    mirrored : bool
        Left to right.
    """

    part: DrawnPart
    pins: tuple[Pin, ...]
    body: Box
    words: tuple[Words, ...] = ()
    x: int = 0
    y: int = 0
    flipped: bool = False
    mirrored: bool = False

    @property
    def boxes(self) -> tuple[Box, ...]:
        """All that it covers."""
        return (self.body, *(w.box for w in self.words))

    def moved(self, dx: int, dy: int) -> "Symbol":
        """The same elsewhere."""
        x0, y0, x1, y1 = self.body
        return replace(
            self,
            pins=tuple(replace(p, x=p.x + dx, y=p.y + dy) for p in self.pins),
            body=(x0 + dx, y0 + dy, x1 + dx, y1 + dy),
            words=tuple(w.moved(dx, dy) for w in self.words),
            x=self.x + dx,
            y=self.y + dy,
        )

    def pin_of(self, node: str) -> Pin:
        """First of its pins at a node."""
        return next(p for p in self.pins if p.node == node)


def column(lines: Iterable[str], x: float, middle: float, align: str = "left") -> tuple[Words, ...]:
    """Lines under each other, about a middle."""
    listed = list(lines)
    top = middle + LINE * (len(listed) - 1) / 2.0
    return tuple(Words(text, x, top - LINE * k, align) for k, text in enumerate(listed))


def vertical(part: DrawnPart, top: str) -> Symbol:
    """A part with two ends, upright; ``top`` is the node at its upper one."""
    (t0, n0), (t1, n1) = part.terminals
    if n0 != top:
        (t0, n0), (t1, n1) = (t1, n1), (t0, n0)
    length = _length(part)
    pins = (Pin(t0, 0, 0, UP, n0), Pin(t1, 0, -length, DOWN, n1))
    wide = _side(part)
    words = column(part.lines, wide + 0.3, -length / 2.0)
    return Symbol(part, pins, (-0.7, float(-length), wide, 0.0), words)


def horizontal(part: DrawnPart, left: str) -> Symbol:
    """A part with two ends, lying; ``left`` is the node at its left one."""
    (t0, n0), (t1, n1) = part.terminals
    if n0 != left:
        (t0, n0), (t1, n1) = (t1, n1), (t0, n0)
    widest = max((len(line) for line in part.lines), default=0)
    length = max(_length(part), int(LETTER * widest) + 1)
    length += length % 2
    pins = (Pin(t0, 0, 0, LEFT, n0), Pin(t1, length, 0, RIGHT, n1))
    high = _side(part)
    lines = part.lines
    words = column(lines, length / 2.0, high + 0.15 + LINE * len(lines) / 2.0, "center")
    return Symbol(part, pins, (0.0, -0.9, float(length), high), words)


def _length(part: DrawnPart) -> int:
    return 4 if part.count == 1 else 2 + 2 * part.count


def _side(part: DrawnPart) -> float:
    """How far it reaches to the side of its words: arrows of what varies or shines."""
    return {"led": 2.1, "rheostat": 1.8, "inductor": 0.9}.get(part.kind, 0.7)


def pot(part: DrawnPart, *, entered: str) -> Symbol:
    """A pot, upright; its wiper to the right, or to the left where the signal comes in by it."""
    nodes = dict(part.terminals)
    side = -1 if entered == nodes["wiper"] and nodes["wiper"] != nodes["top"] else 1
    flipped = side == 1 and entered == nodes["bottom"] != nodes["top"]
    top, bottom = ("bottom", "top") if flipped else ("top", "bottom")
    pins = (
        Pin(top, 0, 2, UP, nodes[top]),
        Pin(bottom, 0, -2, DOWN, nodes[bottom]),
        Pin("wiper", 2 * side, 0, (side, 0), nodes["wiper"]),
    )
    wide = max(len(line) for line in part.lines) * LETTER
    if side == 1:
        words = column(part.lines, -1.0 - wide, 0.0)
        body = (-0.7, -2.0, 2.0, 2.0)
    else:
        words = column(part.lines, 1.0, 0.0)
        body = (-2.0, -2.0, 0.7, 2.0)
    return Symbol(part, pins, body, words, mirrored=side == -1)


def opamp(part: DrawnPart, *, entered: str) -> Symbol:
    """An op-amp; the input the signal comes in by is the upper one."""
    nodes = dict(part.terminals)
    flipped = nodes["minus"] == entered != nodes["plus"]
    upper, lower = ("minus", "plus") if flipped else ("plus", "minus")
    pins = (
        Pin(upper, 0, 1, LEFT, nodes[upper]),
        Pin(lower, 0, -1, LEFT, nodes[lower]),
        Pin("output", 6, 0, RIGHT, nodes["output"]),
    )
    words = column(part.lines, 3.4, 1.1 + LINE * len(part.lines) / 2.0)
    return Symbol(part, pins, (0.0, -2.2, 6.0, 2.2), words, flipped=flipped)


_CONTROLS = {"transistor": ("collector", "base", "emitter"), "jfet": ("drain", "gate", "source"),
             "mosfet": ("drain", "gate", "source")}  # fmt: skip


def transistor(part: DrawnPart) -> Symbol:
    """A transistor of any kind; what is nearer the supply is above."""
    nodes = dict(part.terminals)
    above, control, below = _CONTROLS[part.kind]
    flipped = part.variant in ("pnp", "p")
    if flipped:
        above, below = below, above
    pins = (
        Pin(control, 0, 0, LEFT, nodes[control]),
        Pin(above, 2, 2, UP, nodes[above]),
        Pin(below, 2, -2, DOWN, nodes[below]),
    )
    words = column(part.lines, 2.6, 0.0)
    return Symbol(part, pins, (0.0, -2.0, 2.3, 2.0), words, flipped=flipped)


def switch(part: DrawnPart) -> Symbol:
    """A switch: its common contact left, its positions under each other on the right."""
    nodes = dict(part.terminals)
    places = [w for w in part.lines if w != part.lines[0] or part.lines.count(w) > 1]
    places = list(part.lines[len(part.lines) - len(places) :])
    pins = []
    words = [Words(part.lines[0], 0.0, 2.0)]
    wide = max(4, int(LETTER * max(map(len, places))) + 1)
    for k, place in enumerate(places):
        y = -2 * k
        words.append(Words(place, 3.6, y + 0.8))
        if place in nodes:
            pins.append(Pin(place, 3 + wide, y, RIGHT, nodes[place]))
    if "common" in nodes:
        pins.insert(0, Pin("common", 0, 0, LEFT, nodes["common"]))
    body = (0.0, -2.0 * len(places) + 1.5, 3.0 + wide, 1.45)
    return Symbol(part, tuple(pins), body, tuple(words))


def rail(name: str, text: str, way: tuple[int, int], node: str) -> Symbol:
    """A rail's symbol at a pin; ground has none of its words."""
    part = DrawnPart(name, RAIL, (("", node),), variant=name)
    up = way == UP
    pin = Pin("", 0, 0, DOWN if up else UP, node)
    if name == "ground":
        return Symbol(part, (pin,), (-0.8, -1.4, 0.8, 0.0))
    sign = 1.0 if up else -1.0
    body = (-0.8, min(0.0, sign), 0.8, max(0.0, sign))
    words = (Words(text, 0.0, sign * (1.15 + LINE / 2.0), "center"),)
    return Symbol(part, (pin,), body, words, flipped=not up)


def jack(part: DrawnPart) -> Symbol:
    """Where the signal comes in or goes out."""
    side = 1 if part.variant == "left" else -1
    pin = Pin("", 0, 0, (side, 0), part.nodes[0])
    body = (-1.0, -0.5, 0.0, 0.5) if side == 1 else (0.0, -0.5, 1.0, 0.5)
    words = (Words(part.lines[0], -0.5 * side, 1.2, "center"),)
    return Symbol(part, (pin,), body, words, mirrored=side == -1)


def make(part: DrawnPart, entered: str, *, upright: bool = False) -> Symbol:
    """The symbol of a part that the signal enters at a node, or that hangs from it."""
    if part.kind == JACK:
        return jack(part)
    if part.kind == "pot":
        return pot(part, entered=entered)
    if part.kind == "opamp":
        return opamp(part, entered=entered)
    if part.kind in _CONTROLS:
        return transistor(part)
    if part.kind == "switch":
        return switch(part)
    return vertical(part, entered) if upright else horizontal(part, entered)


def rail_places(pin: Pin) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Where a rail's symbol may stand at a pin, and which way it points; the best first."""
    wanted, other = (UP, DOWN) if pin.node == "supply" else (DOWN, UP)
    turned = pin.node != "ground"  # that always points down
    if pin.way == wanted or (pin.way == UP and turned):
        return [((0, 0), pin.way)]
    if dx := pin.way[0]:
        ways = (wanted, other) if turned else (wanted,)
        return [((dx * k, 0), way) for k in range(1, 13) for way in ways]
    dy = pin.way[1]
    return [((k, dy), wanted) for far in range(2, 13) for k in (far, -far)]


def shuts(symbols: Iterable[Symbol], others: Iterable[Symbol]) -> bool:
    """Whether symbols stand where the pins of others need their way out."""
    boxes = [(symbol, box) for symbol in symbols for box in symbol.boxes]
    for other in others:
        for pin in other.pins:
            x, y = pin.x + pin.way[0], pin.y + pin.way[1]
            for symbol, (x0, y0, x1, y1) in boxes:
                if not (x0 - 0.15 < x < x1 + 0.15 and y0 - 0.15 < y < y1 + 0.15):
                    continue
                if not any((p.x, p.y) in ((x, y), (pin.x, pin.y)) for p in symbol.pins):
                    return True
    return False
