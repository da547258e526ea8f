"""The filters between a take's rate and the rate of the circuit.

Authority: every factor must pass the same band alike, or two rates could not be compared; and a
filter's impulse response is over when it is over.
"""

import numpy as np
import pytest

from vadist.stepping.resampling import REACH, resampler

FACTORS = (1, 2, 3, 5, 8, 12, 16, 64)


def there_and_back(take: np.ndarray, factor: int, rate: float) -> np.ndarray:
    """Up to a factor and down again, in chunks."""
    up, down = (resampler(rate, factor, 1, down=way) for way in (False, True))
    pieces = []
    for first in range(0, len(take), 1000):
        last = first + 1000 >= len(take)
        pieces.append(down(up(take[first : first + 1000, None], last), last))
    return np.concatenate(pieces)[:, 0]


@pytest.mark.parametrize("rate", [44_100.0, 96_000.0])
def test_every_factor_passes_the_same_band(rate: float) -> None:
    """White noise up and down by any factor: the same within -170 dB, edge of the band included.

    What is left is the stop band and the rounding of soxr's VHQ. Direct conversion would differ by
    -65 to -92 dB.
    """
    noise = np.pad(np.random.default_rng(6).standard_normal(6000), 500)
    usual = there_and_back(noise, 8, rate)
    assert np.sum(usual**2) > 0.85 * np.sum(noise**2)
    for factor in FACTORS[1:]:  # at 1x the edge of the band is the edge of the circuit too
        other = there_and_back(noise, factor, rate)
        apart = 10.0 * np.log10(np.sum((other - usual) ** 2) / np.sum(usual**2) + 1e-30)
        assert len(other) == len(noise)
        assert apart < -170.0, f"{factor}x: {apart:.1f} dB"


@pytest.mark.parametrize("factor", FACTORS)
def test_filters_have_forgotten_beyond_their_reach(factor: int) -> None:
    """The impulse response of up and down together: below 1e-8 beyond 187 of 256 frames.

    At 1x, where the edge of the band is passed four times, beyond 235.
    """
    impulse = np.zeros(2001)
    impulse[1000] = 1.0
    response = np.abs(there_and_back(impulse, factor, 48_000.0))
    assert response[1000] > 0.9
    heard = np.flatnonzero(response > 1e-8)
    reach = max(1000 - heard[0], heard[-1] - 1000)
    print(f"{factor}x: {reach} frames")
    assert 100 < reach <= (235 if factor == 1 else 187) < REACH
