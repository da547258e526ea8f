"""A band-limited waveform that can be read at any time, between its samples too."""

import numpy as np

from vadist.measure.records import FloatArray

ROLL_OFF = 1.15
"""The filter passes everything up to the band's top and nothing above this multiple of it."""

GRID = 2.4
"""Samples of a comparison per period of the band's top: 20 kHz is compared at 48 kHz."""

_FINE = 10.0
# Samples per period of the top for the quintic spline between them: its relative error at the top
# is below (2 pi / 10)^6 / 30240 = 2e-6.

_SPLINE_ENDS = 32
# A quintic spline forgets its ends by 0.43 a sample (its largest pole): to 1e-12 over 32.

EDGE_S = 0.5e-3
"""Time at either end where a record's cut is felt through the filter (a 20 kHz band)."""


class Waveform:
    """Samples, band-limited without delay, and a quintic spline through them on a finer grid.

    Parameters
    ----------
    samples : (frames,)
    sample_rate_hz : float
        At least :data:`ROLL_OFF` times twice ``top_hz``.
    top_hz : float
        Highest frequency kept.
    """

    def __init__(self, samples: FloatArray, sample_rate_hz: float, top_hz: float) -> None:
        from scipy.ndimage import spline_filter1d

        factor = max(int(np.ceil(_FINE * top_hz / sample_rate_hz)), 1)
        fine, self._before = _band_limited(samples, sample_rate_hz, top_hz, factor)
        self._rate = sample_rate_hz * factor
        self._weights = spline_filter1d(fine, 5, mode="mirror")
        self._steps: FloatArray | None = None
        self.seconds = (len(samples) - 1) / sample_rate_hz

    def at(self, time_s: FloatArray) -> FloatArray:
        """Values; beyond the ends the outermost one."""
        return self._read(self._weights, 5, time_s, 0.0)

    def slope_at(self, time_s: FloatArray) -> FloatArray:
        """Time derivatives; zero beyond the ends.

        Notes
        -----
        The derivative of a B-spline is the difference of two of one degree less, half a sample to
        either side (de Boor, A Practical Guide to Splines, 1978; from memory, not located).
        """
        inside = (time_s >= 0.0) & (time_s <= self.seconds)
        if self._steps is None:
            self._steps = self._rate * np.diff(self._weights, prepend=self._weights[0])
        return np.where(inside, self._read(self._steps, 4, time_s, 0.5), 0.0)

    def _read(
        self, weights: FloatArray, degree: int, time_s: FloatArray, late: float
    ) -> FloatArray:
        from scipy.ndimage import map_coordinates

        place = np.clip(time_s, 0.0, self.seconds) * self._rate + self._before + late
        return np.asarray(
            map_coordinates(weights, place[None], order=degree, mode="mirror", prefilter=False)
        )


def _band_limited(
    samples: FloatArray, rate_hz: float, top_hz: float, factor: int
) -> tuple[FloatArray, int]:
    """Filter without delay (half-cosine roll-off) and refine by an integer factor.

    Some samples of the mirror image stay at either end, so that the spline's own ends are felt by
    nobody; how many there are before the record is returned.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    # The record goes on as its own odd mirror image, so that its ends do not ring.
    reach = min(len(samples) - 1, int(40.0 * rate_hz / top_hz) + 1)
    before = 2.0 * samples[0] - samples[reach:0:-1]
    after = 2.0 * samples[-1] - samples[-2 : -reach - 2 : -1]
    longer = np.concatenate([before, samples, after])
    size = next_fast_len(len(longer) + reach, real=True)
    # A straight ramp joins the end to the start of the circle.
    joined = np.concatenate(
        [longer, np.linspace(longer[-1], longer[0], size - len(longer) + 2)[1:-1]]
    )
    spectrum = rfft(joined)
    f = np.arange(len(spectrum)) * rate_hz / size
    turn = np.clip((f / top_hz - 1.0) / (ROLL_OFF - 1.0), 0.0, 1.0)
    refined = np.zeros(size * factor // 2 + 1, dtype=np.complex128)
    refined[: len(spectrum)] = spectrum * np.cos(0.5 * np.pi * turn) ** 2
    fine = irfft(refined, size * factor) * factor
    kept = min(reach * factor, _SPLINE_ENDS)
    first, last = reach * factor - kept, (reach + len(samples) - 1) * factor + kept + 1
    return np.asarray(fine[first:last]), kept


def top_of_band(band_hz: float, *rates_hz: float) -> float:
    """Highest frequency that a comparison can keep at the rates of its records."""
    return min(band_hz, *(0.5 * rate / ROLL_OFF for rate in rates_hz))


def grid_times(seconds: float, top_hz: float) -> FloatArray:
    """Times of a comparison's samples over a record."""
    return np.arange(int(seconds * GRID * top_hz) + 1) / (GRID * top_hz)


def high_passed(samples: FloatArray, sample_rate_hz: float, corner_hz: float) -> FloatArray:
    """First-order high-pass, from rest: the AC coupling of a probe or an input."""
    from scipy.signal import bilinear, lfilter

    turn = 2.0 * np.pi * corner_hz
    b, a = bilinear([1.0, 0.0], [1.0, turn], sample_rate_hz)
    return np.asarray(lfilter(b, a, samples))
