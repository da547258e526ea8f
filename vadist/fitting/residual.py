"""What a fit leaves, against the capture's noise and the render's arithmetic, and where it lives.

A residual that stands above both is no noise: the board, or the bench, holds something that the
design with these values free does not. Cells of the residual (octaves, levels of the output,
half-waves) are each held against what noise and arithmetic would leave in them, so that a mismatch
is seen where it is concentrated, though the whole may hide it.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from vadist.captures.capture import Capture
from vadist.captures.compare import compare, noise_above
from vadist.captures.excitation import INPUT_BAND, answers, choose_channels
from vadist.captures.waveform import GRID, ROLL_OFF
from vadist.designs.design import Design
from vadist.fitting.problem import Evaluated, Problem
from vadist.measure.records import FloatArray
from vadist.quantities import format_quantity

_FALSE_ALARM = 1e-3
# Chance that noise alone is taken for a mismatch, all cells together.

_ALLOWED_DB = 1.0
# Noise is foretold from a part of the record, by about this much.

_QUIET_PARTS = 16
# The record's noise above the band is read from the quietest of this many parts.

_LEAST_OF_PARTS = 1.77
# Expected least of sixteen normal values, in deviations below their mean (tables of order
# statistics; computed: 1.766).

_HANN_SPREAD = 1.94
# Variance of a mean of periodogram lines under a Hann window, times their number, over the squared
# mean: neighbours share 4/9 and 1/36 of their power (computed from the window's transform).

_LOWEST_HZ = 100.0
_LEVELS_DB = (0.0, -6.0, -12.0, -24.0, -math.inf)
_ENVELOPE_S = 3e-3
_RESTING = 0.02
_SILENT_S = 1e-3


@dataclass(frozen=True)
class Cell:
    """A part of a residual.

    Attributes
    ----------
    kind : str
        ``band``, ``level`` or ``half-wave``.
    name : str
    residual_db, expected_db : float
        Energy in the cell, and what noise and arithmetic would leave there, over the signal's.
    share : float
        Of what the residual holds above noise and arithmetic; the cells of a kind add up to 1.
    above : bool
        Whether noise and arithmetic do not explain it.
    """

    kind: str
    name: str
    residual_db: float
    expected_db: float
    share: float
    above: bool


@dataclass(frozen=True)
class Residue:
    """What a fit leaves.

    Attributes
    ----------
    residual_db : float
        Error-to-signal ratio.
    noise_db, arithmetic_db : float or None
        Of the capture (with what the noise of a measured input drives through the circuit) and of
        the render, over the signal; None if unknown.
    mismatch : bool
        Whether the residual, or a cell of it, stands above both.
    unexplained : float
        Energy above noise and arithmetic, volts squared summed over the samples; 0 without a
        mismatch.
    cells : tuple of Cell
    """

    residual_db: float
    noise_db: float | None
    arithmetic_db: float | None
    mismatch: bool
    unexplained: float
    cells: tuple[Cell, ...]

    @property
    def excess_db(self) -> float:
        """How far the residual stands above noise and arithmetic together."""
        levels = [x for x in (self.noise_db, self.arithmetic_db) if x is not None]
        both = sum(10.0 ** (x / 10.0) for x in levels)
        return self.residual_db - 10.0 * math.log10(both) if both > 0.0 else math.inf

    def worst(self, kind: str) -> Cell | None:
        """Cell of a kind that holds the most of what is unexplained; None if none stands out."""
        above = [c for c in self.cells if c.kind == kind and c.above]
        return max(above, key=lambda c: c.share, default=None)


class Background:
    """Noise of a capture, as a residual shows it.

    Parameters
    ----------
    capture : Capture
    source : Capture or None
    problem : Problem
        After its first evaluation.
    """

    def __init__(self, capture: Capture, source: Capture | None, problem: Problem) -> None:
        self._problem = problem
        settings, prepared = problem.settings, problem.prepared
        output, driver = choose_channels(
            capture, settings.output_channel, settings.input_channel,
            separate_input=source is not None,
        )  # fmt: skip
        self._steps_v = _conversion_v(capture, output, prepared.top_hz)
        self._above = _unbiased(
            prepared.noise_v, capture.seconds, capture.sample_rate_hz, prepared.top_hz
        )
        self._input_v = 0.0 if source is not None else self._input_noise_v(capture, driver)

    def judge(self, design: Design, at: Evaluated) -> Residue:
        """Hold a residual against noise and arithmetic."""
        problem = self._problem
        count, signal = len(at.residual), problem.power / len(at.residual)
        predicted = problem.target + at.residual
        silent_db = compare(problem.target, predicted, problem.time_s).noise_db
        silent = None if silent_db is None else signal * 10.0 ** (silent_db / 10.0)
        # A silence is short: it counts where nothing, or signal, lies above the band, and flat
        # noise lies in the quietest part of the residual too.
        known = self._above
        if silent is not None and (known is None or silent < 0.5 * known):
            quietest = _quietest(at.residual, problem.prepared.top_hz)
            known = max(silent, min(quietest, 2.0 * silent))
        noise = max(known or 0.0, self._steps_v**2)
        driven = self._driven_noise(design, at)
        error_db = at.answer.error_db
        arithmetic = 0.0 if error_db is None else signal * 10.0 ** (error_db / 10.0)
        rest = at.alignment.sign * at.alignment.rest_v + at.alignment.offset_v
        cells = _cells(at.residual, driven, predicted - rest, problem.prepared.top_hz)
        unknown = known is None and noise == 0.0 and self._input_v == 0.0
        whole = (noise * count + float(driven @ driven)) / problem.power
        return _judged(
            at.residual, cells, noise, float(driven @ driven), arithmetic, problem.power,
            None if unknown else _db(whole), error_db,
        )  # fmt: skip

    def _input_noise_v(self, capture: Capture, driver: str) -> float:
        """Noise of a measured input per root of its samples, as white noise at its rate."""
        prepared = self._problem.prepared
        drive, top_hz = prepared.excitation, prepared.top_hz
        volts = capture.volts[:, capture.find(driver)]
        noise = noise_above(volts, capture.sample_rate_hz, top_hz)
        band_hz = _noise_band_hz(top_hz)
        if noise is None and not drive.volts[: drive.lead].any():
            quiet = drive.volts[drive.lead :][: max(round(_SILENT_S * drive.sample_rate_hz), 8)]
            noise, band_hz = (
                float(quiet.std()),
                min(INPUT_BAND * top_hz, 0.5 * drive.sample_rate_hz),
            )
        steps = _conversion_v(capture, driver, top_hz)
        density = max((noise or 0.0) ** 2 / band_hz, steps**2 / _noise_band_hz(top_hz))
        return math.sqrt(density * 0.5 * drive.sample_rate_hz)

    def _driven_noise(self, design: Design, at: Evaluated) -> FloatArray:
        """What as much noise again on the input adds to the output."""
        problem = self._problem
        if self._input_v == 0.0:
            return np.zeros(len(problem.time_s))
        drive = problem.prepared.excitation
        noise = np.random.default_rng(0).normal(0.0, self._input_v, len(drive.volts))
        noisy = answers(
            [design], replace(drive, volts=drive.volts + noise), problem.prepared.top_hz,
            oversample=at.answer.oversample, ac_corner_hz=problem.settings.ac_corner_hz,
            threads=problem.threads,
        )[0]  # fmt: skip
        now, then = (at.alignment.apply(a.wave, problem.time_s) for a in (noisy, at.answer))
        return np.asarray(now - then - np.mean(now - then))


def _noise_band_hz(top_hz: float) -> float:
    return 0.5 * (1.0 + ROLL_OFF) * top_hz


def _conversion_v(capture: Capture, channel: str, top_hz: float) -> float:
    """Rms within the band of rounding to the steps that a channel's values lie on."""
    steps = np.diff(np.unique(capture.volts[:, capture.find(channel)]))
    if not len(steps):
        return 0.0
    share = min(2.0 * _noise_band_hz(top_hz) / capture.sample_rate_hz, 1.0)
    return float(np.quantile(steps, 0.1)) * math.sqrt(share / 12.0)


def _quietest(residual: FloatArray, top_hz: float) -> float:
    """Mean square within the band that the quietest of equal parts of it foretells."""
    count = len(residual)
    energy = np.abs(np.fft.rfft(residual)) ** 2 * (2.0 / count**2)
    band = energy[1 : int(count / GRID)]
    parts = [float(part.mean()) for part in np.array_split(band, _QUIET_PARTS)]
    scatter = math.sqrt(_QUIET_PARTS / len(band))
    least = min(parts) / max(1.0 - _LEAST_OF_PARTS * scatter, 0.5)
    return least * count * _noise_band_hz(top_hz) / (GRID * top_hz)


def _unbiased(noise_v: float | None, seconds: float, rate_hz: float, top_hz: float) -> float | None:
    """Mean square of the noise foretold by the quietest of equal parts above the band.

    The least of several estimates is below their mean, the more the shorter the record.
    """
    if noise_v is None:
        return None
    bins = (0.48 * rate_hz - 2.0 * top_hz) * seconds / _QUIET_PARTS
    scatter = math.sqrt(_HANN_SPREAD / max(bins, 1.0))
    return float(noise_v**2 / max(1.0 - _LEAST_OF_PARTS * scatter, 0.5))


def _db(ratio: float) -> float:
    return 10.0 * math.log10(max(ratio, 1e-30))


@dataclass(frozen=True)
class _Part:
    kind: str
    name: str
    energy: float
    independent: float
    noise_share: float
    driven: float = 0.0


def _cells(
    residual: FloatArray, driven: FloatArray, moving: FloatArray, top_hz: float
) -> list[_Part]:
    """Parts of a residual, with what the noise of the input has driven into each."""
    ours, theirs = (_bands(x, top_hz) + _levels(x, moving, top_hz) for x in (residual, driven))
    return [replace(a, driven=b.energy) for a, b in zip(ours, theirs, strict=True)]


def _bands(residual: FloatArray, top_hz: float) -> list[_Part]:
    """Octaves below the top; the lowest takes the rest."""
    count, seconds = len(residual), len(residual) / (GRID * top_hz)
    energy = np.abs(np.fft.rfft(residual)) ** 2 * (2.0 / count)
    f = np.arange(len(energy)) / seconds
    lowest_hz = max(_LOWEST_HZ, 16.0 / seconds)
    edges = [top_hz]
    while edges[-1] > 2.0 * lowest_hz:
        edges.append(0.5 * edges[-1])
    parts = []
    for k, high in enumerate(edges):
        last = k == len(edges) - 1
        low = 0.0 if last else edges[k + 1]
        within = (f >= low) & ((f < high) if k else (f > -1.0))
        width = (high if k else _noise_band_hz(top_hz)) - low
        name = f"below {format_quantity(high, 'Hz')}"
        if not last:
            name = f"{format_quantity(low, 'Hz')} to {format_quantity(high, 'Hz')}"
        parts.append(
            _Part("band", name, float(energy[within].sum()), 2.0 * width * seconds,
                  width / _noise_band_hz(top_hz))
        )  # fmt: skip
    return parts


def _levels(residual: FloatArray, moving: FloatArray, top_hz: float) -> list[_Part]:
    """By how loud the output is about a sample, and by its half-wave."""
    from scipy.ndimage import maximum_filter1d

    peak = max(float(np.abs(moving).max()), 1e-300)
    envelope = maximum_filter1d(np.abs(moving), max(round(_ENVELOPE_S * GRID * top_hz), 1)) / peak
    chosen = []
    for high, low in pairwise(_LEVELS_DB):
        name = f"more than {-high:.0f} dB below its peak"
        if low > -math.inf:
            name = f"{abs(high):.0f} to {-low:.0f} dB below its peak"
        ends = 10.0 ** (low / 20.0), 10.0 ** (high / 20.0)
        chosen.append(("level", name, (envelope > ends[0]) & (envelope <= ends[1])))
    chosen.append(("half-wave", "upper", moving > _RESTING * peak))
    chosen.append(("half-wave", "lower", moving < -_RESTING * peak))
    chosen.append(("half-wave", "at rest", np.abs(moving) <= _RESTING * peak))
    independent = (1.0 + ROLL_OFF) / GRID
    return [
        _Part(kind, name, float(np.sum(residual[part] ** 2)), independent * int(part.sum()),
              float(part.mean()))
        for kind, name, part in chosen if part.sum() >= 16
    ]  # fmt: skip


def _judged(
    residual: FloatArray,
    parts: list[_Part],
    noise: float,
    driven: float,
    arithmetic: float,
    power: float,
    noise_db: float | None,
    error_db: float | None,
) -> Residue:
    """Cells against what is expected of them, and the whole."""
    from scipy.stats import chi2

    count, energy = len(residual), float(residual @ residual)
    whole = _Part("whole", "", energy, count * (1.0 + ROLL_OFF) / GRID, 1.0, driven)
    chance = _FALSE_ALARM / (len(parts) + 1)

    def excess(part: _Part) -> tuple[float, float, bool]:
        # Arithmetic may lie anywhere: each cell is granted all of it.
        granted = count * (noise * part.noise_share + arithmetic) + part.driven
        freedom = max(part.independent, 1.0)
        most = 10.0 ** (_ALLOWED_DB / 10.0) * float(chi2.isf(chance, freedom)) / freedom
        return granted, part.energy - granted, bool(part.energy > most * granted)

    total = excess(whole)
    found, unexplained = [], total[1] if total[2] else 0.0
    sums: dict[str, float] = {}
    for part in parts:
        sums[part.kind] = sums.get(part.kind, 0.0) + max(excess(part)[1], 0.0)
    above: dict[str, float] = {}
    for part in parts:
        granted, more, stands = excess(part)
        share = max(more, 0.0) / sums[part.kind] if sums[part.kind] > 0.0 else 0.0
        found.append(
            Cell(part.kind, part.name, _db(part.energy / power), _db(granted / power), share,
                 stands)
        )  # fmt: skip
        above[part.kind] = above.get(part.kind, 0.0) + (more if stands else 0.0)
    unexplained = max(unexplained, *above.values())
    return Residue(
        _db(energy / power), noise_db, error_db, unexplained > 0.0, unexplained, tuple(found)
    )
