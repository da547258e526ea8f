"""An audition: a design and its candidates, rendered, matched in level and compared."""

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.audition.candidates import Candidate, check_candidates
from vadist.audition.comparison import Behaviour, NodeShift, behaviour, node_shifts
from vadist.audition.matching import DEFAULT_LEVEL, LevelMatch, match_levels
from vadist.audition.names import Changes, held_values
from vadist.audition.path import signal_path, without_rest
from vadist.designs.design import Design
from vadist.designs.moves import Move, at_start, parse_move
from vadist.errors import UsageError, VadistError
from vadist.measure import (
    AUDIO_BAND_HZ,
    harmonics,
    null_depth_db,
    spectral_centroid_hz,
    thd_fundamental,
    third_octave_levels,
)
from vadist.rendering.arrays import render_candidates
from vadist.rendering.spans import Rendering, array_window
from vadist.rendering.through import Response

REFERENCE, CANDIDATE, BLOCK, THROUGH = "reference", "candidate", "block", "through"

PROBE_RATE_HZ = 48_000.0
PROBE_FADE_S, PROBE_SETTLE_S, PROBE_KEPT_S = 0.02, 0.7, 0.25
# Coupling capacitors of up to 1 uF into 100k have settled to 0.1 % by then.

_BAND_FLOOR_DB = 60.0
# Bands this far below the loudest are masked: a change there says nothing to an ear.


@dataclass(frozen=True)
class Probe:
    """The sine whose distortion is reported: a take has no THD of its own.

    Attributes
    ----------
    frequency_hz : float
        20 Hz to 10 kHz, so that there is a harmonic below 20 kHz.
    peak_v : float
        Volts at the input; 0.1 V is a firmly struck note (100 mV to 1 V is quoted for guitars).
    """

    frequency_hz: float = 220.0
    peak_v: float = 0.1

    def __post_init__(self) -> None:
        if not AUDIO_BAND_HZ[0] <= self.frequency_hz <= AUDIO_BAND_HZ[1] / 2.0:
            raise UsageError(
                f"probe frequency must be within 20..10000 Hz (got {self.frequency_hz:g})"
            )
        if not (math.isfinite(self.peak_v) and self.peak_v > 0.0):
            raise UsageError(f"probe level must be > 0 V (got {self.peak_v:g})")

    def samples(self) -> FloatArray:
        """The sine at 48 kHz in volts, faded in."""
        time = np.arange(round((PROBE_SETTLE_S + PROBE_KEPT_S) * PROBE_RATE_HZ)) / PROBE_RATE_HZ
        fade = np.sin(0.5 * np.pi * np.minimum(time / PROBE_FADE_S, 1.0)) ** 2
        return np.asarray(self.peak_v * fade * np.sin(2.0 * np.pi * self.frequency_hz * time))


@dataclass(frozen=True)
class Distortion:
    """A design's response to the probe.

    Attributes
    ----------
    thd : float
        Relative to the fundamental (THD_F), harmonics up to 20 kHz.
    harmonics_db : (10,)
        Levels relative to the fundamental.
    """

    thd: float
    harmonics_db: FloatArray


@dataclass(frozen=True)
class Comparison:
    """A candidate held against the reference.

    Attributes
    ----------
    null_depth_db : float
        What is left after subtracting it at its best gain; -inf if nothing is.
    null_gain : float
        That gain, applied to the matched track.
    levels_db, bands_db : (bands,)
        Third-octave levels of the matched candidate, and their change against the reference; NaN
        where either holds next to nothing.
    shifts : tuple of NodeShift
        Nodes that rest elsewhere.
    """

    null_depth_db: float
    null_gain: float
    levels_db: FloatArray
    bands_db: FloatArray
    shifts: tuple[NodeShift, ...]


@dataclass(frozen=True)
class Track:
    """Something to listen to.

    Attributes
    ----------
    name, role : str
        Role is ``reference``, ``candidate``, ``block``, or ``through`` of one of those heard
        through an impulse response.
    changes : tuple of (path, text)
    samples : (frames, channels)
        Level-matched, full scale 1.
    level_before : float
        As it came, in the unit of the match, relative to 1 V peak.
    gain_db, true_peak_dbtp : float
        Gain from volts to samples; true peak after it.
    centroid_hz : float
    design : Design or None
        None for the track after a block, and for what is heard through a response.
    distortion, behaviour, comparison, error_db
        Of the reference and the candidates; a comparison of candidates alone.
    """

    name: str
    role: str
    changes: Changes
    samples: FloatArray
    level_before: float
    gain_db: float
    true_peak_dbtp: float
    centroid_hz: float
    design: Design | None = None
    distortion: Distortion | None = None
    behaviour: Behaviour | None = None
    comparison: Comparison | None = None
    error_db: float | None = None


@dataclass(frozen=True)
class AuditionResult:
    """Tracks of one take, the reference first, then candidates, then blocks.

    Where they were heard through a response, too, all follow once more in the same order.

    Attributes
    ----------
    tracks : tuple of Track
    sample_rate_hz, full_scale_v : float
    match : LevelMatch
    probe : Probe
    bands_hz : (bands,)
        Nominal mid-bands of the third octaves.
    method : str
        Oversampling used.
    held : tuple of (path, text)
        What the reference holds wherever a candidate differs.
    """

    tracks: tuple[Track, ...]
    sample_rate_hz: float
    full_scale_v: float
    match: LevelMatch
    probe: Probe
    bands_hz: FloatArray
    method: str
    held: Changes = ()

    def twin(self, number: int) -> int | None:
        """Number of a track's twin, heard through the response; None without one."""
        if self.tracks[-1].role != THROUGH:
            return None
        half = len(self.tracks) // 2
        return number + half if number < half else number - half

    @property
    def reference(self) -> Track:
        """The unchanged design."""
        return self.tracks[0]

    @property
    def candidates(self) -> tuple[Track, ...]:
        """Tracks of the candidates."""
        return tuple(track for track in self.tracks if track.role == CANDIDATE)


def audition_design(
    design: Design,
    candidates: Sequence[Candidate],
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    full_scale_v: float = 1.0,
    level: float = DEFAULT_LEVEL,
    probe: Probe | None = None,
    taps: bool = False,
    through: Response | None = None,
    oversample: int | None = None,
    accuracy_db: float | None = None,
    threads: int | None = None,
    moves: Sequence[Move | str] = (),
    bypass: str | None = None,
    device: str = "cpu",
    progress: Callable[[float], None] = lambda done: None,
) -> AuditionResult:
    """Render a design and its candidates in one batch, match their levels and compare them.

    Parameters
    ----------
    design : Design
        The reference.
    candidates : sequence of Candidate
        1 to 64, see :func:`vadist.audition.candidates.make_candidates`; none if ``taps`` is
        asked for.
    samples : (frames,) or (frames, channels)
        The dry take, full scale +-1.
    sample_rate_hz, full_scale_v, oversample, accuracy_db, threads, device
        As for :func:`vadist.rendering.arrays.render_candidates`.
    level : float
        Common loudness aimed at, LUFS; all come lower alike if a true peak would pass -1 dBTP.
    probe : Probe, optional
        Sine whose distortion is reported.
    taps : bool
        Whether to add the dry take and the reference after each block.
    through : Response, optional
        Impulse response through which every track is heard once more.
    moves : sequence of Move or str
        Knobs that are turned during the take, in all designs alike. What is compared besides the
        sound is of the knobs as the take begins.
    bypass : str, optional
        How the designs are bypassed.
    progress : called with the fraction done

    Returns
    -------
    AuditionResult

    Raises
    ------
    UsageError
        For a silent take or candidate, no candidates or too many.
    ConvergenceError
        If the circuit equations could not be solved.
    """
    if candidates or not taps:
        check_candidates(candidates)
    take = np.asarray(samples, dtype=float)
    if not take.size or not np.any(take):
        raise UsageError("the take is silent, so there is nothing to audition; choose another")
    probe = probe or Probe()
    turns = [parse_move(move) if isinstance(move, str) else move for move in moves]
    design = at_start(design, turns)
    candidates = [dataclasses.replace(c, design=at_start(c.design, turns)) for c in candidates]
    designs = [design, *(candidate.design for candidate in candidates)]
    found = [behaviour(design), *(_candidate_behaviour(c) for c in candidates)]
    distortions = _distortions(designs, probe, threads)
    results = render_candidates(
        designs, take, sample_rate_hz, full_scale_v=full_scale_v, oversample=oversample,
        accuracy_db=accuracy_db, threads=threads, moves=turns, bypass=bypass, device=device,
        progress=progress,
    )  # fmt: skip
    names = [f"reference: {design.name}", *(candidate.name for candidate in candidates)]
    volts = [without_rest(result) for result in results]
    blocks: dict[str, FloatArray] = {}
    if taps:
        blocks = signal_path(
            design, take, sample_rate_hz, full_scale_v=full_scale_v,
            oversample=results[0].method.oversample, threads=threads, moves=turns,
            bypass=bypass,
        ).named  # fmt: skip
    names, sounds = [*names, *blocks], [*volts, *blocks.values()]
    straight = len(names)
    if through is not None:
        sounds += [np.concatenate(list(through.through([track]))) for track in sounds]
        names += [f"{name}, through {through.name}" for name in names]
    match = match_levels(sounds, names, sample_rate_hz, level=level)
    matched = [
        track * 10.0 ** (gain / 20.0) for track, gain in zip(sounds, match.gains_db, strict=True)
    ]
    tracks = []
    for k, (name, track) in enumerate(zip(names, matched, strict=True)):
        rendered = k < len(designs)
        other = BLOCK if k < straight else THROUGH
        tracks.append(
            Track(
                name,
                REFERENCE if k == 0 else CANDIDATE if rendered else other,
                candidates[k - 1].changes if 0 < k < len(designs) else (),
                track,
                match.before[k],
                match.gains_db[k],
                match.true_peaks_dbtp[k],
                spectral_centroid_hz(track, sample_rate_hz),
                designs[k] if rendered else None,
                distortions[k] if rendered else None,
                found[k] if rendered else None,
                _compare(matched, found, k, sample_rate_hz) if 0 < k < len(designs) else None,
                results[k].diagnostics.error_db if rendered else None,
            )
        )
    bands = third_octave_levels(matched[0], sample_rate_hz).nominal_hz
    how = str(results[0].method)
    return AuditionResult(
        tuple(tracks), float(sample_rate_hz), full_scale_v, match, probe, bands, how,
        held_values(design, candidates),
    )  # fmt: skip


def _candidate_behaviour(candidate: Candidate) -> Behaviour:
    """Name the candidate whose circuit has no operating point: others may have one."""
    try:
        return behaviour(candidate.design)
    except VadistError as error:
        error.args = (f"{candidate.name}: {error}",)
        raise


def _compare(
    matched: Sequence[FloatArray], found: Sequence[Behaviour], k: int, rate_hz: float
) -> Comparison:
    reference, candidate = matched[0], matched[k]
    gain = float(np.vdot(reference, candidate) / np.vdot(candidate, candidate))
    before, after = (third_octave_levels(x, rate_hz).levels_db for x in (reference, candidate))
    floor = max(before.max(), after.max()) - _BAND_FLOOR_DB
    changes = np.full(len(before), np.nan)
    told = (before > floor) & (after > floor)
    changes[told] = after[told] - before[told]
    return Comparison(
        null_depth_db(reference, candidate), gain, after, changes, node_shifts(found[0], found[k])
    )


def _distortions(designs: Sequence[Design], probe: Probe, threads: int | None) -> list[Distortion]:
    """Response of each design to the probe, rendered as one batch."""
    sine = probe.samples()[:, None]
    designs = [design.on_a_still_supply() for design in designs]
    rendering = Rendering(designs, PROBE_RATE_HZ, len(sine), 1, array_window(sine), threads=threads)
    heard = rendering.whole()[:, :, 0, 0]
    count = int(AUDIO_BAND_HZ[1] / probe.frequency_hz)
    kept = round(PROBE_KEPT_S * PROBE_RATE_HZ)
    distortions = []
    for volts in heard[:, -kept:]:
        tone = harmonics(volts, PROBE_RATE_HZ, probe.frequency_hz, count)
        levels = np.zeros(10)
        levels[: min(count, 10)] = tone.levels_v[:10]
        if tone.levels_v[0] == 0.0:
            distortions.append(Distortion(math.nan, np.full(10, math.nan)))
            continue
        relative = 20.0 * np.log10(np.maximum(levels / tone.levels_v[0], 1e-10))
        distortions.append(Distortion(thd_fundamental(tone), relative))
    return distortions
