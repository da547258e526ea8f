"""The generated kernel is vector code where the processor has vectors of doubles.

Authority: the assembly LLVM writes for this machine.
"""

import platform
import re

import numpy as np
import pytest

from vadist.kernel.generate import kernel_source
from vadist.kernel.structure import Structure


@pytest.mark.skipif(
    platform.machine().lower() not in {"x86_64", "amd64"}, reason="reads x86 instruction names"
)
@pytest.mark.parametrize(
    ("kinds", "inputs", "written"),
    [
        (("diodes", "transistor"), 1, 1),
        (("opamp",), 1, 1),
        (("transistor", "diodes", "opamp"), 2, 2),
        (("jfet", "mosfet", "zener"), 1, 1),
    ],
)
def test_sixteen_lanes_are_packed(kinds: tuple[str, ...], inputs: int, written: int) -> None:
    """Packed multiplications and divisions, and none of the scalar divisions of a lane loop.

    Scalar multiplications remain in the version LLVM keeps for overlapping arrays.
    """
    structure = Structure(kinds, states=3, inputs=inputs, outputs=2, written=written, lanes=16)
    source = kernel_source(structure).replace('"cache": True', '"cache": False')
    namespace: dict[str, object] = {}
    exec(compile(source, "kernel", "exec"), namespace)
    run = namespace["run"]
    workspace = np.ones(len(structure.rows) * 16)
    u, y = np.zeros((inputs, 1, 16)), np.zeros((written, 1, 16))
    run(workspace, u, y, np.zeros(3, dtype=np.int64), 1.0, 1, 0, False)
    (assembly,) = run.inspect_asm().values()
    packed = len(re.findall(r"\bv?(?:mul|fn?m(?:add|sub)\d+)pd\b", assembly))
    scalar = len(re.findall(r"\bv?(?:mul|fn?m(?:add|sub)\d+)sd\b", assembly))
    divided = len(re.findall(r"\bv?divsd\b", assembly))
    print(f"{kinds}: {packed} packed, {scalar} scalar multiplications, {divided} scalar divisions")
    assert packed > 100
    assert scalar < packed
    assert divided == 0
