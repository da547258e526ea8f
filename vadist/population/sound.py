"""How boards sound: a take rendered through each, held against the same take of a reference."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.errors import UsageError, VadistError
from vadist.measure import band_change_db, null_depth_db, third_octave_levels
from vadist.measure.loudness import BLOCK_S, loudness_near, rms_db
from vadist.population.figure_names import Figure
from vadist.rendering.spans import Rendering, array_window

GATED_AT_LUFS = -18.0
"""Level at which loudness is gated, as auditions have it."""

_MOST_LONGER_S = 0.1
# Recorders end a file where a block of theirs ends.

SILENT_V = 1e-6
"""A render that stays below has no loudness, and no bands to compare."""


@dataclass(frozen=True, eq=False)
class Hearing:
    """A take and what a reference makes of it.

    Attributes
    ----------
    volts : (frames, channels)
        At the input.
    sample_rate_hz : float
    oversample : int or None
    reference : (frames, channels)
        Output of the reference less its DC volts.
    """

    volts: FloatArray
    sample_rate_hz: float
    oversample: int | None
    reference: FloatArray


def hearing_of(
    reference: Design,
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    full_scale_v: float = 1.0,
    oversample: int | None = None,
) -> Hearing:
    """Render a take through the reference that boards are to be held against.

    Parameters
    ----------
    reference : Design
    samples : (frames,) or (frames, channels)
        Full scale +-1.
    sample_rate_hz, full_scale_v, oversample
        As for :func:`vadist.rendering.arrays.render`.

    Raises
    ------
    UsageError
        Also for a take or a reference that is silent.
    ConvergenceError
    """
    volts = _as_volts(samples, full_scale_v)
    heard = rendered([reference], volts, sample_rate_hz, oversample)[0]
    if float(np.abs(heard).max()) < SILENT_V:
        raise UsageError("the reference is silent (below 1 uV); turn it up")
    return Hearing(volts, sample_rate_hz, oversample, heard)


def hearing_against(
    target: ArrayLike,
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    full_scale_v: float = 1.0,
    oversample: int | None = None,
) -> Hearing:
    """A take and a recording that boards are to be held against.

    Parameters
    ----------
    target : (frames,) or (frames, channels)
        What some board made of the take, aligned to the sample; its level does not matter.
    samples, sample_rate_hz, full_scale_v, oversample
        As for :func:`hearing_of`.

    Raises
    ------
    UsageError
        For a target of other channels, one that is silent, or more than 0.1 s longer or shorter
        than the take; both are cut to the shorter one.
    """
    volts, wanted = _as_volts(samples, full_scale_v), np.asarray(target, dtype=float)
    wanted = wanted[:, None] if wanted.ndim == 1 else wanted
    if wanted.shape[1:] != volts.shape[1:]:
        raise UsageError(f"the target has {wanted.shape[1]} channels and the take {volts.shape[1]}")
    frames = min(len(wanted), len(volts))
    longer = max(len(wanted), len(volts)) - frames
    if longer > _MOST_LONGER_S * sample_rate_hz:
        raise UsageError(
            f"take and target must be one as long as the other, within {_MOST_LONGER_S:g} s "
            f"(they are off by {longer / sample_rate_hz:.3g} s); cut them alike"
        )
    heard = wanted[:frames]
    if not np.isfinite(heard).all() or float(np.abs(heard).max(initial=0.0)) < SILENT_V:
        raise UsageError("the target is silent, so there is nothing to sound like")
    return Hearing(volts[:frames], sample_rate_hz, oversample, heard)


def _as_volts(samples: ArrayLike, full_scale_v: float) -> FloatArray:
    take = np.asarray(samples, dtype=float)
    volts = (take[:, None] if take.ndim == 1 else take) * full_scale_v
    if volts.ndim != 2 or not np.isfinite(volts).all():
        raise UsageError("samples must be (frames,) or (frames, channels), each finite")
    if not np.any(volts):
        raise UsageError("the take is silent, so there is nothing to compare; choose another")
    return volts


def rendered(
    designs: Sequence[Design], volts: FloatArray, sample_rate_hz: float, oversample: int | None
) -> list[FloatArray]:
    """Render a take through boards as lanes of one batch, in one thread; output less DC volts."""
    rendering = Rendering(
        designs, sample_rate_hz, len(volts), volts.shape[1], array_window(volts),
        oversample=oversample, threads=1,
    )  # fmt: skip
    heard = rendering.whole()
    circuits = rendering.circuits(rendering.method)
    return [heard[k, :, :, 0] - circuit.rest_v for k, circuit in enumerate(circuits)]


def sound_figures(
    designs: Sequence[Design], hearing: Hearing, figures: Sequence[Figure]
) -> tuple[FloatArray, dict[int, str]]:
    """Figures of sound of boards.

    Returns
    -------
    values : (boards, figures)
    faults : mapping of board -> text
        Boards that could not be rendered.
    """
    values = np.full((len(designs), len(figures)), np.nan)
    faults: dict[int, str] = {}
    take = hearing.volts, hearing.sample_rate_hz, hearing.oversample
    try:
        tracks: dict[int, FloatArray] = dict(enumerate(rendered(designs, *take)))
    except VadistError:  # one of them: the others are to be heard
        tracks = {}
        for board, design in enumerate(designs):
            try:
                tracks[board] = rendered([design], *take)[0]
            except VadistError as error:
                faults[board] = str(error)
    for board, track in tracks.items():
        values[board] = _figures(track, hearing, figures)
    return values, faults


def _figures(track: FloatArray, hearing: Hearing, figures: Sequence[Figure]) -> list[float]:
    """Figures of one track; NaN of one that is silent."""
    if float(np.abs(track).max()) < SILENT_V:
        return [math.nan] * len(figures)
    rate, kinds = hearing.sample_rate_hz, {figure.kind for figure in figures}
    found: dict[str, float] = {}
    if "null depth" in kinds:
        found["null depth"] = null_depth_db(hearing.reference, track)
    if "band change" in kinds:
        found["band change"] = band_change_db(hearing.reference, track, rate)
    if "loudness" in kinds:
        long_enough = len(track) >= BLOCK_S * rate
        found["loudness"] = loudness_near(track, rate, GATED_AT_LUFS) if long_enough else (
            rms_db(track))  # fmt: skip
    bands = third_octave_levels(track, rate) if "band" in kinds else None

    def band(hertz: float) -> float:
        assert bands is not None
        place = int(np.abs(np.log(bands.centres_hz / hertz)).argmin())
        return float(bands.levels_db[place])

    return [band(f.at) if f.kind == "band" else found[f.kind] for f in figures]
