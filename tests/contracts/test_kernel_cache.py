"""Kernels are compiled once, kept for each user, and never met by a version they are not of.

Authority: numba's own count of what it found in its cache and what it had to compile.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from permissions import bound

from vadist.kernel import compiled

USE = """
import json
import numpy as np
from vadist.kernel.compiled import kernel
from vadist.kernel.structure import Structure
structure = Structure((), states=1, inputs=1, outputs=1, written=1, lanes=1)
module = kernel(structure)
s = np.zeros(len(structure.rows))
s[structure.row_range(structure.coefficients)] = [0.5, 1.0, 1.0, 0.0]
y = np.zeros((1, 4, 1))
module.run(s, np.ones((1, 4, 1)), y, np.zeros(3, dtype=np.int64), 0.0, 1, 0, False)
assert y.ravel().tolist() == [0.0, 1.0, 1.5, 1.75], y
stats = module.run.stats
print(sum(stats.cache_hits.values()), sum(stats.cache_misses.values()), module.__file__)
"""


def start(cache: Path, *before: str, **environment: str) -> subprocess.Popen[str]:
    """Step a low-pass of one state in a process of its own."""
    return subprocess.Popen(
        [*before, sys.executable, "-c", USE], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, env={**os.environ, "VADIST_CACHE": str(cache), **environment},
    )  # fmt: skip


def end(child: subprocess.Popen[str]) -> tuple[int, int, Path]:
    """Kernels found, kernels compiled, and where the source lies."""
    out, err = child.communicate(timeout=60)
    assert (child.returncode, err) == (0, "")
    found, made, path = out.split(maxsplit=2)
    return int(found), int(made), Path(path.strip())


def test_a_kernel_is_compiled_once(tmp_path: Path) -> None:
    first, second = end(start(tmp_path)), end(start(tmp_path))
    assert first[:2] == (0, 1)
    assert second == (1, 0, first[2])
    assert first[2].is_relative_to(tmp_path)


def test_another_kind_of_processor_gets_its_own(tmp_path: Path) -> None:
    end(start(tmp_path))
    assert end(start(tmp_path, NUMBA_CPU_NAME="generic", NUMBA_CPU_FEATURES=""))[:2] == (0, 1)
    assert end(start(tmp_path))[:2] == (1, 0)


def test_a_source_that_was_cut_short_is_written_again(tmp_path: Path) -> None:
    source = end(start(tmp_path))[2]
    whole = source.read_text(encoding="utf-8")
    source.write_text(whole[:300], encoding="utf-8")
    assert end(start(tmp_path))[2] == source
    assert source.read_text(encoding="utf-8") == whole


def test_two_programs_may_begin_at_once(tmp_path: Path) -> None:
    children = [start(tmp_path) for _ in range(3)]
    assert {end(child)[2] for child in children} == {end(start(tmp_path))[2]}
    assert not list(tmp_path.rglob("*.part"))


def test_without_a_folder_to_keep_them_a_temporary_one_serves(tmp_path: Path) -> None:
    """Neither a folder that may not be written nor a file in its place stops a render."""
    shut, file = tmp_path / "shut", tmp_path / "file"
    shut.mkdir(mode=0o500)
    file.write_text("")
    for cache in (shut, file):
        found, made, source = end(start(cache, *bound(), TMPDIR=str(tmp_path)))
        assert (found, made) == (0, 1)
        assert source.parent.name.startswith("vadist-kernels-")
    assert list(shut.iterdir()) == []


def test_another_version_has_another_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of numba, and of the laws a kernel takes into itself."""
    monkeypatch.setenv("VADIST_CACHE", str(tmp_path))
    usual = compiled._folder()
    assert compiled._folder() == usual
    monkeypatch.setattr(compiled.numba, "__version__", "0.0")
    other_numba = compiled._folder()
    monkeypatch.undo()
    monkeypatch.setenv("VADIST_CACHE", str(tmp_path))
    changed = tmp_path / "laws.py"
    changed.write_text("changed", encoding="utf-8")
    monkeypatch.setattr(compiled.laws, "__file__", str(changed))
    assert len({usual, other_numba, compiled._folder()}) == 3
