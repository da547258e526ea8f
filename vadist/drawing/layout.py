"""Where the symbols of a block stand.

The way of the signal runs along y = 0 from left to right; from each of its nodes hang the parts
that lead to a rail, arcs lead over or under it, and further ways stand in rows below. Every symbol
is moved on until it covers no other one; wires come later and go round.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from vadist.circuits.network import GROUND, SUPPLY
from vadist.drawing.parts import JACK, RAIL, DrawnBlock, DrawnPart
from vadist.drawing.planning import Plan, Step, plan_of
from vadist.drawing.symbols import (
    DOWN,
    LEFT,
    LETTER,
    RIGHT,
    UP,
    Pin,
    Symbol,
    horizontal,
    jack,
    make,
    overlap,
    rail,
    rail_places,
    shuts,
    vertical,
)
from vadist.errors import VadistError

PORT = "port"
"""Where a block is joined to its neighbours; it has no symbol."""

_GAP = 0.6


@dataclass
class Layout:
    """Symbols placed so far.

    Attributes
    ----------
    block : DrawnBlock
    plan : Plan
    rails : mapping of rail -> how it is written
    room : int
        Cells left free beside what is placed, for wires.
    symbols : list of Symbol
    pairs : list of (rail's symbol's pin, pin it belongs to)
        Where they do not lie on each other, a wire joins them.
    """

    block: DrawnBlock
    plan: Plan
    rails: Mapping[str, str]
    room: int = 0
    symbols: list[Symbol] = field(default_factory=list)
    pairs: list[tuple[Pin, Pin]] = field(default_factory=list)
    placed: set[int] = field(default_factory=set)
    taken: set[tuple[int, int]] = field(default_factory=set)
    arcs_left: list[tuple[list[Step], str]] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    starts: dict[frozenset[str], int] = field(default_factory=dict)
    left: float = -math.inf

    def pins(self, node: str) -> list[Pin]:
        """Pins of a node so far."""
        return [p for s in self.symbols for p in s.pins if p.node == node]

    def reached(self, node: str) -> bool:
        """Whether a node is placed."""
        return any(True for s in self.symbols for p in s.pins if p.node == node)

    # Placing

    def fits(self, symbols: Sequence[Symbol]) -> bool:
        """Whether symbols cover nothing that is placed, and leave every pin a way out."""
        new = [box for s in symbols for box in s.boxes]
        if any(box[0] < self.left for box in new):
            return False
        old = [box for s in self.symbols for box in s.boxes]
        gap = _GAP + self.room
        if any(overlap(a, b, gap) for a in new for b in old):
            return False
        return not (shuts(symbols, self.symbols) or shuts(self.symbols, symbols))

    def put(self, symbol: Symbol, moves: Iterable[tuple[int, int]]) -> Symbol:
        """Place a symbol, with the rails it ends at, at the first of some moves that fits."""
        for dx, dy in moves:
            moved = symbol.moved(dx, dy)
            ends = self._ends(moved)
            if ends is not None and self.fits([moved, *(s for s, _ in ends)]):
                self.symbols += [moved, *(s for s, _ in ends)]
                self.pairs += [(s.pins[0], pin) for s, pin in ends]
                self.placed.add(id(symbol.part))
                return moved
        raise VadistError(f"{symbol.part.path}: finds no place in the drawing")

    def _ends(self, symbol: Symbol) -> list[tuple[Symbol, Pin]] | None:
        """Symbols of the rails at a symbol's pins."""
        ends: list[tuple[Symbol, Pin]] = []
        for pin in symbol.pins:
            if pin.node not in self.block.rails:
                continue
            for offset, way in rail_places(pin):
                mark = rail(pin.node, self.rails.get(pin.node, ""), way, pin.node)
                mark = mark.moved(pin.x + offset[0], pin.y + offset[1])
                own = [] if offset == (0, 0) else symbol.boxes
                others = [*own, *(box for s, _ in ends for box in s.boxes)]
                over = any(overlap(a, b, 0.3) for a in mark.boxes for b in others)
                if not over and not shuts([mark], [symbol]):
                    ends.append((mark, pin))
                    break
            else:
                return None
        return ends

    # What hangs

    def hang(self, node: str, x: int, y: int) -> int:
        """Hang what leads from a node to rails; the next free column of the row is returned."""
        for part in self._hanging(node):
            if id(part) in self.placed:
                continue
            x = max(x, self._hang_one(part, node, x, y))
        return x

    def _hanging(self, node: str) -> list[DrawnPart]:
        if node in self.block.rails:
            return []
        return [p for p in self.block.parts if node in p.nodes and id(p) not in self._ways]

    @property
    def _ways(self) -> set[int]:
        return {id(part) for part, _, _ in self.plan.steps}

    def _hang_one(self, part: DrawnPart, node: str, x: int, y: int) -> int:
        way = UP if self._leads_up(part, node, set()) else DOWN
        if part.kind == JACK:
            mark = self.put(jack(part).moved(x + 1, y), _rightward())
            return mark.x + 1
        if part.kind == RAIL:
            name = part.path
            mark = replace(rail(name, self.rails.get(name, ""), UP, node), part=part)
            return self.put(mark.moved(x - 1, y + 1), _rightward()).x + 1
        symbol = self._hung(part, node, way)
        near = [p for p in symbol.pins if p.node == node and p.way == (-way[0], -way[1])]
        if near:
            for pin in self.pins(node):
                spot = (pin.x, pin.y + way[1] * (1 + self.room))
                if pin.way != way or spot in self.taken:
                    continue
                start = symbol.moved(spot[0] - near[0].x, spot[1] - near[0].y)
                ends = self._ends(start)
                if ends is not None and self.fits([start, *(s for s, _ in ends)]):
                    self.taken.add(spot)
                    placed = self.put(start, [(0, 0)])
                    self._beyond(placed, node, way)
                    return x
            start = symbol.moved(x - near[0].x, y + way[1] - near[0].y)
            placed = self.put(start, _rightward())
            right = placed.pin_of(node).x + 1
        else:
            top = max(b[3] for b in symbol.boxes)
            placed = self.put(symbol.moved(x + 1, y - 1 - int(top + 1.0)), _rightward())
            right = x + 1
        self._beyond(placed, node, way)
        return right

    def _hung(self, part: DrawnPart, node: str, way: tuple[int, int]) -> Symbol:
        if part.kind in ("pot", "opamp", "switch") or len(part.terminals) != 2:
            return make(part, node)
        if way == DOWN:
            return vertical(part, node)
        other = next((n for n in part.nodes if n != node), node)
        return vertical(part, other)

    def _beyond(self, symbol: Symbol, node: str, way: tuple[int, int]) -> None:
        """Hang what leads on from the other pins of what hangs."""
        for pin in symbol.pins:
            if pin.node != node and pin.node not in self.block.rails:
                self.hang(pin.node, pin.x + (0 if pin.way == way else 1), pin.y)

    def _leads_up(self, part: DrawnPart, node: str, seen: set[int]) -> bool:
        """Whether a chain of parts leads to the supply."""
        if len(part.terminals) != 2:
            return False
        other = next((n for n in part.nodes if n != node), node)
        if other in self.block.rails:
            return other == SUPPLY
        seen.add(id(part))
        further = [p for p in self._hanging(other) if id(p) not in seen]
        return bool(further) and all(self._leads_up(p, other, seen) for p in further)

    # Ways

    def run(self, steps: Iterable[Step], x: int, y: int) -> int:
        """Place a way along a row, with what hangs from its nodes and its arcs."""
        for part, entered, left in steps:
            x = self._along(part, entered, x, y)
            x = self.arcs(x, y)
            x = self.hang(left, x, y)
            for pin in self.symbols[-1].pins:
                x = max(x, self.hang(pin.node, x, y) if pin.node == left else x)
            x = self._others(part, (entered, left), x, y)
            x = self.arcs(x, y)
        return x

    def _along(self, part: DrawnPart, entered: str, x: int, y: int) -> int:
        waiting = any(entered in (s[0][1], s[-1][2]) for s, _ in self.arcs_left)
        if len(part.terminals) == 2:
            symbol = self.put(horizontal(part, entered).moved(x + waiting, y), _rightward())
            return symbol.pins[1].x + 1
        symbol = make(part, entered)
        if part.kind == "opamp":
            symbol = symbol.moved(0, -1)
            lower = symbol.pins[1].node
            own = symbol.pins[2].node
            if not self.reached(lower) and lower not in (*self.block.rails, own):
                # What hangs from the lower input stands to its left.
                x = self._stub(lower, x + waiting, y - 2)
        elif part.kind == "pot":
            symbol = symbol.moved(2, 0) if symbol.mirrored else symbol.moved(0, -3)
        placed = self.put(symbol.moved(x + 1 + waiting, y), _rightward())
        outs = [pin for pin in placed.pins if pin.way == RIGHT]
        return max(pin.x for pin in placed.pins) + 1 + any(pin.y != y for pin in outs)

    def _stub(self, node: str, x: int, y: int) -> int:
        """Hang what leads from the lower input; arcs from there find a way down to its right."""
        before = len(self.symbols)
        self.hang(node, x, y)
        added = self.symbols[before:]
        if any(node in (s[0][1], s[-1][2]) for s, _ in self.arcs_left):
            return math.ceil(max((b[2] for s in added for b in s.boxes), default=x)) + 1
        return max((p.x for s in added for p in s.pins if p.node == node), default=x - 1) + 1

    def _others(self, part: DrawnPart, ends: tuple[str, str], x: int, y: int) -> int:
        """Hang what leads from the pins that the way does not use."""
        own = next(s for s in reversed(self.symbols) if s.part is part)
        for pin in own.pins:
            if pin.node not in ends and pin.node not in self.block.rails:
                self.hang(pin.node, pin.x + (pin.way == RIGHT), pin.y)
        return x

    def arcs(self, x: int, y: int) -> int:
        """Place the arcs whose two ends are placed."""
        for arc in list(self.arcs_left):
            steps, way = arc
            start, end = steps[0][1], steps[-1][2]
            if not (self.reached(start) and self.reached(end)):
                continue
            self.arcs_left.remove(arc)
            first, last = self.pins(start), self.pins(end)
            if min(p.x for p in first) > min(p.x for p in last):
                first, last = last, first
                steps = [(p, b, a) for p, a, b in reversed(steps)]
            at = max((p.x for p in first if p.x < max(q.x for q in last)), default=first[0].x)
            low = any(p.y < y and p.way == LEFT for p in (*first, *last))
            under = way == "under" or (not way and low)
            # Arcs over the same nodes begin under each other.
            at = self.starts.setdefault(frozenset((start, end)), at)
            x = max(x, self._arc(steps, at + 1, y, -1 if under else 1) + 3)
        return x

    def _arc(self, steps: list[Step], x: int, y: int, sign: int) -> int:
        chain, at = [], 0
        for part, entered, _ in steps:
            symbol = horizontal(part, entered).moved(at, 0)
            at = symbol.pins[1].x + 1
            chain.append(symbol)
        if sign < 0:  # the words stay clear of the row
            y -= max(0, math.ceil(max(b[3] for s in chain for b in s.boxes) - 1.4))
        for dx, dy in _outward(sign):
            moved = [s.moved(x + dx, y + dy + 3 * sign) for s in chain]
            if self.fits(moved):
                self.symbols += moved
                self.placed |= {id(s.part) for s in moved}
                return moved[-1].pins[1].x
        raise VadistError(f"{steps[0][0].path}: finds no place in the drawing")

    def row(self, steps: list[Step]) -> None:
        """Place a way in a row below everything in its reach."""
        start, end = steps[0][1], steps[-1][2]
        ends = [min((p.x for p in self.pins(node)), default=0) for node in (start, end)]
        if ends[0] > ends[1]:
            steps = [(p, b, a) for p, a, b in reversed(steps)]
        x = min(ends) + 2
        sketch = replace(
            self, symbols=[], pairs=[], placed=set(self.placed), taken=set(),
            arcs_left=list(self.arcs_left), rows=[], starts={},
        )  # fmt: skip
        sketch.run(steps, x, 0)
        low, high = sketch.extent()
        boxes = [
            b for s in self.symbols for b in s.boxes if overlap(b, (low[0], -1e9, high[0], 1e9), 1)
        ]
        floor = min((b[1] for b in boxes), default=0.0)
        y = int(floor - high[1] - 2.0)
        self.rows.append(y)
        self.run(steps, x, y)

    def extent(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Corners of all that is covered."""
        boxes = [box for s in self.symbols for box in s.boxes]
        x0, y0, x1, y1 = zip(*boxes, strict=True)
        return (min(x0), min(y0)), (max(x1), max(y1))


def lay_out(
    block: DrawnBlock, rails: Mapping[str, str], room: int, *, first: bool, last: bool
) -> Layout:
    """Place all symbols of a block.

    Parameters
    ----------
    block : DrawnBlock
    rails : mapping of rail -> how it is written
    room : int
        Cells kept free between symbols beyond the least, for wires that found no way.
    first, last : bool
        Whether it has no neighbour on the left, on the right.
    """
    plan = plan_of(block)
    layout = Layout(block, plan, rails, room)
    layout.arcs_left = list(plan.arcs)
    if not first:
        layout.symbols.append(_port(block.source, RIGHT))
        layout.left = -0.6
    for part in block.parts:
        if part.kind == JACK and part.variant == "left":
            layout.put(jack(part), [(0, 0)])
    x = layout.hang(block.source, 2, 0)
    x = layout.arcs(x, 0)
    x = layout.run(plan.main, x, 0)
    if not layout.reached(block.output):
        x += 2
        x = layout.hang(block.output, x, 0)
    for row in plan.rows:
        layout.row(row)
        x = layout.arcs(x, 0)
    _place_rest(layout)
    if not last:
        named = math.ceil(LETTER * len(block.name)) + 2
        right = max(math.ceil(layout.extent()[1][0]) + 2 + len(plan.rows), named)
        layout.symbols.append(_port(block.output, LEFT).moved(right + layout.room, 0))
    return layout


def _place_rest(layout: Layout) -> None:
    """Place what neither the signal nor a node of it leads to."""
    for part in layout.block.parts:
        if id(part) in layout.placed:
            continue
        x = int(layout.extent()[1][0]) + 2
        nodes = [n for n in part.nodes if n not in layout.block.rails]
        top = nodes[0] if nodes else part.nodes[0]
        if len(part.terminals) == 2:
            top = SUPPLY if SUPPLY in part.nodes else part.nodes[0]
            top = part.nodes[1] if top == GROUND else top
        symbol = make(part, top, upright=True)
        placed = layout.put(symbol.moved(x, 2), _rightward())
        layout._beyond(placed, "", DOWN)


def _port(node: str, way: tuple[int, int]) -> Symbol:
    part = DrawnPart("", PORT, (("", node),))
    return Symbol(part, (Pin("", 0, 0, way, node),), (0.0, 0.0, 0.0, 0.0))


def _rightward() -> Iterable[tuple[int, int]]:
    return ((k, 0) for k in range(600))


def _outward(sign: int) -> list[tuple[int, int]]:
    """Moves of an arc: further out or, cheaper, to the right."""
    moves = [(dx, dy * sign) for dx in range(9) for dy in range(120)]
    return sorted(moves, key=lambda m: (6 * m[0] + abs(m[1]), m[0]))
