"""Figures of sound of many boards, heard on graphics cards."""

import logging
import math
from collections.abc import Callable, Sequence

import numpy as np

from vadist.arrays import FloatArray, IndexArray
from vadist.designs.design import Design
from vadist.gpu.ears import HeardSums
from vadist.gpu.hearing import hear
from vadist.gpu.lane_tables import LaneTables
from vadist.measure.bands import band_centres, level_change_db, third_octave_levels
from vadist.measure.loudness import (
    BLOCK_S,
    CHANNEL_WEIGHTS,
    HOPS,
    block_powers,
    gated_loudness,
)
from vadist.population.figure_names import Figure
from vadist.population.sound import GATED_AT_LUFS, SILENT_V, Hearing, sound_figures
from vadist.population.tabled import made_ready_together
from vadist.stepping.resampling import default_oversample

_LOG = logging.getLogger(__name__)

_MAKING = 0.2
# Of the time is told while boards are made ready.


def card_figures(
    designs: Sequence[Design],
    hearing: Hearing,
    figures: Sequence[Figure],
    threads: int | None = None,
    progress: Callable[[float], None] = lambda done: None,
) -> tuple[FloatArray, dict[int, str]]:
    """Figures of sound of boards; see :func:`vadist.population.sound.sound_figures`.

    A board with a step that its threads found no solution of is rendered on the processor, which
    has a rescue; such boards are named in the log.

    Parameters
    ----------
    designs : sequence of Design
    hearing : Hearing
    figures : sequence of Figure
    threads : int, optional
        Processes that make boards ready; all cores by default.
    progress : function of 0..1

    Returns
    -------
    values : (boards, figures)
    faults : mapping of board -> text

    Raises
    ------
    UsageError
        Without a card, or for a take of less than 44 kHz.
    """
    oversample = hearing.oversample or default_oversample(hearing.sample_rate_hz)
    ready = made_ready_together(
        designs, hearing.sample_rate_hz * oversample, threads, lambda done: progress(_MAKING * done)
    )
    values = np.full((len(designs), len(figures)), np.nan)
    faults = dict(ready.faults)
    work = hearing.volts.size * sum(len(boards) for boards, _ in ready.groups)
    done = 0

    def tick(amount: int) -> None:
        nonlocal done
        done += amount
        progress(_MAKING + (1.0 - _MAKING) * done / max(work, 1))

    again: list[int] = []
    for boards, lanes in ready.groups:
        found, stuck = _heard(lanes, hearing, figures, tick)
        values[boards] = found
        again += boards[stuck].tolist()
    if again:
        named = ", ".join(str(board + 1) for board in sorted(again))
        _LOG.warning("board %s: no solution on the card, rendered on the processor", named)
        mended, mute = sound_figures([designs[b] for b in again], hearing, figures)
        values[again] = mended
        faults |= {again[k]: text for k, text in mute.items()}
    return values, faults


def _heard(
    lanes: LaneTables,
    hearing: Hearing,
    figures: Sequence[Figure],
    tick: Callable[[int], None],
) -> tuple[FloatArray, IndexArray]:
    """Figures of boards of one structure, and which of them are stuck."""
    channels = hearing.volts.shape[1]
    boards = len(lanes)
    bands = any(figure.kind in ("band", "band change") for figure in figures)
    columns = np.tile(np.arange(channels), boards)
    heard = hear(
        lanes.only(np.repeat(np.arange(boards), channels)), columns, hearing.volts,
        hearing.sample_rate_hz, hearing.reference, bands=bands, tick=tick,
    )  # fmt: skip
    stuck = np.flatnonzero(heard.stuck.reshape(boards, channels).any(axis=1))
    return figures_of_sums(heard.sums, hearing, figures), stuck


def figures_of_sums(
    sums: HeardSums, hearing: Hearing, figures: Sequence[Figure]
) -> FloatArray:  # fmt: skip
    """Figures of boards from what was summed of their channels, (boards, figures).

    Notes
    -----
    What is left of the reference is one less the square of the correlation: of nulls deeper than
    some -130 dB a sum of doubles keeps no digit.
    """
    frames, channels = hearing.volts.shape
    rate = hearing.sample_rate_hz

    def by_board(lanes: FloatArray) -> FloatArray:
        return lanes.reshape(*lanes.shape[:-1], -1, channels)

    square, product = by_board(sums.square).sum(-1), by_board(sums.product).sum(-1)
    own = float(np.sum(hearing.reference**2))
    audible = by_board(sums.peak).max(-1) >= SILENT_V
    columns: dict[str, FloatArray] = {}
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.maximum(1.0 - product**2 / (own * square), 0.0)
        columns["null depth"] = 10.0 * np.log10(left)
        level = 10.0 * np.log10(square / (frames * channels))
    if frames >= BLOCK_S * rate:
        weighed = by_board(sums.energies) @ np.array(CHANNEL_WEIGHTS[:channels])
        powers = block_powers(weighed, rate * BLOCK_S / HOPS)
        # Gated as if they played at a level: volts may lie below the absolute gate.
        shifts = GATED_AT_LUFS - level
        columns["loudness"] = np.array([
            gated_loudness(own * 10.0 ** (shift / 10.0)) - shift if there else math.nan
            for own, shift, there in zip(powers.T, shifts, audible, strict=True)
        ])  # fmt: skip
    else:
        columns["loudness"] = level
    found = np.empty((len(square), len(figures)))
    levels = _levels(sums, by_board)
    before = third_octave_levels(hearing.reference, rate).levels_db if levels is not None else None
    for k, figure in enumerate(figures):
        if figure.kind in columns:
            found[:, k] = columns[figure.kind]
            continue
        assert levels is not None
        assert before is not None
        if figure.kind == "band":
            place = int(np.abs(np.log(band_centres(rate)[0] / figure.at)).argmin())
            found[:, k] = levels[place]
        else:
            found[:, k] = [level_change_db(before, own) for own in levels.T]
    found[~audible] = np.nan
    return found


def _levels(
    sums: HeardSums, by_board: Callable[[FloatArray], FloatArray]
) -> FloatArray | None:  # fmt: skip
    """Levels of bands, (bands, boards) dB; channels' powers are averaged."""
    if sums.bands is None:
        return None
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(by_board(sums.bands).mean(-1)))
