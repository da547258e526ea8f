"""The shape of the package: imports point one way, each library has one home, files stay short.

Authority: the layers as DEVELOPERS.md draws them.
"""

import ast
from functools import cache
from pathlib import Path

import pytest

import vadist

ROOT = Path(vadist.__file__).parent
LAYERS = [
    ["arrays", "errors", "pool"],
    ["names"],
    ["quantities", "files"],
    ["devices", "wave_chunks"],
    ["kernel"],
    ["parts", "measure", "audio_files", "flac", "pages"],
    ["circuits"],
    ["stepping"],
    ["gpu"],
    ["stages"],
    ["designs"],
    ["analysis"],
    ["large_signal", "rendering", "drawing"],
    ["inspection", "population"],
    ["plots"],
    ["captures"],
    ["fitting"],
    ["audition"],
    ["questions"],
    ["sessions", "sheets", "turning", "walks"],
    ["cli"],
    ["__init__", "__main__"],
]
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}
HOMES = {
    "soundfile": {"audio_files", "flac"},
    "matplotlib": {"plots"},
    "tomllib": {"designs", "captures", "parts"},
    "llvmlite": {"kernel", "gpu"},  # numba's own, for what it need not infer
    "numba": {"kernel", "devices", "gpu"},  # laws are inlined into kernels
    "argparse": {"cli"},
    "jinja2": {"pages"},
    "tomlkit": {"designs"},
    "schemdraw": {"drawing"},
    "platformdirs": {"kernel"},
    "distributed": {"population"},
    "starlette": {"turning"},
    "uvicorn": {"turning"},
}
FILES = sorted(ROOT.rglob("*.py"))


def home(path: Path) -> str:
    part = path.relative_to(ROOT).parts[0]
    return part.removesuffix(".py")


@cache
def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module)
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_point_down(path: Path) -> None:
    here = home(path)
    for name in imports(path):
        package, _, rest = name.partition(".")
        if package != "vadist" or not rest or here == "__init__":
            continue
        there = rest.split(".")[0]
        assert there == here or LEVEL[there] < LEVEL[here], f"{here} imports {there}"


@pytest.mark.parametrize("library", sorted(HOMES))
def test_a_library_has_one_home(library: str) -> None:
    users = {home(p) for p in FILES if library in {n.split(".")[0] for n in imports(p)}}
    assert users <= HOMES[library]


def test_the_kernel_imports_numba_numpy_and_its_folder_alone() -> None:
    import sys

    for path in ROOT.joinpath("kernel").glob("*.py"):
        for name in imports(path):
            package = name.split(".")[0]
            assert package in {
                "llvmlite",
                "numba",
                "numpy",
                "platformdirs",
                *sys.stdlib_module_names,
            } or name.startswith(("vadist.kernel", "vadist.devices")), f"{path.name} imports {name}"


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_files_stay_short(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400
