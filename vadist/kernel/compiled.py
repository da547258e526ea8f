"""Generated kernels on disk: written once per structure, compiled once, found again.

The source goes to a folder named after a hash of everything it depends on, so a new version of
the package, of numba or of the laws never meets an old kernel, and numba's own cache beside it
keeps the machine code, one entry for each kind of processor. What is damaged there is thrown away
and made again. Where nothing can be kept, a folder for temporary files serves, and if that fails
too, a kernel is compiled for one run.
"""

import hashlib
import importlib.util
import os
import secrets
import stat
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from types import ModuleType

import numba
from numba import types

import vadist.devices as devices
from vadist.kernel import (
    generate,
    lane_vectors,
    law_text,
    loop_text,
    lowered_exponential,
    lowering,
    part_text,
    signal_text,
    statements,
    structure,
)
from vadist.kernel.generate import kernel_source
from vadist.kernel.structure import Program

_TEXTS = (
    generate, lane_vectors, law_text, loop_text, lowered_exponential, lowering, part_text,
    signal_text, statements, structure,
)  # fmt: skip
# What a kernel's text and its way to machine code are made by.

_LOCK = threading.Lock()
_LOADED: dict[Program, ModuleType] = {}

_ROOM_BYTES = 1 << 20
# The machine code of the largest kernels takes half of this (measured).

_KEPT_S = 24 * 3600.0
# Age at which what a killed program left half written is cleared away.


def _signature(real: str) -> tuple[types.Type, ...]:
    """Of ``run``, see :func:`vadist.kernel.generate.kernel_source`."""
    number = getattr(types, real)
    return (
        number[::1], number[:, :, ::1], number[:, :, ::1], types.intp, types.int64[::1],
        number, types.intp, types.intp, types.boolean,
    )  # fmt: skip


def kernel(wanted: Program) -> ModuleType:
    """Return the module with the functions of a program."""
    with _LOCK:
        if wanted not in _LOADED:
            signature = _signature(wanted.real)
            _LOADED[wanted] = loaded(kernel_source(wanted), lambda m: m.run.compile(signature))
        return _LOADED[wanted]


def is_kept(wanted: Program) -> bool:
    """Whether a program's machine code is at hand, here or in the cache."""
    if wanted in _LOADED:
        return True
    name = _name(kernel_source(wanted))
    folder = next(_folders(), None)
    return folder is not None and any(folder.glob(f"__pycache__/{name}*.nbc"))


def _name(source: str) -> str:
    return f"vadist_kernel_{hashlib.sha256(source.encode()).hexdigest()[:16]}"


def loaded(source: str, compiles: Callable[[ModuleType], object]) -> ModuleType:
    """A module of generated source, kept where it can be.

    Parameters
    ----------
    source : str
        With ``cache=True`` where numba is to keep what it compiles beside it.
    compiles : callable
        Given the module, compiles what is in it.
    """
    name = _name(source)
    for folder in _folders():
        with suppress(OSError):  # full, or shut meanwhile: the next folder
            try:
                return _compiled(name, source, folder, compiles)
            except OSError:
                raise
            except Exception:  # a damaged file shows itself in any way: make it again
                _throw_away(name, folder)
                return _compiled(name, source, folder, compiles)
    return _unkept(name, source, compiles)


def _unkept(name: str, source: str, compiles: Callable[[ModuleType], object]) -> ModuleType:
    """Compile for this run alone."""
    module = ModuleType(name)
    exec(source.replace("cache=True", "cache=False"), module.__dict__)
    compiles(module)
    return module


def _compiled(
    name: str, source: str, folder: Path, compiles: Callable[[ModuleType], object]
) -> ModuleType:
    """Write the source unless it is there, and load it with its machine code."""
    path = folder / f"{name}.py"
    if not path.exists() or path.read_bytes() != source.encode():
        draft = folder / f".vadist-{secrets.token_hex(6)}.part"
        try:
            draft.write_bytes(source.encode())
            draft.replace(path)
        finally:
            draft.unlink(missing_ok=True)
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(f"cannot load {path}")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    compiles(module)
    return module


def _throw_away(name: str, folder: Path) -> None:
    """Remove a kernel's files: source, byte code, and numba's index and machine code."""
    module = sys.modules.pop(name, None)
    folders = {folder, folder / "__pycache__"}
    if module is not None and hasattr(module, "run"):
        folders.add(Path(module.run.stats.cache_path))
    for place in folders:
        for path in place.glob(f"{name}*"):
            with suppress(OSError):
                path.unlink()


def _folders() -> Iterator[Path]:
    """Folders to keep generated sources in, best first, each made and tried."""
    parts = [numba.__version__]
    sources = [Path(str(module.__file__)) for module in _TEXTS]
    sources += sorted(Path(str(devices.__file__)).parent.glob("*.py"))
    parts += [source.read_text(encoding="utf-8") for source in sources]
    version = f"kernels-{hashlib.sha256(chr(10).join(parts).encode()).hexdigest()[:16]}"
    for base in _bases():
        folder = base / "vadist" / version
        with suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder) as probe:
                probe.write(bytes(_ROOM_BYTES))
            _clear(folder)
            yield folder
    with suppress(OSError):
        folder = _temporary() / version
        folder.mkdir(exist_ok=True)
        yield folder


def _temporary() -> Path:
    """Folder for temporary files that one user's programs share, and no other user can enter."""
    owner = f"-{os.getuid()}" if hasattr(os, "getuid") else ""
    folder = Path(tempfile.gettempdir()) / f"vadist-kernels{owner}"
    with suppress(OSError):
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
        mine = not owner or (found.st_uid == os.getuid() and not found.st_mode & 0o077)
        if stat.S_ISDIR(found.st_mode) and mine:
            return folder
    # Somebody else's: what lies in it would be run as ours.
    return Path(tempfile.mkdtemp(prefix="vadist-kernels-"))


def _clear(folder: Path) -> None:
    """Remove what killed programs left half written, ours and numba's, after a day."""
    for pattern in (".vadist-*.part", "__pycache__/*.tmp.*"):
        for path in folder.glob(pattern):
            with suppress(OSError):
                if time.time() - path.lstat().st_mtime > _KEPT_S:
                    path.unlink()


def _bases() -> list[Path]:
    """Per-user cache folders, as each platform has them; none where there is no home."""
    if os.environ.get("VADIST_CACHE"):
        return [Path(os.environ["VADIST_CACHE"])]
    from platformdirs import user_cache_path

    base = user_cache_path()
    return [base] if base.is_absolute() else []
