"""Everything worth knowing of a design before it is soldered, in one result.

The blocks are taken in signal order, as a person would explain a schematic; what concerns the
whole (headroom, controls, noise, current) follows.
"""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from vadist.analysis.chain_response import (
    SolvedDesign,
    decibels,
    node_responses,
    solve_design,
    stage_responses,
)
from vadist.analysis.corners import Corner, Corners, Root, Share, find_corners
from vadist.analysis.crossings import GAIN_HZ, WHOLE
from vadist.analysis.impedances import Impedances, block_impedances
from vadist.analysis.loops import Loop, find_loops
from vadist.analysis.noise import Noise, find_noise
from vadist.analysis.rails import Rails, find_rails
from vadist.analysis.resting import RestingStage, SupplyCurrent, resting_stages, supply_current
from vadist.designs.design import Design
from vadist.inspection.controls import CONTROL_HZ, ControlPosition, control_positions, whole_db
from vadist.inspection.jobs import Place, told_job
from vadist.inspection.without import Absence, absences
from vadist.large_signal.describing_function import LevelCorners, clips, corners_at_levels
from vadist.large_signal.headroom import Ladder, Rung, headroom_ladder
from vadist.large_signal.low_fifth import LowFifth, low_fifth
from vadist.large_signal.steady_sine import SOURCE, SteadySines, steady_sines

FREQUENCY_HZ = 220.0
"""A3, in the middle of the fretboard."""

LEVEL_V = 0.1
"""Peak volts of a plucked string from a pickup; 10 mV to 1 V are met."""

HOTTEST_V = 1.0
"""The most of those: how far the level of the pictures is raised for a design that stays clean."""

CORNER_LEVELS_V = (0.01, 0.1, 1.0)
"""Peak volts at the input at which a clipper's corner is told: what pickups give."""

_STEERS_DB = 1.0
# A control that moves the level at a limiting stage by less only loads it.


@dataclass(frozen=True)
class Level:
    """A stage's output for the typical input.

    Attributes
    ----------
    low_v, high_v : float
        Lowest and highest deviation from rest.
    distortion, added_distortion : float
        THD_F of the signal, and of what the stage adds itself, as ratios.
    second, third : float
        Harmonics over the fundamental, as ratios.
    """

    low_v: float
    high_v: float
    distortion: float
    added_distortion: float
    second: float
    third: float

    @property
    def asymmetry(self) -> float:
        """(upper - lower peak) / (upper + lower peak): 0 for equal half-waves."""
        span = self.high_v - self.low_v
        return (self.high_v + self.low_v) / span if span else 0.0


@dataclass(frozen=True)
class Block:
    """One stage.

    Attributes
    ----------
    name, kind, job : str
        The job is told from the figures below.
    resting : RestingStage
    gain_db : float
        At 1 kHz, output over input, loaded as it is.
    gain_parts : tuple of Share
        What sets the gain.
    input_ohm, output_ohm : float or None
        Magnitudes of the impedances at 1 kHz; infinite where no current flows; None if bypassed.
    corners : tuple of Corner
    roots : tuple of Root
    level : Level
    limit : Rung
    by_level : tuple of LevelCorners
        Of a block that clips: its corners at :data:`CORNER_LEVELS_V` at the design's input.
    """

    name: str
    kind: str
    job: str
    resting: RestingStage
    gain_db: float
    gain_parts: tuple[Share, ...]
    input_ohm: float | None
    output_ohm: float | None
    corners: tuple[Corner, ...]
    roots: tuple[Root, ...]
    level: Level
    limit: Rung
    by_level: tuple[LevelCorners, ...]


@dataclass(frozen=True)
class CleanUp:
    """The design with every control that drives a limiting stage turned to its low end.

    Attributes
    ----------
    settings : mapping of control -> position
    ladder : Ladder
    distortion : float
        THD_F at the output for the typical input.
    """

    settings: dict[str, float]
    ladder: Ladder
    distortion: float


@dataclass(frozen=True)
class Inspection:
    """What :func:`inspect_design` finds.

    ``picture_level_v`` is the level of traces and spectra: the one asked for, or else the one at
    which the output is heavily distorted, from :data:`LEVEL_V` to :data:`HOTTEST_V`. ``without``
    is empty unless it was asked for.
    """

    design: Design
    frequency_hz: float
    level_v: float
    picture_level_v: float
    current: SupplyCurrent
    blocks: tuple[Block, ...]
    corners: tuple[Corner, ...]
    gain_db: float
    gain_parts: tuple[Share, ...]
    controls: tuple[ControlPosition, ...]
    ladder: Ladder
    clean_up: CleanUp | None
    noise: Noise
    rails: Rails | None
    loops: tuple[Loop, ...]
    low_fifth: LowFifth
    without: tuple[Absence, ...]


def inspect_design(
    design: Design,
    frequency_hz: float = FREQUENCY_HZ,
    level_v: float | None = None,
    *,
    without: bool = False,
) -> Inspection:
    """Inspect a design.

    Parameters
    ----------
    design : Design
    frequency_hz : float
        Of the sine that levels and headroom are told for.
    level_v : float, optional
        Its peak volts at the input; :data:`LEVEL_V`, a typical note, by default.
    without : bool
        Whether to leave out each block in turn, too.

    Raises
    ------
    UsageError
        If the frequency is not audible or the level not above 0 V.
    ConvergenceError

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> found = inspect_design(load_design("treble_boost"))
    >>> [limit.stage for limit in found.ladder.rungs]
    ['boost']
    """
    solved = solve_design(design)
    noise = find_noise(solved)
    asked_v, level_v = level_v, LEVEL_V if level_v is None else level_v
    sines = steady_sines(solved, frequency_hz, [level_v, *CORNER_LEVELS_V])
    ladder = headroom_ladder(solved, frequency_hz)
    chosen_v = min(max(ladder.output_heavy_v, LEVEL_V), HOTTEST_V)
    corners = find_corners(solved)
    return Inspection(
        design,
        frequency_hz,
        level_v,
        chosen_v if asked_v is None else asked_v,
        supply_current(solved),
        blocks_of(solved, sines, ladder, corners),
        corners.of(WHOLE),
        float(whole_db(solved, (GAIN_HZ,))[0]),
        corners.gains[WHOLE],
        control_positions(design, frequency_hz),
        ladder,
        _clean_up(design, ladder, level_v),
        noise,
        find_rails(solved, noise),
        find_loops(solved),
        low_fifth(solved, level_v),
        absences(design, frequency_hz, level_v) if without else (),
    )


def blocks_of(
    solved: SolvedDesign, sines: SteadySines, ladder: Ladder, corners: Corners
) -> tuple[Block, ...]:
    """Every block, from what was found of the whole.

    Parameters
    ----------
    solved : SolvedDesign
    sines : SteadySines
        At the level of a typical note, then at :data:`CORNER_LEVELS_V`.
    ladder : Ladder
    corners : Corners
    """
    design, resting = solved.design, resting_stages(solved)
    gains = {k: float(decibels(h)[0]) for k, h in stage_responses(solved, [GAIN_HZ]).items()}
    limits = {limit.stage: limit for limit in ladder.limits}
    impedances = block_impedances(solved, [GAIN_HZ])
    before, blocks = SOURCE, []
    for name, stage in design.stages.items():
        seen = impedances.get(name)
        limit = limits[name]
        rest_before = 0.0 if before == SOURCE else resting[before].output_v
        place = Place(
            solved.network.input_v if before == SOURCE else rest_before,
            max(gains, key=lambda other: gains[other]) == name,
            tuple(ladder.rungs).index(limit) if limit in ladder.rungs else None,
            clips(solved, name),
        )
        block = Block(
            name, stage.type_name, "", resting[name], gains[name], corners.gains[name],
            _ohms(seen, "input_ohm"), _ohms(seen, "output_ohm"), corners.of(name),
            tuple(r for r in corners.roots if r.stage == name), _level(sines, name), limit,
            _by_level(solved, sines, before, name) if place.clips and seen else (),
        )  # fmt: skip
        blocks.append(dataclasses.replace(block, job=told_job(block, place, design)))
        before = name
    return tuple(blocks)


def _ohms(seen: Impedances | None, end: str) -> float | None:
    return None if seen is None else float(np.abs(getattr(seen, end)[0]))


def _by_level(
    solved: SolvedDesign, sines: SteadySines, before: str, stage: str
) -> tuple[LevelCorners, ...]:
    """Corners of a clipper at what each of the levels brings to its input."""
    inputs_v = np.abs(sines.spectrum(before)[0])[1:]
    return corners_at_levels(solved, stage, [float(volts) for volts in inputs_v]) or ()


def _level(sines: SteadySines, stage: str) -> Level:
    low, high = sines.peaks(stage)
    lines = np.abs(sines.spectrum(stage)[:, 0])
    third = lines[2] if len(lines) > 2 else 0.0
    fundamental = max(lines[0], 1e-300)
    return Level(
        float(low[0]), float(high[0]),
        float(sines.distortion(stage)[0]), float(sines.added_distortion(stage)[0]),
        float(lines[1] / fundamental), float(third / fundamental),
    )  # fmt: skip


def _clean_up(design: Design, ladder: Ladder, level_v: float) -> CleanUp | None:
    """Turn down whatever drives the stages of the ladder, and look again."""
    nodes = [f"{limit.stage}.output" for limit in ladder.rungs]
    settings: dict[str, float] = {}
    for control in design.controls:
        low, high = (
            node_responses(solve_design(design.with_value(control, end)), [ladder.frequency_hz])
            for end in (0.0, 1.0)
        )
        moved = [float((decibels(high[n]) - decibels(low[n]))[0]) for n in nodes]
        largest = max(moved, key=abs, default=0.0)
        if abs(largest) > _STEERS_DB:
            settings[control] = 0.0 if largest > 0.0 else 1.0
    if not settings:
        return None
    for control, position in settings.items():
        design = design.with_value(control, position)
    solved = solve_design(design)
    sines = steady_sines(solved, ladder.frequency_hz, [level_v])
    last = tuple(design.stages)[-1]
    return CleanUp(
        settings,
        headroom_ladder(solved, ladder.frequency_hz),
        float(sines.distortion(last)[0]),
    )


def as_json(found: Inspection) -> dict[str, Any]:
    """Return an inspection as plain data for :mod:`json`; what never happens is null."""
    data = {
        field.name: getattr(found, field.name)
        for field in dataclasses.fields(found)
        if field.name != "design"
    }
    supply = found.design.supply
    head = {
        "design": found.design.name,
        "description": found.design.description,
        "supply_v": supply.volts,
        "bias_v": supply.bias_v,
        "positions": {name: knob.position for name, knob in found.design.controls.items()},
        "gain_hz": GAIN_HZ,
        "control_hz": CONTROL_HZ,
    }
    plain = _plain({**head, **data})
    for block, entry in zip(found.blocks, plain["blocks"], strict=True):
        entry["level"]["asymmetry"] = _plain(block.level.asymmetry)
    return dict(plain)


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
