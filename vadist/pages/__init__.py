"""What every page of the project shares: its look, and templates that forgive no missing name.

A page is one HTML file that opens from disk and asks no network for anything.
"""

from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


def look() -> str:
    """Style sheet of every page: colours, type, tables, print."""
    return text_of("vadist.pages", "look.css")


def text_of(package: str, name: str) -> str:
    """Text of a file that belongs to a package."""
    return (resources.files(package) / name).read_text(encoding="utf-8")


def templates(package: str, folder: str) -> "Environment":
    """Templates of a page, in a folder of a package."""
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    return Environment(
        loader=PackageLoader(package, folder),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
