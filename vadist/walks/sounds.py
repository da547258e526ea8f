"""What a walk lets one hear: along the path, without each block, each knob turned.

Every sound is kept in volts from rest and gets a gain to one loudness. True relative level is a
matter of the player: it takes those gains off again.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import solve_design
from vadist.arrays import FloatArray
from vadist.audition.matching import SILENCE_V, LevelMatch, match_levels
from vadist.audition.page.size import expected_bytes
from vadist.audition.path import signal_path
from vadist.designs.design import Design
from vadist.errors import UsageError, VadistError
from vadist.flac import MOST_CHANNELS
from vadist.quantities import format_quantity
from vadist.rendering.diagnostics import Diagnostics
from vadist.rendering.spans import Rendering, array_window

NOTCHES = (0.0, 0.5, 1.0)
"""Positions at which a knob is heard: minimum, noon, maximum."""

PATH_BITS, OTHER_BITS = 24, 16
"""Bits of the sounds along the path, and of those that only stand beside the whole."""

LIMIT_BYTES = 48_000_000
"""Most that the sound of a page may be expected to take: some twenty seconds of nine blocks."""


@dataclass(frozen=True)
class Sound:
    """Something to listen to.

    Attributes
    ----------
    name : str
    volts : (frames, channels)
        From rest.
    bits : int
        Of its samples in the page.
    level : float
        Loudness of those volts to 1 V, in the unit of the match; -inf if silent.
    gain_db : float
        Gain from volts to samples; 0 if silent.
    """

    name: str
    volts: FloatArray
    bits: int
    level: float = -np.inf
    gain_db: float = 0.0

    @property
    def silent(self) -> bool:
        """Whether there is nothing to be heard."""
        return is_silent(self.volts)

    @property
    def samples(self) -> FloatArray:
        """As it stands in the page, full scale 1."""
        return np.asarray(self.volts * 10.0 ** (self.gain_db / 20.0))


@dataclass(frozen=True)
class Sounds:
    """All sounds of a walk.

    Attributes
    ----------
    sample_rate_hz : float
    tracks : tuple of Sound
        The dry take and the signal after each block first.
    match : LevelMatch
        Of those that are not silent.
    without : mapping of stage -> number of a track
    turned : mapping of (control, position) -> number of a track
    problems : mapping of stage -> why it cannot be left out
    diagnostics : Diagnostics
        Of the whole as it is, with the volts every block reached.
    """

    sample_rate_hz: float
    tracks: tuple[Sound, ...]
    match: LevelMatch
    without: dict[str, int]
    turned: dict[tuple[str, float], int]
    problems: dict[str, str]
    diagnostics: Diagnostics

    @property
    def path(self) -> tuple[Sound, ...]:
        """The dry take and the signal after each block."""
        return tuple(track for track in self.tracks if track.bits == PATH_BITS)

    @property
    def whole(self) -> int:
        """Number of the track of the whole."""
        return len(self.path) - 1

    @property
    def seconds(self) -> float:
        """How long they are."""
        return len(self.tracks[0].volts) / self.sample_rate_hz


def is_silent(volts: FloatArray) -> bool:
    """Whether a signal stays below what circuits make of noise."""
    return float(np.abs(volts).max(initial=0.0)) < SILENCE_V


def check_take(design: Design, samples: FloatArray, sample_rate_hz: float) -> None:
    """Refuse, before any work, a take that no page could hold.

    Raises
    ------
    UsageError
    """
    if is_silent(samples):
        raise UsageError("the take is silent, so there is nothing to walk with; choose another")
    frames, channels = samples.shape
    if channels > MOST_CHANNELS:
        raise UsageError(f"take: at most {MOST_CHANNELS} channels fit a page (got {channels})")
    path = len(design.stages) + 1
    others = len(design.stages) + len(NOTCHES) * len(design.controls)
    size = expected_bytes(path * frames * channels, PATH_BITS)
    size += expected_bytes(others * frames * channels, OTHER_BITS)
    if size > LIMIT_BYTES:
        seconds = frames / sample_rate_hz
        most_s = int(10.0 * LIMIT_BYTES / size * seconds) / 10.0
        raise UsageError(
            f"take: {path + others} sounds of {format_quantity(seconds, 's')} would make the page "
            f"some {size / 1e6:.0f} MB, at most {LIMIT_BYTES / 1e6:.0f} MB are built; "
            f"--length {most_s:g}s would do"
        )


def hear(
    design: Design,
    samples: FloatArray,
    sample_rate_hz: float,
    *,
    full_scale_v: float = 1.0,
    oversample: int | None = None,
    threads: int | None = None,
    progress: Callable[[float], None] = lambda done: None,
) -> Sounds:
    """Render all that a walk lets one hear.

    Parameters
    ----------
    design : Design
    samples : (frames, channels)
        The dry take, full scale +-1.
    sample_rate_hz, full_scale_v, oversample, threads
        As for :func:`vadist.rendering.arrays.render`.
    progress : called with the fraction done

    Raises
    ------
    UsageError
        For a take that is silent or too long.
    ConvergenceError
        If the circuit equations could not be solved.
    """
    check_take(design, samples, sample_rate_hz)
    path = signal_path(
        design, samples, sample_rate_hz, full_scale_v=full_scale_v, oversample=oversample,
        threads=threads,
    )  # fmt: skip
    progress(0.2)

    def rendered(designs: Sequence[Design]) -> list[FloatArray]:
        frames, channels = samples.shape
        rendering = Rendering(
            designs, sample_rate_hz, frames, channels, array_window(samples * full_scale_v),
            oversample=oversample, threads=threads,
        )  # fmt: skip
        heard = rendering.whole(lambda done: progress(0.2 + 0.8 * done))
        rests = [solve_design(design).node_v[design.output] for design in designs]
        return [heard[k, :, :, 0] - rest_v for k, rest_v in enumerate(rests)]

    tracks = [Sound(name, volts, PATH_BITS) for name, volts in path.named.items()]
    whole = len(tracks) - 1
    turned = {
        (name, notch): whole
        for name, knob in design.controls.items()
        for notch in NOTCHES
        if knob.position == notch
    }
    knobs = [(n, p) for n in design.controls for p in NOTCHES if (n, p) not in turned]
    others = {place: design.with_value(*place) for place in knobs}
    absent, problems = _absent(design)
    found = side_by_side(rendered, [*absent.values(), *others.values()])
    without: dict[str, int] = {}
    for stage, volts in zip(absent, found, strict=False):
        if isinstance(volts, str):
            problems[stage] = volts
            continue
        without[stage] = len(tracks)
        tracks.append(Sound(f"the whole without {stage}", volts, OTHER_BITS))
    for (name, notch), volts in zip(others, found[len(absent) :], strict=True):
        if isinstance(volts, str):
            continue
        turned[name, notch] = len(tracks)
        tracks.append(Sound(f"the whole with {name} {notch:g}", volts, OTHER_BITS))
    matched, match = _matched(tracks, sample_rate_hz)
    return Sounds(
        float(sample_rate_hz), matched, match, without, turned, problems, path.rendered.diagnostics
    )


def _absent(design: Design) -> tuple[dict[str, Design], dict[str, str]]:
    """The design without each block that is there, and why some cannot be left out."""
    found, problems = {}, {}
    for stage in design.stages:
        if stage in design.bypassed:
            continue
        left = design.with_value(stage, "none")
        try:
            left.network()
        except VadistError as error:
            problems[stage] = str(error).splitlines()[0]
        else:
            found[stage] = left
    return found, problems


def side_by_side(
    rendered: Callable[[Sequence[Design]], list[FloatArray]], designs: Sequence[Design]
) -> list[FloatArray | str]:
    """Render designs side by side; where one cannot be solved, each alone, to find which.

    Parameters
    ----------
    rendered : callable
        Renders designs, raising what is wrong.
    designs : sequence of Design

    Returns
    -------
    list of volts, or of why there are none
    """
    try:
        return [*rendered(designs)]
    except VadistError:
        found: list[FloatArray | str] = []
        for design in designs:
            try:
                found += rendered([design])
            except VadistError as error:
                found.append(str(error).splitlines()[0])
        return found


def _matched(
    tracks: Sequence[Sound], sample_rate_hz: float
) -> tuple[tuple[Sound, ...], LevelMatch]:
    """Give every sound that is not silent its gain to the common loudness."""
    loud = [k for k, track in enumerate(tracks) if not track.silent]
    match = match_levels(
        [tracks[k].volts for k in loud], [tracks[k].name for k in loud], sample_rate_hz
    )
    found = list(tracks)
    for k, level, gain in zip(loud, match.before, match.gains_db, strict=True):
        track = tracks[k]
        found[k] = Sound(track.name, track.volts, track.bits, level, gain)
    return tuple(found), match
