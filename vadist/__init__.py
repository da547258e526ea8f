"""Know and hear what a guitar distortion circuit will do before anything is soldered.

>>> from vadist import load_design
>>> list(load_design("treble_boost").stages)[0]
'boost'
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vadist.captures.check import check_capture as check_capture
    from vadist.captures.reading import read_capture as read_capture
    from vadist.captures.stimulus import make_stimulus as make_stimulus
    from vadist.designs.chain import Chain as Chain
    from vadist.designs.design import Control as Control
    from vadist.designs.design import Design as Design
    from vadist.designs.files import load_design as load_design
    from vadist.designs.files import write_design as write_design
    from vadist.errors import VadistError as VadistError
    from vadist.fitting.fit import fit_design as fit_design
    from vadist.rendering.arrays import RenderResult as RenderResult
    from vadist.rendering.arrays import render as render
    from vadist.rendering.arrays import render_candidates as render_candidates

_HOMES = {
    "Chain": "vadist.designs.chain",
    "Control": "vadist.designs.design",
    "Design": "vadist.designs.design",
    "RenderResult": "vadist.rendering.arrays",
    "VadistError": "vadist.errors",
    "check_capture": "vadist.captures.check",
    "fit_design": "vadist.fitting.fit",
    "load_design": "vadist.designs.files",
    "make_stimulus": "vadist.captures.stimulus",
    "read_capture": "vadist.captures.reading",
    "render": "vadist.rendering.arrays",
    "render_candidates": "vadist.rendering.arrays",
    "write_design": "vadist.designs.files",
}

__all__ = sorted(_HOMES)  # pyright: ignore[reportUnsupportedDunderAll]


def __getattr__(name: str) -> Any:
    """Import public names on first use, so that ``import vadist`` costs next to nothing."""
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'vadist' has no attribute {name!r}")
