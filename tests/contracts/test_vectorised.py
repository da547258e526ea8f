"""The generated kernel is vector code in single precision.

Authority: the assembly LLVM writes for this machine.
"""

import platform
import re

import numpy as np
import pytest

from vadist.kernel.generate import kernel_source
from vadist.kernel.structure import Program, Structure


@pytest.mark.skipif(
    platform.machine().lower() not in {"x86_64", "amd64"}, reason="reads x86 instruction names"
)
@pytest.mark.parametrize(
    ("kinds", "signals", "written"),
    [
        (("diodes", "transistor"), 1, 1),
        (("opamp",), 1, 1),
        (("transistor", "diodes", "opamp"), 2, 2),
        (("jfet", "mosfet", "zener"), 1, 1),
    ],
)
def test_sixteen_lanes_are_packed(kinds: tuple[str, ...], signals: int, written: int) -> None:
    """Packed multiplications and divisions, and none of the scalar divisions of a lane loop.

    The loop that writes outputs has a second, scalar version, which LLVM keeps for overlapping
    arrays: multiplications, and one division a port, of the share that holds it back.
    """
    part = Structure(
        kinds, states=3, outputs=2, written=written, steps=2, samples=(2,) * signals, curved=(0,),
        slow=1,
    )  # fmt: skip
    sources = tuple(("take", k, 0) for k in range(signals))
    program = Program((part,), (sources,), (2,) * signals, 0, (-1,), 16)
    source = kernel_source(program).replace("cache=True", "cache=False")
    namespace: dict[str, object] = {}
    exec(compile(source, "kernel", "exec"), namespace)
    run, single = namespace["run"], np.float32
    workspace = np.ones(len(program.rows) * 16, dtype=single)
    u, y = np.zeros((signals, 2, 16), single), np.zeros((written, 2, 16), single)
    run(workspace, u, y, 1, np.zeros(2, dtype=np.int64), single(1.0), 1, 0, False)
    (assembly,) = run.inspect_asm().values()
    packed = len(re.findall(r"\bv?(?:mul|fn?m(?:add|sub)\d+)ps\b", assembly))
    scalar = len(re.findall(r"\bv?(?:mul|fn?m(?:add|sub)\d+)ss\b", assembly))
    double = len(re.findall(r"\bv?(?:mul|add|sub|div|fn?m(?:add|sub)\d+)[ps]d\b", assembly))
    divided = len(re.findall(r"\bv?divss\b", assembly))
    print(f"{kinds}: {packed} packed, {scalar} scalar multiplications, {divided} scalar divisions")
    assert packed > 100
    assert scalar < packed
    assert divided <= part.ports
    assert double == 0, "a number of double precision has crept in"
