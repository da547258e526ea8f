"""Rescue of the rare sample at which Newton's method does not settle from the last one."""

from collections.abc import Callable
from typing import Any

from numpy.typing import NDArray

from vadist.kernel.structure import Program

_STEPS = 40
_SMALLEST_STRIDE = 1e-9


def rescue(
    program: Program,
    part: int,
    newton: Callable[..., Any],
    limit: Callable[..., Any],
    workspace: NDArray[Any],
    tolerance_v: float,
    lane: int,
) -> bool:
    """Solve one stubborn lane by moving on from the previous sample's solution.

    The known part p of the control voltages moves from the previous sample's value to the wanted
    one in steps that halve when Newton fails and grow when it succeeds.

    Parameters
    ----------
    part : int
        Which of the program's.
    newton, limit : the part's Newton step of one lane, and its limit
    workspace : as the kernel has it; the lane's solution is left there

    Returns
    -------
    bool
        Whether the wanted value was reached.
    """
    table = workspace.reshape(-1, program.lanes)
    names = range(program.parts[part].controls)
    p, p_old, v, w, w_old = (
        program.row_range(part, [f"{word}{k}" for k in names])
        for word in ("p", "p_old", "v", "w", "w_old")
    )
    wanted, before = table[p, lane], table[p_old, lane]
    solution = table[w_old, lane]
    live = program.rows[part, "live"]
    reached, stride = 0.0, 1.0
    while reached < 1.0 and stride > _SMALLEST_STRIDE:
        goal = min(1.0, reached + stride)
        table[p, lane] = before + goal * (wanted - before)
        table[v, lane] = solution
        table[live, lane] = 1.0
        steps = 0
        while table[live, lane] > 0.0 and steps < _STEPS:
            newton(workspace, tolerance_v, lane)
            limit(workspace, lane)
            steps += 1
        if table[live, lane] == 0.0:
            reached, stride, solution = goal, 2.0 * stride, table[w, lane]
        else:
            stride *= 0.5
    return reached >= 1.0
