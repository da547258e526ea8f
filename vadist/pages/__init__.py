"""What pages of the project share: look, player, keys, templates that forgive no missing name.

A page is one HTML file that opens from disk and asks no network for anything.
"""

import json
import re
from collections.abc import Iterable
from importlib import resources
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment


def look() -> str:
    """Style sheet of every page: colours, type, tables, print."""
    return text_of("vadist.pages", "look.css")


def listening_style(*own: str) -> str:
    """Style sheet of a page that plays, with what that page has besides."""
    return "\n".join((look(), text_of("vadist.pages", "listening.css"), *own))


PLAYER = ("audio.js", "player.js", "keyboard.js", "waveform.js")
"""Scripts of every page that plays, in order."""


BLIND = ("sameness.js", "statistics.js", "blindtest.js")
"""Scripts of the blind test, whose markup is ``blind.html`` and whose look ``blind.css``."""


def program(package: str, own: Iterable[str]) -> str:
    """Program of a page that plays: the shared scripts, then those of its own package."""
    shared = [text_of("vadist.pages", name) for name in PLAYER]
    return "\n".join([*shared, *(text_of(package, name) for name in own)])


def blind_test() -> str:
    """Program of the blind test."""
    return "\n".join(text_of("vadist.pages", name) for name in BLIND)


def text_of(package: str, name: str) -> str:
    """Text of a file that belongs to a package."""
    return (resources.files(package) / name).read_text(encoding="utf-8")


def templates(package: str, folder: str) -> "Environment":
    """Templates of a page, in a folder of a package; those of all pages can be included."""
    from jinja2 import (
        ChoiceLoader,
        Environment,
        PackageLoader,
        StrictUndefined,
        select_autoescape,
    )

    environment = Environment(
        loader=ChoiceLoader([PackageLoader(package, folder), PackageLoader("vadist", "pages")]),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["breakable"] = breakable
    return environment


def breakable(name: str) -> Any:
    """Return a name as HTML that may break after a dot, an equals sign or an underline.

    Examples
    --------
    >>> print(breakable("gain.leg_resistor=<1k"))
    gain.<wbr>leg_<wbr>resistor=<wbr>&lt;1k
    """
    from markupsafe import Markup, escape

    # No number is broken at its point.
    return Markup(re.sub(r"((?<!\d)\.|[_=])(?=\w|&)", r"\1<wbr>", str(escape(name))))


def script_json(data: object) -> str:
    r"""JSON that may stand inside a script element, whatever the names in it.

    Examples
    --------
    >>> script_json({"name": "</script>"})
    '{"name": "\\u003c/script>"}'
    """
    return json.dumps(data, allow_nan=False).replace("<", "\\u003c")
