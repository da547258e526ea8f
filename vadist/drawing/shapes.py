"""Lines of the symbols that schemdraw has in another shape than our pins want: cells, origin first.

Outlines follow IEC 60617 as commonly drawn (from memory, the standard was not at hand): a
transistor without its envelope, an op-amp as the amplifier's triangle.
"""

from dataclasses import dataclass

Line = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Shape:
    """Lines, arrows (their tip last), filled triangles as arrows' heads, circles and signs."""

    lines: tuple[Line, ...] = ()
    arrows: tuple[Line, ...] = ()
    circles: tuple[tuple[float, float, float], ...] = ()
    signs: tuple[tuple[str, float, float], ...] = ()


_BASE: tuple[Line, ...] = (((0, 0), (1, 0)), ((1, -0.9), (1, 0.9)))
_COLLECTOR: Line = ((1, 0.4), (2, 1.2), (2, 2))
_EMITTER: Line = ((1, -0.4), (2, -1.2))
_EMITTER_LEAD: Line = ((2, -1.2), (2, -2))

_CHANNEL: tuple[Line, ...] = (
    ((1.2, -0.5), (1.2, 1.5)),
    ((1.2, 1.2), (2, 1.2), (2, 2)),
    ((1.2, 0), (2, 0), (2, -2)),
)
_GATE: tuple[Line, ...] = (
    ((0, 0), (0.8, 0), (0.8, 0.8)),
    ((0.8, -0.8), (0.8, 0)),
    ((1.2, 0.5), (1.2, 1.0)),
    ((1.2, -0.25), (1.2, 0.25)),
    ((1.2, -1.0), (1.2, -0.5)),
    ((1.2, 0.75), (2, 0.75), (2, 2)),
    ((1.2, -0.75), (2, -0.75), (2, -2)),
    ((2, 0), (2, -0.75)),
)

SHAPES: dict[tuple[str, str], Shape] = {
    ("transistor", "npn"): Shape((*_BASE, _COLLECTOR, _EMITTER_LEAD), (_EMITTER,)),
    ("transistor", "pnp"): Shape((*_BASE, _COLLECTOR, _EMITTER_LEAD), (_EMITTER[::-1],)),
    ("jfet", "n"): Shape(_CHANNEL, (((0, 0), (1.2, 0)),)),
    ("jfet", "p"): Shape(_CHANNEL, (((1.2, 0), (0, 0)),)),
    ("mosfet", "n"): Shape(_GATE, (((2, 0), (1.2, 0)),)),
    ("mosfet", "p"): Shape(_GATE, (((1.2, 0), (2, 0)),)),
    ("opamp", ""): Shape(
        (
            ((1, 2), (5, 0), (1, -2), (1, 2)),
            ((0, 1), (1, 1)),
            ((0, -1), (1, -1)),
            ((5, 0), (6, 0)),
        ),
        signs=(("+", 1.55, 1), ("−", 1.55, -1)),
    ),
    ("jack", ""): Shape((((-0.4, 0), (0, 0)),), circles=((-0.7, 0, 0.3),)),
    ("ground", ""): Shape(
        (
            ((0, 0), (0, -0.6)),
            ((-0.8, -0.6), (0.8, -0.6)),
            ((-0.5, -0.95), (0.5, -0.95)),
            ((-0.2, -1.3), (0.2, -1.3)),
        )
    ),
    ("rail", ""): Shape((((0, 0), (0, 0.9)), ((-0.8, 0.9), (0.8, 0.9)))),
}
"""Shapes by kind and variant; those with an upper and a lower end stand upright, N-type."""
