"""Kernels are compiled once, kept for each user, and never met by a version they are not of.

Authority: numba's own count of what it found in its cache and what it had to compile.
"""

import errno
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from permissions import bound

from vadist.kernel import compiled
from vadist.kernel.generate import kernel_source
from vadist.kernel.structure import Program, Structure

USE = """
import json
import numpy as np
from vadist.kernel.compiled import kernel
from vadist.kernel.structure import Program, Structure
part = Structure((), states=1, outputs=1, written=1, steps=1, samples=(1,), curved=(), slow=0)
program = Program((part,), ((("take", 0, 0),),), (1,), 0, (-1,), 1, "float64")
module = kernel(program)
s = np.zeros(len(program.rows))
for name, value in (("A_0_0", -0.5), ("B_0_3", 1.0), ("L_0_0", 1.0)):
    s[program.rows[0, name]] = value
y = np.zeros((1, 4, 1))
module.run(s, np.ones((1, 4, 1)), y, 4, np.zeros(2, dtype=np.int64), 0.0, 1, 0, False)
assert y.ravel().tolist() == [1.0, 1.5, 1.75, 1.875], y
stats = module.run.stats
print(sum(stats.cache_hits.values()), sum(stats.cache_misses.values()), module.__file__)
"""

PROGRAM = Program(
    (Structure((), states=1, outputs=1, written=1, steps=1, samples=(1,), curved=(), slow=0),),
    ((("take", 0, 0),),), (1,), 0, (-1,), 1, "float64",
)  # fmt: skip
"""A low-pass of one state."""


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
        assert (found, made) == ((0, 1) if cache == shut else (1, 0))  # all runs share one
        assert source.parents[1].name == f"vadist-kernels-{os.getuid()}"
        assert source.parents[1].stat().st_mode & 0o777 == 0o700
    assert list(shut.iterdir()) == []


@pytest.fixture
def cached(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Source of a small kernel; cache and temporary files are in a folder of the test."""
    monkeypatch.setenv("VADIST_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    source = kernel_source(PROGRAM)
    yield source
    for name in [name for name in sys.modules if name.startswith("vadist_kernel_")]:
        if str(tmp_path) in str(sys.modules[name].__file__):
            del sys.modules[name]


def load(source: str) -> ModuleType:
    signature = compiled._signature(PROGRAM.real)
    return compiled.loaded(source, lambda module: module.run.compile(signature))


def step(module: ModuleType) -> list[float]:
    """Two samples of a low-pass of one state, as :data:`USE` does in a process of its own."""
    rows = PROGRAM.rows
    s, y = np.zeros(len(rows)), np.zeros((1, 2, 1))
    s[rows[0, "A_0_0"]], s[rows[0, "B_0_3"]], s[rows[0, "L_0_0"]] = -0.5, 1.0, 1.0
    module.run(s, np.ones((1, 2, 1)), y, 2, np.zeros(2, dtype=np.int64), 0.0, 1, 0, False)
    return list(y.ravel())


@pytest.mark.parametrize("share", [0.0, 0.5], ids=["empty", "cut"])
@pytest.mark.parametrize("ending", ["nbi", "nbc", "pyc", "py"])
def test_what_is_damaged_is_made_again(
    cached: str, monkeypatch: pytest.MonkeyPatch, ending: str, share: float
) -> None:
    """By a program killed as it wrote, or a disk that was full."""
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    folder = Path(load(cached).__file__).parent
    (broken,) = folder.rglob(f"*.{ending}")
    whole = broken.read_bytes()
    broken.write_bytes(whole[: int(share * len(whole))] or (b"\xff" if ending == "py" else b""))
    module = load(cached)
    assert step(module) == [1.0, 1.5]
    assert Path(module.__file__).read_text(encoding="utf-8") == cached
    assert load(cached).run.stats.cache_hits.total() == 1


def test_a_full_disk_falls_back(cached: str, tmp_path: Path) -> None:
    """A limit on file size makes writes fall short as a full disk does, for every user."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (compiled._ROOM_BYTES // 2, hard))
    try:
        module = load(cached)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert Path(module.__file__).parents[1] == tmp_path / f"vadist-kernels-{os.getuid()}"


def test_a_disk_that_fills_up_meanwhile(
    cached: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where nothing can be kept anywhere, a kernel serves one run."""
    whole, kept = compiled._compiled, tmp_path / "cache"

    def full(name: str, source: str, folder: Path, *signature: object) -> ModuleType:
        if folder.is_relative_to(kept):
            raise OSError(errno.ENOSPC, "No space left on device", str(folder))
        return whole(name, source, folder, *signature)

    monkeypatch.setattr(compiled, "_compiled", full)
    assert not Path(load(cached).__file__).is_relative_to(kept)
    kept = tmp_path
    module = load(cached)
    assert not hasattr(module, "__file__")
    assert step(module) == [1.0, 1.5]


def test_a_temporary_folder_that_others_may_enter_is_not_used(cached: str, tmp_path: Path) -> None:
    """What lies in it would be run."""
    theirs = tmp_path / f"vadist-kernels-{os.getuid()}"
    theirs.mkdir()
    theirs.chmod(0o755)
    found = compiled._temporary()
    assert found.parent == tmp_path
    assert found != theirs
    assert found.stat().st_mode & 0o777 == 0o700
    theirs.rmdir()
    theirs.symlink_to(tmp_path)
    assert compiled._temporary().name.startswith("vadist-kernels-")
    assert compiled._temporary() not in (theirs, tmp_path)


def test_what_a_killed_program_left_is_cleared_away(cached: str) -> None:
    folder = Path(load(cached).__file__).parent
    old, young = folder / ".vadist-0123456789ab.part", folder / ".vadist-0123456789ac.part"
    numbas = folder / "__pycache__" / "vadist_kernel.nbi.tmp.123"
    for path in (old, young, numbas):
        path.write_text("")
    past = time.time() - compiled._KEPT_S - 60.0
    for path in (old, numbas):
        os.utime(path, (past, past))
    load(cached)
    assert not old.exists()
    assert not numbas.exists()
    assert young.exists()


def test_another_version_has_another_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of numba, and of the laws a kernel takes into itself."""
    monkeypatch.setenv("VADIST_CACHE", str(tmp_path))
    usual = next(compiled._folders())
    assert next(compiled._folders()) == usual
    monkeypatch.setattr(compiled.numba, "__version__", "0.0")
    other_numba = next(compiled._folders())
    monkeypatch.undo()
    monkeypatch.setenv("VADIST_CACHE", str(tmp_path))
    changed = tmp_path / "devices" / "diodes.py"
    changed.parent.mkdir()
    changed.write_text("changed", encoding="utf-8")
    monkeypatch.setattr(compiled.devices, "__file__", str(changed.with_name("__init__.py")))
    assert len({usual, other_numba, next(compiled._folders())}) == 3
