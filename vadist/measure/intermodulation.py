"""Intermodulation of two steady tones: the products, and the usual percentages."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.measure.records import require_below_nyquist, require_positive
from vadist.measure.sine_fit import fit_sines


@dataclass(frozen=True)
class TonePair:
    """Two tones and their amplitude ratio, a stimulus for intermodulation.

    Attributes
    ----------
    low_hz, high_hz : float
    low_to_high : float
        Amplitude of the low tone over that of the high one.
    """

    low_hz: float
    high_hz: float
    low_to_high: float = 1.0

    def samples(self, sample_rate_hz: float, count: int, peak_v: float) -> FloatArray:
        """Render the pair so that its highest possible peak is peak_v, shape (count,)."""
        require_below_nyquist(self.high_hz, sample_rate_hz, "high_hz")
        angle = 2.0 * np.pi * np.arange(count) / sample_rate_hz
        high_v = peak_v / (1.0 + self.low_to_high)
        return np.asarray(
            high_v * (self.low_to_high * np.sin(self.low_hz * angle) + np.sin(self.high_hz * angle))
        )


SMPTE_DIN = TonePair(60.0, 7000.0, 4.0)
"""60 Hz and 7 kHz at 4:1, the SMPTE/DIN pair."""

DIN_250_8000 = TonePair(250.0, 8000.0, 4.0)
"""250 Hz and 8 kHz at 4:1, its other usual choice of frequencies."""

TWIN_TONE = TonePair(19_000.0, 20_000.0, 1.0)
"""19 and 20 kHz at 1:1, the ITU-R/CCIF twin tone."""


@dataclass(frozen=True)
class Product:
    """One product at ``|low_order f_low + high_order f_high|``.

    Attributes
    ----------
    low_order, high_order : int
        Multiples of the two tones; the order of the product is the sum of their magnitudes.
    frequency_hz, level_v : float
        Peak level.
    """

    low_order: int
    high_order: int
    frequency_hz: float
    level_v: float

    @property
    def order(self) -> int:
        """Sum of the magnitudes of both multiples."""
        return abs(self.low_order) + abs(self.high_order)


@dataclass(frozen=True)
class Intermodulation:
    """Levels of two tones and of the products between them.

    Attributes
    ----------
    low_hz, high_hz, low_v, high_v : float
        The tones and their peak levels.
    products : tuple of Product
        By order, then by frequency; harmonics of a single tone are no intermodulation and are
        left out.
    """

    low_hz: float
    high_hz: float
    low_v: float
    high_v: float
    products: tuple[Product, ...]

    def level_v(self, low_order: int, high_order: int) -> float:
        """Peak level of one product, 0 V if the table does not hold it."""
        for product in self.products:
            if (product.low_order, product.high_order) in (
                (low_order, high_order),
                (-low_order, -high_order),
            ):
                return product.level_v
        return 0.0


def intermodulation(
    signal: ArrayLike, sample_rate_hz: float, low_hz: float, high_hz: float, order: int = 5
) -> Intermodulation:
    """Measure two steady tones and their intermodulation products up to an order.

    Parameters
    ----------
    signal : (samples,)
        Long enough to hold four turns of the smallest difference between two lines.
    sample_rate_hz : float
    low_hz, high_hz : float
        The tones, low_hz < high_hz.
    order : int
        Highest order |m| + |n| of the products m low_hz + n high_hz.

    Returns
    -------
    Intermodulation

    Raises
    ------
    UsageError
        If the tones cannot be told apart or held at this rate.

    Notes
    -----
    Products at or above half the sample rate are left out. Where two products, or a product and
    a harmonic, fall on one frequency, the line is counted once, under the lowest order.

    Examples
    --------
    >>> x = TWIN_TONE.samples(192e3, 19200, peak_v=1.0)
    >>> table = intermodulation(x + 0.1 * x**2, 192e3, 19e3, 20e3, order=2)
    >>> [(p.low_order, p.high_order, p.frequency_hz, round(p.level_v, 6)) for p in table.products]
    [(-1, 1, 1000.0, 0.025), (1, 1, 39000.0, 0.025)]
    """
    require_positive(low_hz, "low_hz", "Hz")
    require_below_nyquist(high_hz, sample_rate_hz, "high_hz")
    if low_hz >= high_hz:
        raise UsageError(
            f"measure: low_hz must be below high_hz, got {low_hz:g} and {high_hz:g} Hz"
        )
    if order < 2:
        raise UsageError(f"measure: order of intermodulation must be >= 2, got {order}")
    lines = _lines(low_hz, high_hz, order, sample_rate_hz / 2.0)
    fit = fit_sines(signal, sample_rate_hz, [line for _, _, line in lines])
    levels = [float(level) for level in fit.levels_v]
    return Intermodulation(
        low_hz,
        high_hz,
        levels[0],
        levels[1],
        tuple(
            Product(m, n, line, level)
            for (m, n, line), level in zip(lines, levels, strict=True)
            if m != 0 and n != 0
        ),
    )


def modulation_percent(measured: Intermodulation) -> float:
    """Modulation of the high tone by the low one, in percent, for the 4:1 pairs.

    Notes
    -----
    Sidebands f_high +- k f_low, k = 1, 2, ...: the two of a pair add as amplitudes (the depth of
    the amplitude modulation they stand for), the pairs as powers, relative to the high tone:
    the second and third order of IEC 60268-3 combined (from memory, not located).
    """
    depth = max((p.order for p in measured.products), default=1)
    pairs = [measured.level_v(-k, 1) + measured.level_v(k, 1) for k in range(1, depth)]
    return 100.0 * math.hypot(*pairs) / _tone(measured.high_v, measured.high_hz)


def difference_percent(measured: Intermodulation) -> float:
    """Difference-frequency distortion of a twin tone, in percent: second and third order.

    Notes
    -----
    d2 = V(f_high - f_low) and d3 = V(2 f_low - f_high) + V(2 f_high - f_low), each over the sum
    of the two tones' levels, combined as powers (the terms of IEC 60268-3, from memory, not
    located).
    """
    second = measured.level_v(-1, 1)
    third = measured.level_v(2, -1) + measured.level_v(-1, 2)
    tones = _tone(measured.low_v + measured.high_v, measured.low_hz)
    return 100.0 * math.hypot(second, third) / tones


def total_percent(measured: Intermodulation, limit_hz: float = math.inf) -> float:
    """Products of the table up to a frequency: their rms over the rms of the tones, in percent."""
    products = [p.level_v for p in measured.products if p.frequency_hz <= limit_hz]
    tones = _tone(math.hypot(measured.low_v, measured.high_v), measured.low_hz)
    return 100.0 * math.hypot(*products) / tones


def _tone(level_v: float, frequency_hz: float) -> float:
    if level_v == 0.0:
        raise UsageError(f"measure: intermodulation needs a tone at {frequency_hz:g} Hz, got 0 V")
    return level_v


def _lines(
    low_hz: float, high_hz: float, order: int, limit_hz: float
) -> list[tuple[int, int, float]]:
    """List the tones, then harmonics and products by order; each frequency once."""
    candidates = []
    for high_order in range(order + 1):
        for low_order in range(-(order - high_order), order - high_order + 1):
            if high_order == 0 and low_order <= 0:
                continue
            line = low_order * low_hz + high_order * high_hz
            candidates.append((abs(low_order) + high_order, abs(line), low_order, high_order))
    lines: list[tuple[int, int, float]] = []
    for _, line, low_order, high_order in sorted(candidates):
        known = (other for _, _, other in lines)
        taken = any(math.isclose(line, other, rel_tol=1e-9) for other in known)
        if 0.0 < line < limit_hz and not taken:
            lines.append((low_order, high_order, line))
    return lines
