"""Graphics cards that can be used here, and the kernels that run on them."""

import os
import threading
from types import ModuleType

from vadist.errors import UsageError
from vadist.gpu.threads import thread_text
from vadist.kernel.compiled import loaded
from vadist.kernel.structure import Program

_MISSING = "--device gpu needs an NVIDIA graphics card and numba-cuda: pip install 'vadist[gpu]'"

_HEADER = '''"""Generated; see vadist.gpu.threads."""

from numba import cuda
'''

_COMPILED = '''
from numba.cuda.extending import intrinsic

from vadist.gpu.lowering import CONSTANT_SPACE, thread_lowered

TEXT = """
{text}
"""

run = intrinsic(thread_lowered(TEXT, "{real}", CONSTANT_SPACE))
'''

_SIMULATED = """
import numpy as np

from vadist.devices.exponential import exponential_less_one


def local(count):
    return np.zeros(count, dtype=np.{real})


def counts(count):
    return np.zeros(count, dtype=np.int64)


{text}
"""

_KERNEL = """

@cuda.jit({options})
def step(work, {taken}columns, y, stuck, effort, before, ticks, tolerance, limit):
    run(work, {taken}columns, y, stuck, effort, before, ticks, tolerance, limit, cuda.grid(1))
"""

_LOCK = threading.Lock()
_LOADED: dict[tuple[Program, tuple[int, ...]], ModuleType] = {}


def is_simulated() -> bool:
    """Whether numba's simulator stands in for a card."""
    return os.environ.get("NUMBA_ENABLE_CUDASIM", "0") not in ("", "0")


def count_cards() -> int:
    """How many cards there are.

    Raises
    ------
    UsageError
        If there is none, or what it is used by is not installed.
    """
    import importlib.util

    if is_simulated():
        return 1
    if importlib.util.find_spec("numba_cuda") is None:
        raise UsageError(f"{_MISSING} (numba-cuda is not installed)")
    try:
        from numba import cuda

        if cuda.is_available():
            return len(cuda.gpus)
    except Exception as error:  # of any kind: what is installed does not fit together
        told = str(error).strip().splitlines() or [type(error).__name__]
        raise UsageError(f"{_MISSING} (numba-cuda: {told[0]})") from None
    raise UsageError(f"{_MISSING} (CUDA finds no card here)")


def step_kernel(program: Program, heard: tuple[int, ...]) -> ModuleType:
    """The module with the ``step`` of a program; see :func:`vadist.gpu.threads.thread_text`."""
    with _LOCK:
        if (program, heard) not in _LOADED:
            made = loaded(_source(program, heard), lambda module: None)
            _LOADED[program, heard] = made
        return _LOADED[program, heard]


def _source(program: Program, heard: tuple[int, ...]) -> str:
    simulated = is_simulated()
    body = _SIMULATED if simulated else _COMPILED
    options = "" if simulated else "cache=True"
    taken = "".join(f"u{k}, " for k in range(len(program.takes)))
    text = body.format(text=thread_text(program, heard), real=program.real)
    return _HEADER + text + _KERNEL.format(options=options, taken=taken)
