"""Where in a take a block works hardest: where it bends most.

What a block bends is its output less what a straight line, its small-signal response, would make
of its input. A block that the take does not drive to its limit is shown where it is loudest: what
rails that move bring to it is not of its own.
"""

from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign, stage_responses
from vadist.arrays import ComplexArray, FloatArray
from vadist.large_signal.headroom import Ladder

_WINDOW_S = 0.02
_PERIODS = 4.0
_SHORTEST_S, _LONGEST_S = 0.006, 0.04
_PITCH_HZ = (70.0, 1400.0)
# What a guitar's strings play, fundamentals and some harmonics.
_LOWEST_HZ, _HIGHEST_HZ = 0.01, 192e3
_SETTLES_S = 1.0


@dataclass(frozen=True)
class Moment:
    """A few periods of a take at one block.

    Attributes
    ----------
    start_s, stop_s : float
    time_ms : (samples,)
        From :attr:`start_s`.
    before, after : (samples,)
        Volts from rest, one channel.
    swing_v, line_v : float
        Peak to peak there, and what a straight line would swing.
    limits : bool
        Whether the take drives the block to its limit.
    """

    start_s: float
    stop_s: float
    time_ms: FloatArray
    before: FloatArray
    after: FloatArray
    swing_v: float
    line_v: float
    limits: bool


def hardest_moments(
    solved: SolvedDesign, ladder: Ladder, path: list[FloatArray], sample_rate_hz: float
) -> dict[str, Moment]:
    """Find for each block the moment at which it works hardest.

    Parameters
    ----------
    solved : SolvedDesign
    ladder : Ladder
    path : list of (frames, channels)
        Volts from rest: the dry take, then after each block.
    sample_rate_hz : float

    Returns
    -------
    mapping of stage -> Moment
    """
    responses = stage_responses(solved, grid_hz())
    peak_v = float(np.abs(path[0]).max())
    limits = {limit.stage: limit.input_v <= peak_v for limit in ladder.limits}
    return {
        stage: _hardest(path[k], path[k + 1], response, sample_rate_hz, limits=limits[stage])
        for k, (stage, response) in enumerate(responses.items())
    }


def _hardest(
    before: FloatArray,
    after: FloatArray,
    response: ComplexArray,
    rate_hz: float,
    *,
    limits: bool,
) -> Moment:
    channel = int(np.argmax(np.sum(after**2, axis=0)))
    into, out = before[:, channel], after[:, channel]
    line = passed(into, response, rate_hz)
    window = min(max(round(_WINDOW_S * rate_hz), 1), len(out))
    most = out - line if limits else out
    at = int(np.argmax(_power(most, window)))
    weight = most[at : at + window] ** 2
    middle = at + int(np.arange(window) @ weight / weight.sum()) if weight.any() else at
    length = min(round(_length_s(into, middle, rate_hz) * rate_hz), len(out))
    first = min(max(middle - length // 2, 0), len(out) - length)
    cut = slice(first, first + length)
    return Moment(
        first / rate_hz, (first + length) / rate_hz, np.arange(length) / rate_hz * 1e3,
        into[cut], out[cut], float(np.ptp(out[cut])), float(np.ptp(line[cut])), limits,
    )  # fmt: skip


def grid_hz() -> FloatArray:
    """Frequencies between which a response is taken to be straight."""
    return np.concatenate([[_LOWEST_HZ], np.geomspace(0.5, _HIGHEST_HZ, 800)])


def passed(volts: FloatArray, response: ComplexArray, rate_hz: float) -> FloatArray:
    """What a linear block makes of a signal that begins from rest.

    Parameters
    ----------
    volts : (samples,)
    response : (f,) complex
        Over :func:`grid_hz`.
    rate_hz : float
    """
    size = len(volts) + round(_SETTLES_S * rate_hz)
    frequencies = np.maximum(np.fft.rfftfreq(size, 1.0 / rate_hz), _LOWEST_HZ)
    places = np.log(frequencies)
    grid = np.log(grid_hz())
    over = np.interp(places, grid, response.real) + 1j * np.interp(places, grid, response.imag)
    return np.asarray(np.fft.irfft(np.fft.rfft(volts, size) * over, size)[: len(volts)])


def _power(volts: FloatArray, window: int) -> FloatArray:
    """Mean square of every window, by where it begins."""
    total = np.concatenate([[0.0], np.cumsum(volts**2)])
    return np.asarray(np.maximum(total[window:] - total[:-window], 0.0) / window)


def _length_s(volts: FloatArray, at: int, rate_hz: float) -> float:
    """A few periods of what is strongest around a place, in seconds."""
    reach = round(_LONGEST_S * rate_hz)
    piece = volts[max(at - reach // 2, 0) : at + reach]
    size = 8 * len(piece)
    lines = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), size))
    frequencies = np.fft.rfftfreq(size, 1.0 / rate_hz)
    heard = (frequencies >= _PITCH_HZ[0]) & (frequencies <= _PITCH_HZ[1])
    if not heard.any():
        return _LONGEST_S
    strongest = float(frequencies[heard][np.argmax(lines[heard])])
    return min(max(_PERIODS / strongest, _SHORTEST_S), _LONGEST_S)
