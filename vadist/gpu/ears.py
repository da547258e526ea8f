"""What is heard of tracks while they are on a card: sums that figures of sound are made of."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import cuda

from vadist.arrays import FloatArray, IndexArray
from vadist.errors import UsageError
from vadist.gpu.kernels import add_bands, launch, listen, radix_four, radix_two, window_pairs
from vadist.gpu.takes import copied
from vadist.measure.bands import HOPS_IN_SEGMENT, bin_shares, segment_size, segment_window
from vadist.measure.loudness import (
    BLOCK_S,
    HOPS,
    LOWEST_FILTER_RATE_HZ,
    weighting_filters,
)

PAIRS = 512
"""Pairs of lanes whose spectra are taken at once: 1 GB of segments at 48 kHz."""


@dataclass(frozen=True)
class HeardSums:
    """What was summed of tracks.

    Attributes
    ----------
    square, product, peak : (lanes,)
        Sums of squares, and of products with the reference; largest magnitude.
    energies : (hops, lanes)
        Weighed energy of the loudness' hops, whole ones alone.
    bands : (bands, lanes) or None
        Mean squares of the third octaves.
    """

    square: FloatArray
    product: FloatArray
    peak: FloatArray
    energies: FloatArray
    bands: FloatArray | None


class Ears:
    """Hears tracks of one tap.

    Parameters
    ----------
    track : (depth, lanes) on the card
    reference : (frames, channels)
        What lanes are held against.
    columns : (lanes,)
        Channel of each lane.
    sample_rate_hz : float
    bands : bool
        Whether spectra are wanted.
    stream : CUDA stream
        That the track is made in.
    """

    def __init__(
        self,
        track: Any,
        reference: FloatArray,
        columns: IndexArray,
        sample_rate_hz: float,
        *,
        bands: bool,
        stream: Any = 0,
    ) -> None:
        lanes, frames = track.shape[1], len(reference)
        if sample_rate_hz < LOWEST_FILTER_RATE_HZ:
            raise UsageError(
                f"--device gpu hears takes of {LOWEST_FILTER_RATE_HZ:g} Hz and more "
                f"(got {sample_rate_hz:g} Hz)"
            )
        hop = sample_rate_hz * BLOCK_S / HOPS
        limits = np.floor(np.arange(1, math.floor((frames + 1e-6) / hop) + 1) * hop + 1e-6)
        self._whole = len(limits)
        of_hop = np.searchsorted(limits, np.arange(frames), side="right")
        filters = [[*b, *a[1:]] for b, a in weighting_filters(sample_rate_hz)]
        self._track, self._lanes, self._stream = track, lanes, stream
        self._fixed = [
            cuda.to_device(np.ascontiguousarray(each))
            for each in (reference, columns, of_hop, np.array(filters, dtype=float))
        ]
        self._states = cuda.to_device(np.zeros((4, lanes)))
        self._sums = cuda.to_device(np.zeros((3, lanes)))
        self._energies = cuda.to_device(np.zeros((self._whole + 1, lanes)))
        self._spectra = _Spectra(track, frames, sample_rate_hz, stream) if bands else None

    def hear(self, first: int, count: int) -> None:
        """Take up frames that the track has now."""
        launch(
            self._stream, listen, self._lanes, self._track, first, count, *self._fixed,
            self._states, self._sums, self._energies,
        )  # fmt: skip
        if self._spectra is not None:
            self._spectra.hear(first + count)

    def heard(self) -> HeardSums:
        """What was summed by the end."""
        cuda.synchronize()
        square, product, peak = copied(self._sums)
        bands = None if self._spectra is None else self._spectra.bands()
        return HeardSums(square, product, peak, copied(self._energies)[: self._whole], bands)


def depth_of(sample_rate_hz: float, *, bands: bool) -> int:
    """Frames of a track that :class:`Ears` wants to find besides a block's."""
    return segment_size(sample_rate_hz) if bands else 0


class _Spectra:
    """Third octaves of tracks, segment by segment; see :mod:`vadist.measure.bands`."""

    def __init__(self, track: Any, frames: int, sample_rate_hz: float, stream: Any) -> None:
        self._track, self._frames, lanes = track, frames, track.shape[1]
        self._stream = stream
        size = self._size = segment_size(sample_rate_hz)
        hop = self._hop = size // HOPS_IN_SEGMENT
        window = segment_window(size)
        shares = bin_shares(sample_rate_hz)
        longest = max(len(each) for _, each in shares)
        weights = np.zeros((len(shares), longest))
        for row, (_, each) in zip(weights, shares, strict=True):
            row[: len(each)] = each
        circle = 2.0 * np.pi * np.arange(size) / size
        begins = np.array([first for first, _ in shares])
        ends = begins + [len(each) for _, each in shares]
        self._scale = 1.0 / (size * float(np.sum(window**2)) / hop * frames)
        self._turns = cuda.to_device(np.array([np.cos(circle), np.sin(circle)]))
        self._window = cuda.to_device(window)
        self._shares = [cuda.to_device(each) for each in (begins, ends, weights)]
        self._bands = cuda.to_device(np.zeros((len(shares), lanes)))
        self._pairs = min(PAIRS, math.ceil(lanes / 2))
        self._rooms = [cuda.device_array((size, self._pairs)) for _ in range(4)]
        self._begin = hop - size

    def hear(self, done: int) -> None:
        """Add the segments that are there by now; after the last frame, all."""
        while self._begin + self._size <= done:
            self._add()
        while done == self._frames and self._begin < self._frames:
            self._add()

    def _add(self) -> None:
        for lane in range(0, self._track.shape[1], 2 * self._pairs):
            re, im, to_re, to_im = self._rooms
            launch(
                self._stream, window_pairs, self._size * self._pairs, self._track, self._begin,
                self._frames, self._window, lane, re, im,
            )  # fmt: skip
            stride = 1
            while stride < self._size:
                if self._size // stride >= 4:
                    work = self._size // 4 * self._pairs
                    launch(
                        self._stream, radix_four, work, re, im, to_re, to_im, self._turns, stride
                    )
                    stride *= 4
                else:
                    work = self._size // 2 * self._pairs
                    launch(self._stream, radix_two, work, re, im, to_re, to_im)
                    stride *= 2
                re, im, to_re, to_im = to_re, to_im, re, im
            work = self._shares[0].shape[0] * self._pairs
            launch(self._stream, add_bands, work, re, im, *self._shares, lane, self._bands)
        self._begin += self._hop

    def bands(self) -> FloatArray:
        """Mean squares, (bands, lanes)."""
        return copied(self._bands) * self._scale
