"""Schematics: a design as a drawing; schemdraw is imported here alone, and only to draw.

>>> from vadist import draw_design, load_design
>>> svg = draw_design(load_design("treble_boost"))
>>> svg.startswith("<svg"), ">R1<" in svg
(True, True)
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from vadist.drawing.parts import blocks_of, designators
from vadist.errors import UsageError
from vadist.names import nearest

if TYPE_CHECKING:
    from vadist.designs.design import Design
    from vadist.drawing.pages import Page

__all__ = ["KINDS", "RESISTORS", "designators", "draw_block", "draw_design", "draw_picture"]

RESISTORS = ("box", "zigzag")
"""How resistors are drawn: as in IEC 60617, or as in IEEE 315."""

KINDS = ("svg", "pdf", "png")
"""Files a drawing can be written as."""


def draw_design(design: "Design", *, resistors: str = "box", volts: bool = False) -> str:
    """Draw a design as a schematic.

    Parameters
    ----------
    design : Design
    resistors : str
        ``box`` or ``zigzag``.
    volts : bool
        Whether to write the resting volts at the nodes.

    Returns
    -------
    str
        SVG, the same for the same design.

    Raises
    ------
    UsageError
        For another shape of resistors.
    VadistError
        If the design has no operating point whose volts could be told.

    Examples
    --------
    >>> from vadist import load_design
    >>> "C1" in draw_design(load_design("soft_clipper"), resistors="zigzag")
    True
    """
    return draw_picture(design, "svg", resistors=resistors, volts=volts).decode("utf-8")


def draw_picture(
    design: "Design", kind: str, *, resistors: str = "box", volts: bool = False
) -> bytes:
    """Draw a design as the content of a file.

    Parameters
    ----------
    design, resistors, volts
        As :func:`draw_design` takes them.
    kind : str
        One of :data:`KINDS`; a PDF is a sheet of A4 landscape.
    """
    from vadist.drawing.render import picture_of

    for name, given, known in (("kind", kind, KINDS), ("resistors", resistors, RESISTORS)):
        if given not in known:
            raise UsageError(f"{name} must be one of {', '.join(known)} (got {given!r})")
    return picture_of(page_of_design(design, volts=volts), kind, resistors, design.name)


def draw_block(design: "Design", stage: str, *, resistors: str = "box", volts: bool = False) -> str:
    """Draw one block of a design, its designators those of the whole.

    Parameters
    ----------
    design, resistors, volts
        As :func:`draw_design` takes them.
    stage : str
        Name of a stage, ``source``, ``load`` or ``supply``.

    Raises
    ------
    UsageError
        If the design has no such block, or bypasses it, or for another shape of resistors.

    Examples
    --------
    >>> from vadist import load_design
    >>> "D1" in draw_block(load_design("boosted_hard_clipper"), "clipper")
    True
    """
    from vadist.drawing.render import picture_of

    names = ("source", *design.stages, "load", "supply")
    if stage not in names:
        raise UsageError(f"no block {stage!r}{nearest(stage, names)}")
    if stage in design.bypassed:
        raise UsageError(f"{stage} is bypassed, so there is nothing to draw")
    if resistors not in RESISTORS:
        raise UsageError(f"resistors must be one of {', '.join(RESISTORS)} (got {resistors!r})")
    page = page_of_design(design, volts=volts, only=names.index(stage))
    return picture_of(page, "svg", resistors, f"{design.name}: {stage}").decode("utf-8")


def page_of_design(design: "Design", *, volts: bool = False, only: int | None = None) -> "Page":
    """Lay a design, or the block of a number, out on a page."""
    from vadist.drawing.pages import page_of

    blocks = blocks_of(design)
    rails = {"supply": f"+{design.supply.volts:.4g} V", "bias": "bias"}
    written = _volts(design) if volts else {}
    return page_of(blocks if only is None else blocks[only : only + 1], rails, written)


def _volts(design: "Design") -> Mapping[str, str]:
    """Resting volts of every node."""
    from vadist.analysis.chain_response import solve_design
    from vadist.quantities import format_quantity

    solved = solve_design(design)
    found = solved.network.under_all_names(solved.node_v)
    return {node: format_quantity(round(volts, 9) + 0.0, "V") for node, volts in found.items()}
