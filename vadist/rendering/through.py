"""What a render is heard through: an impulse response of the person's own, or a plain roll-off.

A guitar loudspeaker takes the top away; without it distortion into headphones misleads. The
response is convolved with the finished volts, block by block: each block by fast Fourier
transforms, cut into pieces of the best size (overlap-add), what rings on added to the next. It
is moved ahead by the delay of its highest peak, so that a render stays where its take is.
"""

import hashlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vadist.arrays import FloatArray
from vadist.audio_files import TakeReader
from vadist.errors import AudioFileError, UsageError
from vadist.names import printable

ROLL_OFF = "roll-off"
"""Name of the response that needs no file."""

CORNER_HZ, CORNER_QUALITY = 5_000.0, (0.541196, 1.306563)
"""Low-pass of the roll-off: two second-order sections, Butterworth's fourth order, 24 dB an
octave. Twelve-inch guitar loudspeakers fall steeply above some 5 kHz (common practice, no
published source)."""

RESONANCE_HZ, RESONANCE_QUALITY, RESONANCE_DB = 110.0, 1.5, 4.0
"""Peak of the roll-off: the resonance of a cone, near the low A (common practice, no source)."""

LONGEST_S = 20.0
"""A longer file is a take, not an impulse response."""

_DESIGN_RATE_HZ = 1_411_200.0
# The roll-off is calculated at this rate or above, where the bilinear transform bends nothing.
_ROLL_OFF_S = 0.1  # its resonance has decayed by 200 dB
_PADDING = 512  # samples of silence before a response that is resampled: room for ringing
_EMPTY = 1e-12  # of its peak; below it a resampled response is the resampler's rounding


@dataclass(frozen=True)
class Response:
    """An impulse response at the rate of a take.

    Attributes
    ----------
    name : str
    taps : (taps, 1) or (taps, channels)
        From its first to its last sample that is not zero.
    delay : int
        Samples from the first tap to the highest, by which what it makes is moved ahead.
    sha256 : str
        Of its file; empty of the roll-off.
    """

    name: str
    taps: FloatArray
    delay: int
    sha256: str = ""

    def through(self, blocks: Iterable[FloatArray]) -> Iterator[FloatArray]:
        """Volts in blocks, (frames, channels), convolved; as many frames as came in."""
        from scipy.signal import oaconvolve

        ringing, skip = len(self.taps) - 1, self.delay
        rest = np.zeros((0, 1))
        for block in blocks:
            if ringing:
                if not len(rest):
                    rest = np.zeros((ringing, block.shape[1]))
                taps = np.broadcast_to(self.taps, (len(self.taps), block.shape[1]))
                heard = oaconvolve(block, taps, axes=0)
                heard[:ringing] += rest
                heard, rest = heard[: len(block)], heard[len(block) :].copy()
            else:
                heard = block * self.taps[0]
            skipped = min(skip, len(heard))
            skip -= skipped
            yield heard[skipped:]
        if self.delay:
            yield rest[skip : self.delay]


def load_response(name: str, sample_rate_hz: float, channels: int) -> Response:
    """Impulse response of a name, at a rate.

    Parameters
    ----------
    name : str
        :data:`ROLL_OFF` or an audio file of one channel, or as many as the take.
    sample_rate_hz : float
        Of the take; a response of another rate is resampled, and keeps its gain.
    channels : int
        Of the take.

    Raises
    ------
    AudioFileError, UsageError
    """
    if name == ROLL_OFF:
        return _cut(ROLL_OFF, *_resampled(*_roll_off(sample_rate_hz), sample_rate_hz))
    path = Path(name)
    with TakeReader(path) as reader:
        if reader.frames > LONGEST_S * reader.sample_rate_hz:
            raise AudioFileError(
                f"{printable(path)}: an impulse response lasts at most {LONGEST_S:g} s "
                f"(got {reader.frames / reader.sample_rate_hz:.1f} s)"
            )
        if reader.channels not in (1, channels):
            raise UsageError(
                f"{printable(path)}: must have one channel, or the {channels} of the take "
                f"(got {reader.channels})"
            )
        taps, rate = reader.read(reader.frames), float(reader.sample_rate_hz)
    if not np.any(taps):
        raise AudioFileError(f"{printable(path)}: is silent, and nothing is heard through it")
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return _cut(path.name, *_resampled(taps, rate, sample_rate_hz), digest)


def _resampled(taps: FloatArray, rate: float, wanted: float) -> tuple[FloatArray, int]:
    """A response at another rate, with its gain, and the place of its highest peak.

    What lies around it is so long that the peak stays on a sample.
    """
    peak = int(np.argmax(np.abs(taps).max(axis=1)))
    if rate == wanted:
        return taps, peak
    import soxr

    step = round(rate) // math.gcd(round(rate), round(wanted))
    before = _PADDING * math.ceil(rate / wanted)
    before += -(before + peak) % step
    padded = np.pad(taps, ((before, before), (0, 0)))
    heard = soxr.resample(padded, rate, wanted, quality="VHQ") * (rate / wanted)
    magnitude = np.abs(heard).max(axis=1)
    heard[magnitude < _EMPTY * magnitude.max()] = 0.0
    return np.asarray(heard, dtype=float), round((before + peak) * wanted / rate)


def _cut(name: str, taps: FloatArray, peak: int, digest: str = "") -> Response:
    """Leave out the silence around a response; its delay is from what is left to its peak."""
    sounding = np.flatnonzero(np.abs(taps).max(axis=1))
    first, last = int(sounding[0]), int(sounding[-1])
    return Response(name, np.ascontiguousarray(taps[first : last + 1]), peak - first, digest)


def _roll_off(sample_rate_hz: float) -> tuple[FloatArray, float]:
    """Response of the calculated loudspeaker at a high rate, and that rate.

    Second-order sections by the bilinear transform, the peak after Bristow-Johnson, Cookbook
    formulae for audio equalizer biquad filter coefficients.
    """
    from scipy.signal import bilinear, lfilter

    rate = sample_rate_hz * math.ceil(_DESIGN_RATE_HZ / sample_rate_hz)
    heard = np.zeros(round(_ROLL_OFF_S * rate))
    heard[0] = 1.0
    corner = 2.0 * rate * math.tan(math.pi * CORNER_HZ / rate)
    for quality in CORNER_QUALITY:
        b, a = bilinear([corner**2], [1.0, corner / quality, corner**2], rate)
        heard = lfilter(b, a, heard)
    amplitude = 10.0 ** (RESONANCE_DB / 40.0)
    angle = 2.0 * math.pi * RESONANCE_HZ / rate
    alpha, turn = math.sin(angle) / (2.0 * RESONANCE_QUALITY), -2.0 * math.cos(angle)
    b = [1.0 + alpha * amplitude, turn, 1.0 - alpha * amplitude]
    a = [1.0 + alpha / amplitude, turn, 1.0 - alpha / amplitude]
    return np.asarray(lfilter(b, a, heard))[:, None], rate
