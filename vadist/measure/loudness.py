"""Integrated loudness after ITU-R BS.1770, of a whole clip or piece by piece."""

import math

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.records import channel_record
from vadist.quantities import HIGHEST_RATE_HZ, LOWEST_RATE_HZ

BLOCK_S = 0.4
"""Length of a gating block (BS.1770-4 Annex 1)."""

HOPS = 4
"""Hops in a block: blocks overlap by three quarters."""

ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0

CHANNEL_WEIGHTS = (1.0, 1.0, 1.0, 1.41, 1.41)
"""Left, right, centre, left surround, right surround."""

REFERENCE_RATE_HZ = 48_000.0
"""Rate at which BS.1770 tabulates its filters."""

MOST_CHANNELS = len(CHANNEL_WEIGHTS)

# Gain in dB, quality and corner of the analogue filters behind the tabulated coefficients: the
# shelf of a head, and a high-pass ("RLB"). They are the ones pyloudnorm calls DeMan.
_SHELF = (3.99984385397, 0.7071752369554193, 1681.9744509555319)
_RLB = (0.0, 0.5003270373253953, 38.13547087613982)
LOWEST_FILTER_RATE_HZ = 44_000.0
"""Below this the bilinear shelf departs from the tabulated response by more than 0.01 dB."""


class LoudnessMeter:
    """Gated programme loudness of a take that comes in pieces of any length.

    Ten numbers a second of the take are kept, no samples.

    Parameters
    ----------
    sample_rate_hz : float
        8 kHz to 384 kHz.
    channels : int
        1 to 5, in the order left, right, centre, left surround, right surround.

    Raises
    ------
    UsageError
        If the rate or the channels are out of range.

    Notes
    -----
    L = -0.691 + 10 log10(sum of G_i z_i) over blocks of 400 ms with 75 % overlap, gated at -70
    LUFS and then 10 LU below the mean of what is left. An incomplete block at the end is left
    out, as the standard says. Two additions hold the response to that at 48 kHz, as BS.1770
    demands of other rates: the gain of the high-pass, whose numerator stays (1, -2, 1), is
    corrected, and takes below 44 kHz are resampled.

    References
    ----------
    ITU-R BS.1770-4, Annex 1; EBU Tech 3341.

    Examples
    --------
    >>> meter = LoudnessMeter(48000, channels=1)
    >>> for second in range(3):
    ...     t = second + np.arange(48000) / 48e3
    ...     meter.add(np.sin(2 * np.pi * 997.0 * t)[:, np.newaxis])
    >>> round(meter.integrated(), 2)
    -3.01
    """

    def __init__(self, sample_rate_hz: float, channels: int) -> None:
        rate = float(sample_rate_hz)
        _require_measurable(rate, channels)
        self.channels = channels
        self._upsampler = None
        if rate < LOWEST_FILTER_RATE_HZ:
            import soxr

            higher = rate * math.ceil(REFERENCE_RATE_HZ / rate)
            self._upsampler = soxr.ResampleStream(
                rate, higher, channels, dtype="float64", quality="VHQ"
            )
            rate = higher
        self._filters = weighting_filters(rate)
        self._states = [np.zeros((2, channels)) for _ in self._filters]
        self._hop = rate * BLOCK_S / HOPS
        self._frames = 0
        self._finished = False
        self._energies: list[float] = []
        self._begun = 0.0  # energy of the hop that is not full yet

    def add(self, samples: ArrayLike) -> None:
        """Take the next piece.

        Parameters
        ----------
        samples : (samples, channels)
            Full scale is 1.0.

        Raises
        ------
        UsageError
            For another shape, samples that are not finite, or a meter that was read already.
        """
        piece = np.asarray(samples, dtype=np.float64)
        if piece.ndim != 2 or piece.shape[1] != self.channels:
            raise UsageError(
                f"measure: samples must have shape (samples, {self.channels}), got {piece.shape}"
            )
        if self._finished:
            raise UsageError("measure: this loudness meter was read; begin the next take with one")
        if len(piece):
            channel_record(piece, "samples")
            self._take(piece if self._upsampler is None else self._upsampler.resample_chunk(piece))

    def integrated(self) -> float:
        """Loudness of all that was added; nothing can be added afterwards.

        Returns
        -------
        float
            LUFS; -inf if no block passes the absolute gate, as for silence, or none is complete.
        """
        return gated_loudness(self.powers())

    def powers(self) -> FloatArray:
        """Mean squares of the blocks of all that was added; nothing can be added afterwards.

        Returns
        -------
        (blocks,)
            Weighed by channel; none if no block is complete. Those of several takes, in one array,
            have the loudness of the takes one after the other.
        """
        if self._upsampler is not None and not self._finished:
            self._take(self._upsampler.resample_chunk(np.zeros((0, self.channels)), last=True))
        self._finished = True
        return block_powers(np.asarray(self._energies), self._hop)

    def _take(self, piece: FloatArray) -> None:
        """Weigh a piece and sum its power into hops."""
        from scipy.signal import lfilter

        if not len(piece):
            return
        for k, (b, a) in enumerate(self._filters):
            piece, self._states[k] = lfilter(b, a, piece, axis=0, zi=self._states[k])
        power = np.square(piece) @ np.asarray(CHANNEL_WEIGHTS[: self.channels])
        # Limits of hops, rounded down; what is added keeps a whole one from falling short.
        full = math.floor((self._frames + len(power) + 1e-6) / self._hop)
        numbers = np.arange(len(self._energies) + 1, full + 1)
        limits = np.floor(numbers * self._hop + 1e-6).astype(int) - self._frames
        parts = [float(part.sum()) for part in np.split(power, limits)]
        parts[0] += self._begun
        *complete, self._begun = parts
        self._energies += complete
        self._frames += len(power)


def weighting_filters(rate: float) -> tuple[tuple[FloatArray, FloatArray], ...]:
    """The weighting before power is summed, as numerators and denominators of two filters.

    Parameters
    ----------
    rate : float
        Hertz, :data:`LOWEST_FILTER_RATE_HZ` at least.
    """
    from pyloudnorm import IIRfilter

    shelf = IIRfilter(*_SHELF, rate, "high_shelf_DeMan")
    high_pass = IIRfilter(*_RLB, rate, "high_pass_DeMan")
    gain = _rlb_gain(REFERENCE_RATE_HZ) / _rlb_gain(rate)
    return ((shelf.b, shelf.a), (gain * high_pass.b, high_pass.a))


def block_powers(hops: FloatArray, hop: float) -> FloatArray:
    """Mean squares of blocks from the weighed energy of hops of so many samples, (blocks, ...)."""
    if len(hops) < HOPS:
        return np.zeros((0, *hops.shape[1:]))
    summed = sum(hops[k : len(hops) - HOPS + 1 + k] for k in range(HOPS))
    return np.asarray(summed / (HOPS * hop))


def gated_loudness(powers: FloatArray) -> float:
    """Loudness of blocks, gated at -70 LUFS and then at 10 LU below the mean of what is left.

    Parameters
    ----------
    powers : (blocks,)
        As :meth:`LoudnessMeter.powers` gives them.

    Returns
    -------
    float
        LUFS; -inf if no block passes the absolute gate.
    """
    heard = powers[powers >= _power(ABSOLUTE_GATE_LUFS)]
    if not len(heard):
        return -math.inf
    kept = heard[heard > heard.mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)]
    return float(-0.691 + 10.0 * math.log10(kept.mean()))


def integrated_loudness(samples: ArrayLike, sample_rate_hz: float) -> float:
    """Gated programme loudness of a clip, in LUFS; see :class:`LoudnessMeter`.

    Parameters
    ----------
    samples : (samples,) or (samples, channels)
        Full scale is 1.0. One array dimension is one channel, a front one. Channels are left,
        right, centre, left surround, right surround.
    sample_rate_hz : float
        8 kHz to 384 kHz.

    Returns
    -------
    float
        LUFS; -inf if no block passes the absolute gate of -70 LUFS, as for silence.

    Raises
    ------
    UsageError
        If the clip is shorter than one block of 400 ms, has more than five channels, or the rate
        is out of range.

    Examples
    --------
    >>> t = np.arange(48000) / 48e3
    >>> round(integrated_loudness(np.sin(2 * np.pi * 997.0 * t), 48e3), 2)
    -3.01
    """
    record = channel_record(samples, "samples")
    meter = LoudnessMeter(sample_rate_hz, record.shape[1])
    if len(record) < BLOCK_S * sample_rate_hz:
        raise UsageError(
            f"measure: loudness needs a clip of at least {BLOCK_S * 1e3:g} ms, "
            f"got {1e3 * len(record) / sample_rate_hz:.1f} ms; "
            "pad it with silence or take a longer one"
        )
    meter.add(record)
    return meter.integrated()


def loudness_near(track: FloatArray, sample_rate_hz: float, level: float) -> float:
    """LUFS of a track, gated as if it played at a level: volts may lie below the absolute gate.

    Parameters
    ----------
    track : (frames, channels)
        Not silent.
    sample_rate_hz : float
    level : float
        LUFS.
    """
    shift = level - rms_db(track)
    return integrated_loudness(track * 10.0 ** (shift / 20.0), sample_rate_hz) - shift


def rms_db(track: FloatArray) -> float:
    """Mean-square level of all channels together, dB relative to 1."""
    return 10.0 * math.log10(float(np.mean(np.square(track))))


def _require_measurable(rate: float, channels: int) -> None:
    if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        raise UsageError(
            f"measure: sample_rate_hz must be {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz for "
            f"loudness, got {rate:g} Hz"
        )
    if not 1 <= channels <= MOST_CHANNELS:
        raise UsageError(
            f"measure: loudness takes at most {MOST_CHANNELS} channels, got {channels}"
        )


def _power(loudness_lufs: float) -> float:
    """Weighted mean square that reads as a loudness."""
    return float(10.0 ** ((loudness_lufs + 0.691) / 10.0))


def _rlb_gain(rate: float) -> float:
    """Gain at high frequencies of the high-pass whose numerator is (1, -2, 1)."""
    _, quality, corner_hz = _RLB
    k = math.tan(math.pi * corner_hz / rate)
    return 1.0 + k / quality + k * k
