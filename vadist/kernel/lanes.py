"""Device laws and the time-stepping loop, written for many lanes side by side.

Time stepping is serial along time, so the parallel axis is the *lane*: a channel, a segment of a
take, or a candidate design. Every array ends in the lane axis and every inner loop runs over
lanes, which LLVM turns into vector instructions. The scalar path is the same code with one lane.

Per sample and lane the section equations are, in deviations from the operating point
(``z = [x; u; i]`` stacks state, input and port currents)::

    p  = v0 + P z              control voltages without this sample's port currents
    v  = p + K i(v)            the nonlinear equations, solved by Newton
    x' = A x + B u + C i,   y = L x + M u + N i,   both rows of W z

Coefficients are ``[row, column]`` when all lanes share them and ``[row, column, lane]`` when
each lane has its own; :func:`at` reads both, and numba compiles one version for each.

All callees live in this file: numba's on-disk cache does not notice an edit in another one.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit
from numba.extending import overload

DIODES, TRANSISTOR, OPAMP = 0, 1, 2
PARAMETERS_PER_DEVICE = 5

# 'contract' allows fused multiply-add, 'nsz' and 'arcp' are harmless to the last digits; NaN and
# infinity keep their meaning, so that a failed sample is seen.
_FAST_MATH = {"contract", "nsz", "arcp"}


def jit(function: Callable[..., Any]) -> Any:
    """Compile with the options every kernel function shares."""
    return njit(error_model="numpy", nogil=True, cache=True, fastmath=_FAST_MATH)(function)


def at(matrix: Any, row: int, column: int, lane: int) -> float:
    """Read a coefficient that is shared by all lanes (2-D) or has its own per lane (3-D)."""
    value: float = matrix[row, column] if matrix.ndim == 2 else matrix[row, column, lane]
    return value


@overload(at, inline="always")
def _overload_at(matrix, row, column, lane):  # type: ignore[no-untyped-def]
    if matrix.ndim == 2:
        return lambda matrix, row, column, lane: matrix[row, column]
    return lambda matrix, row, column, lane: matrix[row, column, lane]


# ---------------------------------------------------------------- exponential

_LOG2_E = 1.4426950408889634
# ln 2 split so that k * _LN2_HIGH is exact for |k| < 2**20 (Cody and Waite's reduction).
_LN2_HIGH = 6.93147180369123816490e-01
_LN2_LOW = 1.90821492927058770002e-10
_EXP_MAX = 700.0
# Taylor coefficients 1/k!: on |r| <= ln(2)/2 the first one left out is below 3e-17 of the result.
_T = tuple(1.0 / float(np.prod(np.arange(1.0, k + 1.0))) for k in range(14))
_T2, _T3, _T4, _T5, _T6, _T7, _T8, _T9, _T10, _T11, _T12, _T13 = _T[2:14]


@jit
def exponential(x: float) -> float:
    """Return e**x with the argument held to +-700, by polynomial and exponent bits."""
    x = min(max(x, -_EXP_MAX), _EXP_MAX)
    k = np.floor(x * _LOG2_E + 0.5)
    r = x - k * _LN2_HIGH - k * _LN2_LOW
    p = _T13
    p = p * r + _T12
    p = p * r + _T11
    p = p * r + _T10
    p = p * r + _T9
    p = p * r + _T8
    p = p * r + _T7
    p = p * r + _T6
    p = p * r + _T5
    p = p * r + _T4
    p = p * r + _T3
    p = p * r + _T2
    p = p * r * r + r + 1.0
    return p * np.int64((np.int64(k) + 1023) << 52).view(np.float64)


# ---------------------------------------------------------------- device laws


@jit
def diode_law(par, d, v, c, current, slope, a):  # type: ignore[no-untyped-def]
    """Antiparallel diode strings (Shockley): forward minus reverse current.

    Parameters: forward saturation current, 1/(n Vt), reverse saturation current, 1/(n Vt).
    """
    for l in range(v.shape[1]):  # noqa: E741
        forward = exponential(v[c, l] * par[d, 1, l])
        reverse = exponential(-v[c, l] * par[d, 3, l])
        current[a, l] = par[d, 0, l] * (forward - 1.0) - par[d, 2, l] * (reverse - 1.0)
        slope[a, 0, l] = (
            par[d, 0, l] * par[d, 1, l] * forward + par[d, 2, l] * par[d, 3, l] * reverse
        )
        slope[a, 1, l] = 0.0


@jit
def transistor_law(par, d, v, c, current, slope, a):  # type: ignore[no-untyped-def]
    """NPN in the transport form of Ebers and Moll: base current, then collector current.

    Controls: VBE, VBC. Parameters: IS, 1/Vt, 1/BF, 1/BR, 1/VAF (0: no Early effect).
    """
    for l in range(v.shape[1]):  # noqa: E741
        inverse_vt = par[d, 1, l]
        vbc = v[c + 1, l]
        forward_exp = exponential(v[c, l] * inverse_vt)
        reverse_exp = exponential(vbc * inverse_vt)
        i_f = par[d, 0, l] * (forward_exp - 1.0)
        i_r = par[d, 0, l] * (reverse_exp - 1.0)
        g_f = par[d, 0, l] * inverse_vt * forward_exp
        g_r = par[d, 0, l] * inverse_vt * reverse_exp
        early = 1.0 - vbc * par[d, 4, l]
        current[a, l] = i_f * par[d, 2, l] + i_r * par[d, 3, l]
        slope[a, 0, l] = g_f * par[d, 2, l]
        slope[a, 1, l] = g_r * par[d, 3, l]
        current[a + 1, l] = (i_f - i_r) * early - i_r * par[d, 3, l]
        slope[a + 1, 0, l] = g_f * early
        slope[a + 1, 1, l] = -g_r * early - (i_f - i_r) * par[d, 4, l] - g_r * par[d, 3, l]


@jit
def opamp_law(par, d, v, c, current, slope, a):  # type: ignore[no-untyped-def]
    """Limited transconductance into the compensation node, less the current of the swing limits.

    Controls: differential input, output. Parameters: largest current, transconductance over it,
    upper and lower swing limit in volts, 1/knee voltage.
    """
    for l in range(v.shape[1]):  # noqa: E741
        largest = par[d, 0, l]
        steer = 1.0 - 2.0 / (exponential(2.0 * par[d, 1, l] * v[c, l]) + 1.0)
        above = exponential((v[c + 1, l] - par[d, 2, l]) * par[d, 4, l])
        below = exponential((par[d, 3, l] - v[c + 1, l]) * par[d, 4, l])
        current[a, l] = largest * (steer - above + below)
        slope[a, 0, l] = largest * par[d, 1, l] * (1.0 - steer * steer)
        slope[a, 1, l] = -largest * par[d, 4, l] * (above + below)


@jit
def evaluate(kinds, first_current, first_control, par, v, current, slope):  # type: ignore[no-untyped-def]
    """Currents and slopes of all devices at the control voltages ``v[control, lane]``."""
    for d in range(kinds.shape[0]):
        if kinds[d] == DIODES:
            diode_law(par, d, v, first_control[d], current, slope, first_current[d])
        elif kinds[d] == TRANSISTOR:
            transistor_law(par, d, v, first_control[d], current, slope, first_current[d])
        else:
            opamp_law(par, d, v, first_control[d], current, slope, first_current[d])


# ---------------------------------------------------------------- linear algebra on lanes


@jit
def multiply_add(out, matrix, z, rows, columns):  # type: ignore[no-untyped-def]
    """Add ``matrix @ z`` to ``out``; ``columns`` is padded to a multiple of four."""
    for r in range(rows):
        for c in range(0, columns, 4):
            for l in range(z.shape[1]):  # noqa: E741
                out[r, l] += (
                    at(matrix, r, c, l) * z[c, l]
                    + at(matrix, r, c + 1, l) * z[c + 1, l]
                    + at(matrix, r, c + 2, l) * z[c + 2, l]
                    + at(matrix, r, c + 3, l) * z[c + 3, l]
                )


@jit
def solve_in_place(matrix, rhs, size):  # type: ignore[no-untyped-def]
    """Gaussian elimination, each lane its own system; the solution replaces ``rhs``.

    No pivoting: I - G K of devices in a network keeps its leading minors away from zero; a lane
    where that fails does not converge and goes to :func:`rescue`.
    """
    lanes = rhs.shape[1]
    for k in range(size):
        for l in range(lanes):  # noqa: E741
            matrix[k, k, l] = 1.0 / matrix[k, k, l]
        for a in range(k + 1, size):
            for l in range(lanes):  # noqa: E741
                factor = matrix[a, k, l] * matrix[k, k, l]
                matrix[a, k, l] = factor
                rhs[a, l] -= factor * rhs[k, l]
            for b in range(k + 1, size):
                for l in range(lanes):  # noqa: E741
                    matrix[a, b, l] -= matrix[a, k, l] * matrix[k, b, l]
    for k in range(size - 1, -1, -1):
        for b in range(k + 1, size):
            for l in range(lanes):  # noqa: E741
                rhs[k, l] -= matrix[k, b, l] * rhs[b, l]
        for l in range(lanes):  # noqa: E741
            rhs[k, l] *= matrix[k, k, l]


# ---------------------------------------------------------------- Newton


@jit
def newton_step(kinds, first_current, first_control, controls_of, par, K, i0, p, v, work):  # type: ignore[no-untyped-def]
    """Linearise at ``v`` and solve for the port currents, left in ``work.rhs`` (deviations).

    With v = p + K i and i = i(v*) + G (v - v*):  (I - G K) i = i(v*) - i0 + G (p - v*).
    """
    current, slope, jacobian, rhs = work
    evaluate(kinds, first_current, first_control, par, v, current, slope)
    ports = current.shape[0]
    for a in range(ports):
        c0 = controls_of[a, 0]
        c1 = controls_of[a, 1]
        for l in range(v.shape[1]):  # noqa: E741
            rhs[a, l] = (
                current[a, l]
                - i0[a, l]
                + slope[a, 0, l] * (p[c0, l] - v[c0, l])
                + slope[a, 1, l] * (p[c1, l] - v[c1, l])
            )
        for b in range(ports):
            unit = 1.0 if a == b else 0.0
            for l in range(v.shape[1]):  # noqa: E741
                jacobian[a, b, l] = (
                    unit - slope[a, 0, l] * at(K, c0, b, l) - slope[a, 1, l] * at(K, c1, b, l)
                )
    solve_in_place(jacobian, rhs, ports)


@jit
def limited_update(K, limits, p, i, first_row, v, change):  # type: ignore[no-untyped-def]
    """Move ``v`` to p + K i, held to a step that the exponentials can bear.

    ``limits[control]`` holds (low, high, step): beyond [low, high] a device law is steep, and v
    may go past it by one step at a time. ``change[lane]`` receives the largest |v_new - v|.
    """
    ports = K.shape[1]
    for l in range(v.shape[1]):  # noqa: E741
        change[l] = 0.0
    for c in range(v.shape[0]):
        for l in range(v.shape[1]):  # noqa: E741
            target = p[c, l]
            for b in range(ports):
                target += at(K, c, b, l) * i[first_row + b, l]
            # Written so that NaN counts as a change.
            moved = abs(target - v[c, l])
            change[l] = change[l] if moved <= change[l] else moved
            floor = min(v[c, l], limits[c, 0, l]) - limits[c, 2, l]
            ceiling = max(v[c, l], limits[c, 1, l]) + limits[c, 2, l]
            v[c, l] = min(max(target, floor), ceiling)


@jit
def rescue(device_table, par, K, i0, limits, p, v_old, v, i, first_row, lane, scratch):  # type: ignore[no-untyped-def]
    """Solve one stubborn lane by continuation from the previous sample's solution.

    The known part p moves from the value the previous solution belongs to towards the wanted one
    in steps that halve when Newton fails and grow when it succeeds. Returns the last change in
    volts (converged when below the tolerance) and the iterations spent.
    """
    kinds, first_current, first_control, controls_of = device_table
    par1, K1, i01, limits1, p1, v1, i1, change1, work1 = scratch
    controls = v.shape[0]
    ports = i01.shape[0]
    par1[:, :, 0] = par[:, :, lane]
    limits1[:, :, 0] = limits[:, :, lane]
    i01[:, 0] = i0[:, lane]
    v1[:, 0] = v_old[:, lane]
    for c in range(controls):
        for b in range(ports):
            K1[c, b] = at(K, c, b, lane)
    evaluate(kinds, first_current, first_control, par1, v1, work1[0], work1[1])
    start = v1[:, 0].copy()
    for c in range(controls):
        for b in range(ports):
            start[c] -= K1[c, b] * (work1[0][b, 0] - i01[b, 0])
    solution = v1[:, 0].copy()
    reached, stride, spent, residual = 0.0, 1.0, 0, np.inf
    while reached < 1.0 and stride > 1e-9 and spent < 20000:
        goal = min(1.0, reached + stride)
        v1[:, 0] = solution
        p1[:, 0] = start + goal * (p[:, lane] - start)
        converged = False
        for _ in range(40):
            newton_step(
                kinds, first_current, first_control, controls_of, par1, K1, i01, p1, v1, work1
            )
            limited_update(K1, limits1, p1, work1[3], 0, v1, change1)
            spent += 1
            residual = change1[0]
            if residual <= 1e-9 + 1e-12 * np.abs(v1).max():
                converged = True
                break
        if converged:
            reached = goal
            stride *= 2.0
            solution = v1[:, 0].copy()
            i1[:, 0] = work1[3][:ports, 0]
        else:
            stride *= 0.5
    if reached >= 1.0:
        v[:, lane] = solution
        for b in range(ports):
            i[first_row + b, lane] = i1[b, 0]
        residual = 0.0
    return residual, spent


# ---------------------------------------------------------------- the loop over time


@jit
def run_section(
    P, W, K, device_table, par, v0, i0, limits, sizes, z, v, v_old, u, y, peaks, statistics,
    tolerance_v, iteration_limit,
):  # type: ignore[no-untyped-def]  # fmt: skip
    """Advance one section over a block of samples.

    Parameters
    ----------
    P, W, K : float64 [row, column] or [row, column, lane]
        Coefficients; the columns of P and W are padded with zeros to a multiple of four.
    device_table : tuple of int64 arrays
        Kinds, first current and first control of each device; controls of each current.
    par, v0, i0, limits : float64 [..., lane]
        Device parameters, operating point of controls and currents, Newton step limits.
    sizes : int64 (states, inputs, ports, outputs, written outputs)
    z, v, v_old : float64 [row, lane], updated
        Stacked state, inputs and currents; control voltages now and one sample ago.
    u : float64 [time, input, lane]
    y : float64 [time, written output, lane], overwritten
    peaks : float64 [output, 2, lane], updated
        Smallest and largest deviation of every output.
    statistics : int64 [3], updated
        Newton iterations (of the slowest lane, summed), samples, rescued lane-samples.

    Returns
    -------
    (sample, lane, residual_v)
        sample is -1 when every sample converged; otherwise the first that did not.
    """
    states, inputs, ports, outputs, written = sizes
    lanes = z.shape[1]
    controls = v.shape[0]
    first_row = states + inputs
    kinds, first_current, first_control, controls_of = device_table
    current = np.zeros((ports, lanes))
    slope = np.zeros((ports, 2, lanes))
    jacobian = np.zeros((ports, ports, lanes))
    rhs = np.zeros((ports, lanes))
    work = (current, slope, jacobian, rhs)
    p = np.zeros((controls, lanes))
    after = np.zeros((states + outputs, lanes))
    change = np.zeros(lanes)
    live = np.zeros(lanes)
    scratch = (
        np.zeros((kinds.shape[0], PARAMETERS_PER_DEVICE, 1)),
        np.zeros((controls, ports)),
        np.zeros((ports, 1)),
        np.zeros((controls, 3, 1)),
        np.zeros((controls, 1)),
        np.zeros((controls, 1)),
        np.zeros((ports, 1)),
        np.zeros(1),
        (np.zeros((ports, 1)), np.zeros((ports, 2, 1)), np.zeros((ports, ports, 1)),
         np.zeros((ports, 1))),
    )  # fmt: skip
    for t in range(u.shape[0]):
        for k in range(inputs):
            for l in range(lanes):  # noqa: E741
                z[states + k, l] = u[t, k, l]
        for c in range(controls):
            for l in range(lanes):  # noqa: E741
                p[c, l] = v0[c, l]
                guess = 2.0 * v[c, l] - v_old[c, l]
                v_old[c, l] = v[c, l]
                v[c, l] = guess
        multiply_add(p, P, z, controls, P.shape[1])
        if ports > 0:
            for l in range(lanes):  # noqa: E741
                live[l] = 1.0
            unfinished = lanes
            iteration = 0
            while unfinished > 0 and iteration < iteration_limit:
                iteration += 1
                newton_step(
                    kinds, first_current, first_control, controls_of, par, K, i0, p, v, work
                )
                # A lane that has converged keeps its answer, whatever its neighbours still do.
                for a in range(ports):
                    for l in range(lanes):  # noqa: E741
                        z[first_row + a, l] = rhs[a, l] if live[l] > 0.0 else z[first_row + a, l]
                limited_update(K, limits, p, z, first_row, v, change)
                still = 0.0
                for l in range(lanes):  # noqa: E741
                    live[l] = 0.0 if change[l] <= tolerance_v else live[l]
                    still += live[l]
                unfinished = int(still)
            statistics[0] += iteration
            if unfinished > 0:
                for l in range(lanes):  # noqa: E741
                    if live[l] > 0.0:
                        residual, spent = rescue(
                            device_table, par, K, i0, limits, p, v_old, v, z, first_row, l, scratch
                        )
                        statistics[0] += spent
                        statistics[2] += 1
                        if not residual <= tolerance_v:
                            return t, l, residual
        for r in range(states + outputs):
            for l in range(lanes):  # noqa: E741
                after[r, l] = 0.0
        multiply_add(after, W, z, states + outputs, W.shape[1])
        for r in range(states):
            for l in range(lanes):  # noqa: E741
                z[r, l] = after[r, l]
        for r in range(outputs):
            for l in range(lanes):  # noqa: E741
                peaks[r, 0, l] = min(peaks[r, 0, l], after[states + r, l])
                peaks[r, 1, l] = max(peaks[r, 1, l], after[states + r, l])
        for r in range(written):
            for l in range(lanes):  # noqa: E741
                y[t, r, l] = after[states + r, l]
    statistics[1] += u.shape[0]
    return -1, 0, 0.0
