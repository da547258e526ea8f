"""What threads do with the samples of lanes: filters, sums, spectra; one thread a lane or more."""

import math
from typing import Any

import numpy as np
from numba import cuda

from vadist.arrays import FloatArray

TOGETHER = 8
"""Frames that one thread brings down: each sample it reads serves all of them."""

_BLOCK = 128
_MOST_BLOCKS = 1 << 16
_SIMULATED_THREADS = 4
# A thread of the simulator is one of the machine.


def launch(stream: Any, kernel: Any, work: int, *arguments: Any) -> None:
    """Run a kernel whose threads share out so many pieces of work among themselves."""
    from vadist.gpu.cards import is_simulated

    if is_simulated():
        kernel[1, min(max(work, 1), _SIMULATED_THREADS), stream](*arguments)
        return
    kernel[min(max(math.ceil(work / _BLOCK), 1), _MOST_BLOCKS), _BLOCK, stream](*arguments)


def copied_ring(track: Any, first: int, count: int) -> FloatArray:
    """Some frames of a track, (count, lanes), brought back."""
    depth, parts = track.shape[0], []
    while count:
        at = first % depth
        part = min(count, depth - at)
        parts.append(np.asarray(track[at : at + part].copy_to_host()))
        first, count = first + part, count - part
    return np.concatenate(parts)


@cuda.jit
def clear(flat):
    """Set all numbers to zero."""
    for k in range(cuda.grid(1), flat.shape[0], cuda.gridsize(1)):
        flat[k] = 0.0


@cuda.jit
def bring_down(y, taps, first, shift, factor, count, rest, track):
    """Filter a ring of steps (steps, lanes) and keep each ``factor``-th: frames of a track.

    Frame n is the sum of ``taps[k]`` times step ``shift + n factor - half + k``, half being half
    of the filter, whose array ``taps`` has 7 factor zeros before and behind it. It goes to row n
    modulo length of ``track``, with the DC volts of its lane.
    """
    mask, lanes = y.shape[0] - 1, y.shape[1]
    length = taps.shape[0] - 7 * factor
    half = (taps.shape[0] - 14 * factor) // 2
    groups = (count + 7) // 8
    for piece in range(cuda.grid(1), groups * lanes, cuda.gridsize(1)):
        lane, frame = piece % lanes, first + 8 * (piece // lanes)
        begin = shift + frame * factor - half
        a0 = a1 = a2 = a3 = a4 = a5 = a6 = a7 = 0.0
        for k in range(length):
            x = y[(begin + k) & mask, lane] * 1.0
            a0 += x * taps[k + 7 * factor]
            a1 += x * taps[k + 6 * factor]
            a2 += x * taps[k + 5 * factor]
            a3 += x * taps[k + 4 * factor]
            a4 += x * taps[k + 3 * factor]
            a5 += x * taps[k + 2 * factor]
            a6 += x * taps[k + factor]
            a7 += x * taps[k]
        last, depth, dc = first + count, track.shape[0], rest[lane]
        track[frame % depth, lane] = a0 + dc
        if frame + 1 < last:
            track[(frame + 1) % depth, lane] = a1 + dc
        if frame + 2 < last:
            track[(frame + 2) % depth, lane] = a2 + dc
        if frame + 3 < last:
            track[(frame + 3) % depth, lane] = a3 + dc
        if frame + 4 < last:
            track[(frame + 4) % depth, lane] = a4 + dc
        if frame + 5 < last:
            track[(frame + 5) % depth, lane] = a5 + dc
        if frame + 6 < last:
            track[(frame + 6) % depth, lane] = a6 + dc
        if frame + 7 < last:
            track[(frame + 7) % depth, lane] = a7 + dc


@cuda.jit
def listen(track, first, count, reference, columns, hops, filters, states, sums, energies):
    """Take up frames of a track: sums of squares and products, the peak, energy by hops.

    Parameters
    ----------
    track : (frames, lanes) ring
    reference : (frames of the take, channels)
    columns : (lanes,) channel of the reference that a lane is held against
    hops : (frames of the take,) hop of the loudness each frame belongs to
    filters : (2, 5) b0 b1 b2 a1 a2 of the weighting's two filters
    states : (4, lanes) of the filters
    sums : (3, lanes) square, product with the reference, peak
    energies : (hops, lanes) weighted squares
    """
    depth = track.shape[0]
    for lane in range(cuda.grid(1), track.shape[1], cuda.gridsize(1)):
        square, product, peak = sums[0, lane], sums[1, lane], sums[2, lane]
        z0, z1, z2, z3 = states[0, lane], states[1, lane], states[2, lane], states[3, lane]
        column, energy = columns[lane], 0.0
        hop = hops[first]
        for frame in range(first, first + count):
            x = track[frame % depth, lane]
            square += x * x
            product += x * reference[frame, column]
            peak = max(peak, abs(x))
            shelved = filters[0, 0] * x + z0
            z0 = filters[0, 1] * x - filters[0, 3] * shelved + z1
            z1 = filters[0, 2] * x - filters[0, 4] * shelved
            weighed = filters[1, 0] * shelved + z2
            z2 = filters[1, 1] * shelved - filters[1, 3] * weighed + z3
            z3 = filters[1, 2] * shelved - filters[1, 4] * weighed
            if hops[frame] != hop:
                energies[hop, lane] += energy
                hop, energy = hops[frame], 0.0
            energy += weighed * weighed
        energies[hop, lane] += energy
        sums[0, lane], sums[1, lane], sums[2, lane] = square, product, peak
        states[0, lane], states[1, lane], states[2, lane], states[3, lane] = z0, z1, z2, z3


@cuda.jit
def window_pairs(track, begin, frames, window, lane, real, imaginary):
    """A windowed stretch of two lanes as one complex signal, (size, pairs); zero outside a take."""
    pairs, depth, lanes = real.shape[1], track.shape[0], track.shape[1]
    for piece in range(cuda.grid(1), real.shape[0] * pairs, cuda.gridsize(1)):
        k, pair = piece // pairs, piece % pairs
        frame, a = begin + k, lane + 2 * pair
        x = y = 0.0
        if 0 <= frame < frames and a < lanes:
            x = window[k] * track[frame % depth, a]
            if a + 1 < lanes:
                y = window[k] * track[frame % depth, a + 1]
        real[k, pair], imaginary[k, pair] = x, y


@cuda.jit
def radix_four(re, im, to_re, to_im, turns, stride):
    """One pass of Stockham's transform; ``turns`` (2, size) are cosines and sines of a circle."""
    size, pairs = re.shape[0], re.shape[1]
    n = size // stride
    m = n // 4
    for piece in range(cuda.grid(1), size // 4 * pairs, cuda.gridsize(1)):
        k, pair = piece // pairs, piece % pairs
        p, q = k // stride, k % stride
        at, step, to = q + stride * p, stride * m, q + stride * 4 * p
        ar, ai = re[at, pair], im[at, pair]
        br, bi = re[at + step, pair], im[at + step, pair]
        cr, ci = re[at + 2 * step, pair], im[at + 2 * step, pair]
        dr, di = re[at + 3 * step, pair], im[at + 3 * step, pair]
        turn = p * stride
        for out in range(4):
            if out == 0:
                xr, xi = ar + cr + br + dr, ai + ci + bi + di
            elif out == 1:
                xr, xi = ar - cr + (bi - di), ai - ci - (br - dr)
            elif out == 2:
                xr, xi = ar + cr - br - dr, ai + ci - bi - di
            else:
                xr, xi = ar - cr - (bi - di), ai - ci + (br - dr)
            wr, wi = turns[0, out * turn], -turns[1, out * turn]
            to_re[to + out * stride, pair] = xr * wr - xi * wi
            to_im[to + out * stride, pair] = xr * wi + xi * wr


@cuda.jit
def radix_two(re, im, to_re, to_im):
    """The last pass of a transform whose size is no power of four."""
    half, pairs = re.shape[0] // 2, re.shape[1]
    for piece in range(cuda.grid(1), half * pairs, cuda.gridsize(1)):
        k, pair = piece // pairs, piece % pairs
        ar, ai, br, bi = re[k, pair], im[k, pair], re[k + half, pair], im[k + half, pair]
        to_re[k, pair], to_im[k, pair] = ar + br, ai + bi
        to_re[k + half, pair], to_im[k + half, pair] = ar - br, ai - bi


@cuda.jit
def add_bands(re, im, begins, ends, weights, lane, bands):
    """Add the power of two lanes' spectra, which one transform holds, to their bands.

    ``weights`` (bands, most bins) are those of bins ``begins`` to ``ends`` of each band; ``bands``
    is (bands, lanes).
    """
    size, pairs = re.shape[0], re.shape[1]
    for piece in range(cuda.grid(1), begins.shape[0] * pairs, cuda.gridsize(1)):
        band, pair = piece // pairs, piece % pairs
        first = second = 0.0
        for k in range(begins[band], ends[band]):
            mirror = (size - k) % size
            weight = 0.25 * weights[band, k - begins[band]]
            a, b = re[k, pair] + re[mirror, pair], im[k, pair] - im[mirror, pair]
            c, d = im[k, pair] + im[mirror, pair], re[mirror, pair] - re[k, pair]
            first += weight * (a * a + b * b)
            second += weight * (c * c + d * d)
        a = lane + 2 * pair
        if a < bands.shape[1]:
            bands[band, a] += first
        if a + 1 < bands.shape[1]:
            bands[band, a + 1] += second
