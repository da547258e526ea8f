"""FLAC in memory: the audio of a page, which browsers decode to the last bit."""

import io

import numpy as np

from vadist.arrays import FloatArray
from vadist.errors import AudioFileError

MOST_CHANNELS = 8
"""Most that a FLAC stream holds (RFC 9639, section 4.2.5)."""

BITS = (16, 24)


def flac_bytes(samples: FloatArray, sample_rate_hz: int, bits: int) -> bytes:
    """Encode samples losslessly, of 16 or 24-bit integers, without dither.

    Parameters
    ----------
    samples : (frames, channels)
        Full scale 1; beyond it is limited. At most :data:`MOST_CHANNELS`.
    sample_rate_hz, bits : int

    Raises
    ------
    AudioFileError
        If the encoder refuses.

    Examples
    --------
    >>> flac_bytes(np.zeros((480, 1)), 48_000, 16)[:4]
    b'fLaC'
    """
    import soundfile

    full_scale = 2.0 ** (bits - 1)
    steps = np.clip(np.rint(samples * full_scale), -full_scale, full_scale - 1.0)
    # libsndfile reads integers from the top of 32 bits.
    stored = np.ascontiguousarray(steps.astype(np.int32) << (32 - bits))
    file = io.BytesIO()
    try:
        soundfile.write(file, stored, sample_rate_hz, format="FLAC", subtype=f"PCM_{bits}")
    except (RuntimeError, TypeError, ValueError) as error:  # libsndfile's own: RuntimeError
        rate, channels = sample_rate_hz, samples.shape[1]
        raise AudioFileError(f"FLAC of {channels} channels at {rate} Hz: {error}") from None
    return file.getvalue()
