"""How large a page may become, told before anything is rendered.

What a track takes as FLAC depends on its sound, so it is foretold by a typical share of the plain
samples and held against the limit once more when it is there.
"""

from vadist.errors import UsageError
from vadist.flac import MOST_CHANNELS

LIMIT_BYTES = 96_000_000
"""Largest page. Chromium opened one of 67 MB, nine tracks of three minutes, in nine seconds."""

_FINE_BYTES = 32_000_000
# A page stays below this or has 16-bit samples: 24 bits cost twice as much and say nothing to an
# ear at -18 LUFS, but they are what the files beside the page hold.

_SHARE = {16: 0.4, 24: 0.55}
# Of plain samples. Measured on matched tracks of the demo takes: 0.30 to 0.36 and 0.50 to 0.53.
_BASE64 = 4.0 / 3.0


def expected_bytes(samples: int, bits: int) -> float:
    """Size of a page of so many samples, all tracks and channels together.

    >>> expected_bytes(3_000_000, 16)
    3200000.0
    """
    return samples * bits / 8.0 * _SHARE[bits] * _BASE64


def page_bits(samples: int) -> int:
    """Bits of the page's samples, by how many there are."""
    return 24 if expected_bytes(samples, 24) <= _FINE_BYTES else 16


def check_page_size(tracks: int, frames: int, channels: int, sample_rate_hz: float) -> None:
    """Refuse, before any work, a page that browsers would struggle with.

    Raises
    ------
    UsageError
    """
    if channels > MOST_CHANNELS:
        raise UsageError(
            f"page: tracks may have at most {MOST_CHANNELS} channels (got {channels}); "
            "take fewer channels, or --no-page"
        )
    size = expected_bytes(tracks * frames * channels, 16)
    if size <= LIMIT_BYTES:
        return
    seconds, share = frames / sample_rate_hz, LIMIT_BYTES / size
    fewer = int(tracks * share)
    raise UsageError(
        f"page: {tracks} tracks of {seconds:.3g} s would make it some {size / 1e6:.0f} MB, at most "
        f"{LIMIT_BYTES / 1e6:.0f} MB are built; --length {int(10.0 * seconds * share) / 10.0:g}s"
        + (f", {fewer} tracks" if fewer > 1 else "")
        + " or --no-page would do"
    )


TOO_LARGE = (
    f"page: came out above {LIMIT_BYTES / 1e6:.0f} MB and was left out, all else is written; "
    "a shorter --length or fewer candidates would do"
)
