"""Which way the signal takes through a block, and how the rest stands to it.

A block is taken apart like a graph into ears (Whitney 1932): the way of the signal first, then
ways between nodes that are placed, each through nodes that are not. What is left hangs.
"""

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from vadist.drawing.parts import JACK, RAIL, DrawnBlock, DrawnPart
from vadist.stages.sketch import ALONG, BESIDE, OVER, UNDER

Step = tuple[DrawnPart, str, str]
"""A part, the node a way enters it by and the node it leaves it by."""

_TWO_WAY = 1.0
_COSTS = {
    "opamp": {("plus", "output"): 0.4, ("minus", "output"): 0.45},
    "transistor": {("base", "collector"): 0.5, ("base", "emitter"): 0.5},
    "jfet": {("gate", "drain"): 0.5, ("gate", "source"): 0.5},
    "mosfet": {("gate", "drain"): 0.5, ("gate", "source"): 0.5},
}
_AGAINST = 1.6
# A way through a device is preferred to one round it, and with its gain to against it.


@dataclass
class Plan:
    """How a block is drawn.

    Attributes
    ----------
    main : list of Step
        The way of the signal.
    arcs : list of (steps, way)
        Way is over, under or empty, which leaves it to the layout.
    rows : list of steps
        Further ways, each in a row of its own.
    """

    main: list[Step] = field(default_factory=list)
    arcs: list[tuple[list[Step], str]] = field(default_factory=list)
    rows: list[list[Step]] = field(default_factory=list)

    @property
    def steps(self) -> list[Step]:
        """All of them."""
        return [*self.main, *(s for steps, _ in self.arcs for s in steps),
                *(s for steps in self.rows for s in steps)]  # fmt: skip


def plan_of(block: DrawnBlock) -> Plan:
    """Plan a block: as its stage says, and for what it does not say by the graph."""
    parts = [p for p in block.parts if p.kind not in (JACK, RAIL) and len(p.terminals) > 1]
    plan = Plan()
    _declared(block, parts, plan)
    used = {id(part) for part, _, _ in plan.steps}
    # What is declared to hang is no way for others.
    left = [p for p in parts if id(p) not in used]
    if not plan.main and block.source != block.output:
        plan.main = _way(block, left, {block.source}, {block.output}) or []
        left = _without(left, plan.main)
    nodes = {block.source, block.output, *_nodes(plan.steps)} - set(block.rails)
    while ear := _ear(block, left, nodes):
        left = _without(left, ear)
        inner = _nodes(ear) - nodes - set(block.rails)
        alone = not any(n in inner for p in left for n in p.nodes)
        if alone and all(len(p.terminals) == 2 for p, _, _ in ear):
            plan.arcs.append((ear, ""))
        else:
            plan.rows.append(ear)
        nodes |= _nodes(ear) - set(block.rails)
    return plan


def _declared(block: DrawnBlock, parts: list[DrawnPart], plan: Plan) -> None:
    prefix = block.name.partition(" ")[0] + "."
    for place in block.drawing:
        own = [p for name in place.parts for p in parts if _is(p, prefix + name)]
        if place.way == ALONG:
            plan.main += _steps(block, own, plan.main[-1][2] if plan.main else block.source)
        elif place.way in (OVER, UNDER) and own:
            kinds = [[p] for p in own] if _alike(own) else [own]
            plan.arcs += [(_steps(block, chain, ""), place.way) for chain in kinds]
        elif place.way == BESIDE and own:
            plan.rows.append(_steps(block, own, block.source))


def _is(part: DrawnPart, path: str) -> bool:
    return part.path == path or part.path in (f"{path}.forward", f"{path}.reverse")


def _alike(parts: Sequence[DrawnPart]) -> bool:
    return len(parts) > 1 and len({frozenset(p.nodes) for p in parts}) == 1


def _steps(block: DrawnBlock, parts: list[DrawnPart], node: str) -> list[Step]:
    """Join parts to a way, from a node or, where none is given, from the end of the first."""
    found: list[Step] = []
    for k, part in enumerate(parts):
        inner = [n for n in part.nodes if n not in block.rails]
        later = {n for p in parts[k + 1 :] for n in p.nodes}
        if not node:
            ends = [n for n in inner if n not in later] or inner
            node = ends[0]
        others = [n for n in inner if n != node]
        wanted = [n for n in others if n in later] or [n for n in others if n == block.output]
        out = (wanted or _outward(part, others) or [node])[0]
        found.append((part, node, out))
        node = out
    return found


def _outward(part: DrawnPart, others: list[str]) -> list[str]:
    """Of several nodes the one a part's signal leaves by."""
    for terminal, node in part.terminals:
        if terminal in ("output", "wiper") and node in others:
            return [node]
    return others


def _nodes(steps: Iterable[Step]) -> set[str]:
    return {n for part, _, _ in steps for n in part.nodes}


def _without(parts: list[DrawnPart], steps: Iterable[Step]) -> list[DrawnPart]:
    used = {id(part) for part, _, _ in steps}
    return [p for p in parts if id(p) not in used]


def _ear(block: DrawnBlock, parts: list[DrawnPart], nodes: set[str]) -> list[Step]:
    """Cheapest way between two placed nodes through nodes that are not; none, an empty list."""
    best: list[Step] = []
    for start in sorted(nodes):
        found = _way(block, parts, {start}, nodes - {start}, closed=nodes)
        if found and (not best or _cost(found) < _cost(best)):
            best = found
    return best


def _cost(steps: list[Step]) -> float:
    return sum(_edge_cost(p, a, b) for p, a, b in steps)


def _edge_cost(part: DrawnPart, a: str, b: str) -> float:
    known = _COSTS.get(part.kind)
    if known is None:
        return _TWO_WAY
    costs = [
        known.get((ta, tb), _AGAINST)
        for ta, na in part.terminals
        for tb, nb in part.terminals
        if na == a and nb == b and ta != tb
    ]
    return min(costs, default=_AGAINST)


def _way(
    block: DrawnBlock, parts: list[DrawnPart], starts: set[str], goals: set[str],
    closed: Iterable[str] = (),
) -> list[Step] | None:  # fmt: skip
    """Cheapest way over parts, not over rails; ``closed`` nodes are not gone through."""
    rails, walls = set(block.rails), set(closed)
    touching: dict[str, list[DrawnPart]] = {}
    for part in parts:
        for node in dict.fromkeys(part.nodes):
            if node not in rails:
                touching.setdefault(node, []).append(part)
    count = 0
    heap: list[tuple[float, int, str, list[Step]]] = [(0.0, 0, s, []) for s in sorted(starts)]
    done: set[str] = set()
    while heap:
        cost, _, node, steps = heapq.heappop(heap)
        if node in done:
            continue
        done.add(node)
        if node in goals and steps:
            return steps
        if steps and node in walls:
            continue
        used = {id(p) for p, _, _ in steps}
        for part in touching.get(node, ()):
            for other in dict.fromkeys(part.nodes):
                if other in rails or other in done or id(part) in used:
                    continue
                count += 1
                step: Step = (part, node, other)
                heapq.heappush(
                    heap, (cost + _edge_cost(part, node, other), count, other, [*steps, step])
                )
    return None
