"""Every example in a docstring of the package does what it says.

Authority: the digits printed in the docstrings themselves; what a digit claims of the physics is
held against something outside in the other folders.
"""

import doctest
import importlib
from pathlib import Path

import pytest

import vadist

ROOT = Path(vadist.__file__).parent
FILES = [p for p in sorted(ROOT.rglob("*.py")) if ">>> " in p.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_the_examples_of(path: Path) -> None:
    """All of them are found, none fails."""
    name = ".".join(["vadist", *path.relative_to(ROOT).with_suffix("").parts])
    module = importlib.import_module(name.removesuffix(".__init__"))
    flags = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS
    failed, tried = doctest.testmod(module, optionflags=flags)
    assert failed == 0
    assert tried == path.read_text(encoding="utf-8").count(">>> ")
