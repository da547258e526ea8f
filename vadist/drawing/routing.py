"""Wires between pins: along the grid, round all symbols and words, crossing each other squarely.

Each wire is the cheapest way over the grid (Dijkstra 1959; Lee 1961 for the grid) from what is
wired of its net to the next pin. Two nets never share a length of a line, nor a corner; they may
cross where both run straight, which is drawn without a dot and joins nothing.
"""

import heapq
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from vadist.drawing.symbols import Box

Point = tuple[int, int]
Edge = tuple[Point, Point]

_BEND, _CROSSING, _BY_A_PIN, _SIDEWAYS = 2.0, 3.0, 2.0, 3.0
_ON_ROW = 0.75
# A wire runs along a row of symbols rather than beside it, and leaves a pin straight.
_CLEAR = 0.15
_WAYS = ((1, 0), (0, 1), (-1, 0), (0, -1))


@dataclass
class Board:
    """What is taken on the grid.

    Attributes
    ----------
    low, high : Point
        Corners of the grid that wires may use.
    solid : set of Point
        Covered by symbols and words.
    straight : dict of Point -> (net, whether it lies)
        Where one net runs straight through.
    closed : dict of Point -> net
        Pins, corners and junctions, which no other net may touch.
    crossed : set of Point
        Where two nets cross.
    ways : dict of Point -> Point
        Which way a pin points.
    rows : set of int
        Heights along which symbols stand in a row.
    beside : dict of Point -> set of nets
        Whose pins are next to a point.
    """

    low: Point
    high: Point
    solid: set[Point] = field(default_factory=set)
    straight: dict[Point, tuple[str, bool]] = field(default_factory=dict)
    closed: dict[Point, str] = field(default_factory=dict)
    crossed: set[Point] = field(default_factory=set)
    ways: dict[Point, Point] = field(default_factory=dict)
    rows: set[int] = field(default_factory=set)
    beside: dict[Point, set[str]] = field(default_factory=dict)


def cover(board: Board, boxes: Iterable[Box]) -> None:
    """Close the grid under boxes."""
    for x0, y0, x1, y1 in boxes:
        xs = range(math.ceil(x0 - _CLEAR), math.floor(x1 + _CLEAR) + 1)
        ys = range(math.ceil(y0 - _CLEAR), math.floor(y1 + _CLEAR) + 1)
        board.solid |= {(x, y) for x in xs for y in ys}


def route(board: Board, nets: Mapping[str, Sequence[Point]]) -> dict[str, set[Edge]] | None:
    """Wire every net.

    Parameters
    ----------
    board : Board
        With the boxes covered.
    nets : mapping of net -> places of its pins

    Returns
    -------
    dict of net -> lengths of one cell, or None
        None if a pin cannot be reached.
    """
    for net, pins in nets.items():
        for x, y in pins:
            board.closed[x, y] = net
            for dx, dy in _WAYS:
                board.beside.setdefault((x + dx, y + dy), set()).add(net)
    found: dict[str, set[Edge]] = {}
    for net in sorted(nets, key=lambda n: (_span(nets[n]), n)):
        edges = _wire(board, net, list(dict.fromkeys(nets[net])))
        if edges is None:
            return None
        found[net] = edges
    return found


def _span(pins: Sequence[Point]) -> int:
    xs, ys = zip(*pins, strict=True)
    return int(max(xs) - min(xs) + max(ys) - min(ys))


def _wire(board: Board, net: str, pins: list[Point]) -> set[Edge] | None:
    tree, left, edges = {pins[0]}, set(pins[1:]), set[Edge]()
    while left:
        way = _cheapest(board, net, tree, left)
        if way is None:
            return None
        left -= set(way)
        for one, other in pairwise(way):
            edges.add((one, other) if one < other else (other, one))
        tree |= set(way)
        _take(board, net, edges, set(way))
        tree -= board.crossed
    return edges


def _take(board: Board, net: str, edges: set[Edge], points: set[Point]) -> None:
    """Note what a net now uses."""
    for x, y in points:
        lying = ((x, y), (x + 1, y)) in edges, ((x - 1, y), (x, y)) in edges
        upright = ((x, y), (x, y + 1)) in edges, ((x, y - 1), (x, y)) in edges
        through = (all(lying) and not any(upright)) or (all(upright) and not any(lying))
        if not through or board.closed.get((x, y)) == net:
            board.closed[x, y] = net
            board.straight.pop((x, y), None)
        elif (x, y) in board.straight and board.straight[x, y][0] != net:
            board.crossed.add((x, y))
        else:
            board.straight[x, y] = (net, all(lying))


def _cheapest(board: Board, net: str, tree: set[Point], goals: set[Point]) -> list[Point] | None:
    """Cheapest way from a tree to one of the goals, both ends included."""
    heap = [(0.0, point, -1) for point in sorted(tree)]
    heapq.heapify(heap)
    best: dict[tuple[Point, int], float] = {(point, -1): 0.0 for point in tree}
    came: dict[tuple[Point, int], tuple[Point, int]] = {}
    (x0, y0), (x1, y1) = board.low, board.high
    while heap:
        cost, point, heading = heapq.heappop(heap)
        if cost > best[point, heading]:
            continue
        if point in goals:
            way, state = [point], (point, heading)
            while state in came:
                state = came[state]
                way.append(state[0])
            return way
        held = board.straight.get(point)
        crossing = held is not None and held[0] != net
        for turn, (dx, dy) in enumerate(_WAYS):
            if heading >= 0 and (turn == (heading + 2) % 4 or (crossing and turn != heading)):
                continue
            there = (point[0] + dx, point[1] + dy)
            if not (x0 <= there[0] <= x1 and y0 <= there[1] <= y1) or there in tree:
                continue
            step = _step(board, net, there, lying=dy == 0, goal=there in goals)
            if step is None:
                continue
            total = cost + step + (_BEND if heading not in (-1, turn) else 0.0)
            if heading < 0 and board.ways.get(point, (dx, dy)) != (dx, dy):
                total += _SIDEWAYS
            if there in goals and board.ways.get(there, (-dx, -dy)) != (-dx, -dy):
                total += _SIDEWAYS
            if total < best.get((there, turn), math.inf):
                best[there, turn] = total
                came[there, turn] = (point, heading)
                heapq.heappush(heap, (total, there, turn))
    return None


def _step(board: Board, net: str, there: Point, *, lying: bool, goal: bool) -> float | None:
    """Cost of a step to a point; None where it may not go."""
    owner = board.closed.get(there)
    if owner is not None and owner != net:
        return None
    if there in board.crossed or (there in board.solid and not goal):
        return None
    if owner == net and not goal:
        return None
    held = board.straight.get(there)
    cost = _ON_ROW if lying and there[1] in board.rows else 1.0
    if held is not None and held[0] != net:
        if held[1] == lying:
            return None
        cost += _CROSSING
    near = board.beside.get(there)
    return cost + _BY_A_PIN if near and near - {net} else cost
