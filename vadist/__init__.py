"""Know and hear what a guitar distortion circuit will do before anything is soldered.

>>> from vadist import load_design
>>> list(load_design("treble_boost").stages)[0]
'boost'

Public names are attached on first use, from the stub file beside this one, so that
``import vadist`` costs next to nothing.
"""

from typing import Any

import lazy_loader

_attached, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)


def __getattr__(name: str) -> Any:
    """Import public names on first use; ask the installation for the version."""
    if name == "__version__":
        from importlib.metadata import version

        return version("vadist")
    return _attached(name)
