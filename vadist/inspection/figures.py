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
from vadist.analysis.corners import WHOLE, Corner, Root, find_corners
from vadist.analysis.noise import Noise, find_noise
from vadist.analysis.rails import Rails, find_rails
from vadist.analysis.resting import RestingStage, SupplyCurrent, resting_stages, supply_current
from vadist.designs.design import Design
from vadist.large_signal.headroom import Ladder, Rung, headroom_ladder
from vadist.large_signal.steady_sine import SteadySines, steady_sines

FREQUENCY_HZ = 220.0
"""A3, in the middle of the fretboard."""

LEVEL_V = 0.1
"""Peak volts of a plucked string from a pickup; 10 mV to 1 V are met."""

HOTTEST_V = 1.0
"""The most of those: how far the level of the pictures is raised for a design that stays clean."""

GAIN_HZ = 1e3
"""Where mid-band gain is read (common practice)."""

CONTROL_HZ = (100.0, 1e3, 5e3)
POSITIONS = (0.0, 0.25, 0.5, 0.75, 1.0)

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
    resting : RestingStage
    gain_db : float
        At :data:`GAIN_HZ`, output over input, loaded as it is.
    corners : tuple of Corner
    roots : tuple of Root
    level : Level
    limit : Rung
    """

    name: str
    kind: str
    job: str
    resting: RestingStage
    gain_db: float
    corners: tuple[Corner, ...]
    roots: tuple[Root, ...]
    level: Level
    limit: Rung


@dataclass(frozen=True)
class ControlGain:
    """Gain of the whole with one control at a position, the others where they are.

    Attributes
    ----------
    control : str
    position : float
    gain_db : tuple of float
        At :data:`CONTROL_HZ`.
    """

    control: str
    position: float
    gain_db: tuple[float, ...]


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
    which the output is heavily distorted, from :data:`LEVEL_V` to :data:`HOTTEST_V`.
    """

    design: Design
    frequency_hz: float
    level_v: float
    picture_level_v: float
    current: SupplyCurrent
    blocks: tuple[Block, ...]
    corners: tuple[Corner, ...]
    gain_db: float
    controls: tuple[ControlGain, ...]
    ladder: Ladder
    clean_up: CleanUp | None
    noise: Noise
    rails: Rails | None


def inspect_design(
    design: Design, frequency_hz: float = FREQUENCY_HZ, level_v: float | None = None
) -> Inspection:
    """Inspect a design.

    Parameters
    ----------
    design : Design
    frequency_hz : float
        Of the sine that levels and headroom are told for.
    level_v : float, optional
        Its peak volts at the input; :data:`LEVEL_V`, a typical note, by default.

    Raises
    ------
    UsageError
        If the frequency is not audible or the level not above 0 V.
    ConvergenceError

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> found = inspect_design(load_design("boosted_hard_clipper"))
    >>> [limit.stage for limit in found.ladder.rungs]
    ['clipper', 'gain', 'boost', 'buffer']
    """
    solved = solve_design(design)
    noise = find_noise(solved)
    asked_v, level_v = level_v, LEVEL_V if level_v is None else level_v
    sines = steady_sines(solved, frequency_hz, [level_v])
    ladder = headroom_ladder(solved, frequency_hz)
    chosen_v = min(max(ladder.output_heavy_v, LEVEL_V), HOTTEST_V)
    corners = find_corners(solved)
    resting = resting_stages(solved)
    gains = {k: float(decibels(h)[0]) for k, h in stage_responses(solved, [GAIN_HZ]).items()}
    limits = {limit.stage: limit for limit in ladder.limits}
    blocks = [
        Block(
            name, stage.type_name, _job(design, name), resting[name], gains[name], corners.of(name),
            tuple(r for r in corners.roots if r.stage == name), _level(sines, name), limits[name],
        )
        for name, stage in design.stages.items()
    ]  # fmt: skip
    return Inspection(
        design,
        frequency_hz,
        level_v,
        chosen_v if asked_v is None else asked_v,
        supply_current(solved),
        tuple(blocks),
        corners.of(WHOLE),
        float(_whole_db(solved, (GAIN_HZ,))[0]),
        control_gains(design),
        ladder,
        _clean_up(design, ladder, level_v),
        noise,
        find_rails(solved, noise),
    )


def _job(design: Design, stage: str) -> str:
    away = stage in design.bypassed
    return "bypassed: its input is wired to its output" if away else design.stages[stage].told_job


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


def _whole_db(solved: SolvedDesign, frequencies_hz: tuple[float, ...]) -> np.ndarray:
    found = node_responses(solved, np.array(frequencies_hz))
    return decibels(found[solved.design.output])


def control_gains(design: Design) -> tuple[ControlGain, ...]:
    """Gain of the whole at every position of every control."""
    rows = []
    for control in design.controls:
        for position in POSITIONS:
            turned = solve_design(design.with_value(control, position))
            gains = tuple(_whole_db(turned, CONTROL_HZ).tolist())
            rows.append(ControlGain(control, position, gains))
    return tuple(rows)


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
