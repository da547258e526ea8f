"""Generated kernels on disk: written once per structure, compiled once, found again.

The source goes to a folder named after a hash of everything it depends on, so a new version of
the package, of numba or of the laws never meets an old kernel, and numba's own cache beside it
keeps the machine code, one entry for each kind of processor.
"""

import hashlib
import importlib.util
import os
import sys
import tempfile
import threading
from pathlib import Path
from types import ModuleType

import numba

import vadist.devices as devices
from vadist.kernel import generate, structure
from vadist.kernel.generate import kernel_source
from vadist.kernel.structure import Structure

_LOCK = threading.Lock()
_LOADED: dict[Structure, ModuleType] = {}


def kernel(wanted: Structure) -> ModuleType:
    """Return the module with ``run`` and ``newton`` of a structure."""
    with _LOCK:
        if wanted not in _LOADED:
            _LOADED[wanted] = _load(kernel_source(wanted))
        return _LOADED[wanted]


def _load(source: str) -> ModuleType:
    digest = hashlib.sha256(source.encode()).hexdigest()[:16]
    name = f"vadist_kernel_{digest}"
    path = _folder() / f"{name}.py"
    if not path.exists() or path.read_text(encoding="utf-8") != source:
        handle, draft = tempfile.mkstemp(dir=path.parent, suffix=".part")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(source)
        Path(draft).replace(path)
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(f"cannot load {path}")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def _folder() -> Path:
    """Folder of the generated sources, made if need be; a temporary one where none can be kept."""
    parts = [numba.__version__]
    sources = [Path(str(m.__file__)) for m in (generate, structure)]
    sources += sorted(Path(str(devices.__file__)).parent.glob("*.py"))
    parts += [source.read_text(encoding="utf-8") for source in sources]
    version = hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
    for base in _bases():
        folder = base / "vadist" / f"kernels-{version}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                return folder
        except OSError:
            continue
    return Path(tempfile.mkdtemp(prefix="vadist-kernels-"))


def _bases() -> list[Path]:
    """Per-user cache folders, as each platform has them."""
    if "VADIST_CACHE" in os.environ:
        return [Path(os.environ["VADIST_CACHE"])]
    home = Path.home()
    if sys.platform == "win32":
        return [Path(os.environ.get("LOCALAPPDATA", home / "AppData" / "Local"))]
    if sys.platform == "darwin":
        return [home / "Library" / "Caches"]
    return [Path(os.environ.get("XDG_CACHE_HOME") or home / ".cache")]
