"""Corner frequencies of a design and of each of its blocks, and the parts that set them.

Two views of the same network, neither with a formula for any particular stage:

- *corners*, the -3 dB points of a stage's own response (output over input, loaded as it is, rails
  held), the figure that is read off a plot; those of the whole with rails as they move;
- *roots*, the poles (natural frequencies) and zeros of a section, the figure that a hand formula
  1/(2 pi R C) names.

A part's share is d ln f / d ln value: -1 says that 1 % more of it lowers the frequency by 1 %.
Every change of value solves the operating point anew, so a collector resistor's part in the
transistor's gain is counted.
"""

import math
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import (
    SolvedDesign,
    decibels,
    node_responses,
    solve_design,
    stage_responses,
)
from vadist.analysis.part_changes import pairs_of_changes, value_text
from vadist.analysis.roots import Pencil, root_shares, roots_of, section_pencils
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT

WHOLE = ""
"""Stage name under which the corners of the whole design are given."""

HALF_POWER_DB = 10.0 * math.log10(2.0)

LOWEST_HZ, HIGHEST_HZ = 1.0, 1e6
"""Corners outside are of no interest to a guitar and are not reported."""

_SCAN_HZ = np.geomspace(0.05, 2e7, 400)
_STEP = 1e-3
# Ratio by which a part is varied: central differences are then good to about 1e-6.
_SMALLEST_SHARE = 0.05


@dataclass(frozen=True)
class Share:
    """A part and how strongly it sets a frequency.

    Attributes
    ----------
    part : str
        ``stage.part``.
    value : str
        In the trade's notation.
    sensitivity : float
        d ln f / d ln value; for an op-amp of its gain-bandwidth, for a transistor of its current
        gain, for diodes of their saturation current.
    """

    part: str
    value: str
    sensitivity: float


@dataclass(frozen=True)
class Corner:
    """A -3 dB point.

    Attributes
    ----------
    stage : str
        Or :data:`WHOLE`.
    kind : str
        ``bass cut``, ``treble cut``, ``scoop from`` or ``scoop to``.
    frequency_hz : float
    reference_db : float
        What the 3 dB count from: the largest gain of the response.
    parts : tuple of Share
        The strongest first.
    """

    stage: str
    kind: str
    frequency_hz: float
    reference_db: float
    parts: tuple[Share, ...]


@dataclass(frozen=True)
class Root:
    """A pole or a zero.

    Attributes
    ----------
    stage : str
        Stage of the part with the largest share.
    kind : str
        ``pole`` or ``zero``.
    frequency_hz : float
        Magnitude over 2 pi.
    quality : float
        1/2 for a real root, more for a pair that rings.
    parts : tuple of Share
    """

    stage: str
    kind: str
    frequency_hz: float
    quality: float
    parts: tuple[Share, ...]


@dataclass(frozen=True)
class Corners:
    """All corners and roots of a design, in order of frequency within each stage."""

    corners: tuple[Corner, ...]
    roots: tuple[Root, ...]

    def of(self, stage: str) -> tuple[Corner, ...]:
        """Corners of one stage, or of :data:`WHOLE`."""
        return tuple(c for c in self.corners if c.stage == stage)


def find_corners(solved: SolvedDesign) -> Corners:
    """Find the corner frequencies of a design and the parts that set each.

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> found = find_corners(solve_design(load_design("boosted_hard_clipper")))
    >>> leg = [r for r in found.roots if r.stage == "gain" and r.kind == "pole"][0]
    >>> round(leg.frequency_hz), sorted(share.part for share in leg.parts[:2])
    (159, ['gain.leg_capacitor', 'gain.leg_resistor'])
    """
    crossings = _crossings(solved)
    frequencies = np.array([c.frequency_hz for c in crossings])
    references = np.array([c.reference_hz for c in crossings])
    stages = [c.stage for c in crossings]
    here = section_pencils(solved)
    roots = [roots_of(pencil, LOWEST_HZ, HIGHEST_HZ) for pencil in here]

    def levels(which: SolvedDesign, f: FloatArray) -> FloatArray:
        return _picked_levels(which, stages, f) - _picked_levels(which, stages, references)

    rise = 1e-4
    slopes = (
        levels(solved, frequencies * (1 + rise)) - levels(solved, frequencies / (1 + rise))
    ) / (2.0 * math.log1p(rise))
    shares: list[list[Share]] = [[] for _ in crossings]
    root_parts: list[list[list[Share]]] = [[[] for _ in found] for found in roots]
    for path, larger, smaller in pairs_of_changes(solved.network, _STEP):
        more, less = solve_design(solved.design, larger), solve_design(solved.design, smaller)
        text = value_text(solved.design, path)
        width = 2.0 * math.log1p(_STEP)
        moved = (levels(more, frequencies) - levels(less, frequencies)) / width
        for k, amount in enumerate(-moved / slopes):
            shares[k].append(Share(path, text, float(amount)))
        ends = zip(section_pencils(more), section_pencils(less), strict=True)
        for k, (upper, lower) in enumerate(ends):
            change = Pencil(here[k].kind, (upper.A - lower.A) / width, (upper.B - lower.B) / width)
            for r, amount in enumerate(root_shares(roots[k], change)):
                root_parts[k][r].append(Share(path, text, amount))
    corners = [
        Corner(c.stage, c.kind, c.frequency_hz, c.reference_db, _strongest(parts))
        for c, parts in zip(crossings, shares, strict=True)
    ]
    named = [
        _root(here[k].kind, root.value, root_parts[k][r])
        for k, found in enumerate(roots)
        for r, root in enumerate(found)
    ]
    order = {stage: k for k, stage in enumerate(solved.design.stages)}
    named.sort(key=lambda root: (order.get(root.stage, -1), root.frequency_hz))
    return Corners(tuple(corners), tuple(named))


@dataclass(frozen=True)
class _Crossing:
    stage: str
    kind: str
    frequency_hz: float
    reference_hz: float
    reference_db: float


def _picked(solved: SolvedDesign, frequencies_hz: FloatArray) -> dict[str, ComplexArray]:
    found = node_responses(solved, frequencies_hz)
    whole = found[solved.design.output] / found[INPUT]
    return {**stage_responses(solved, frequencies_hz), WHOLE: whole}


def _picked_levels(
    solved: SolvedDesign, stages: list[str], frequencies_hz: FloatArray
) -> FloatArray:
    """Level in nepers of the k-th stage at the k-th frequency."""
    found = _picked(solved, frequencies_hz)
    return np.array([math.log(abs(found[stage][k])) for k, stage in enumerate(stages)])


@dataclass(frozen=True)
class _Step:
    """Where a stage passes its -3 dB between two points of the scan.

    Attributes
    ----------
    stage : str
    place : int
        The lower of the two points.
    rising : bool
    reference_hz, reference_db : float
        Where the stage is loudest.
    """

    stage: str
    place: int
    rising: bool
    reference_hz: float
    reference_db: float


def _crossings(solved: SolvedDesign) -> list[_Crossing]:
    """-3 dB points: stepped over by a scan, narrowed, and named by what lies on either side."""
    steps = _scan(solved)
    found = _narrowed(solved, steps)
    return [
        _Crossing(step.stage, kind, hz, step.reference_hz, step.reference_db)
        for step, hz, kind in zip(steps, found, _kinds(steps), strict=True)
        if LOWEST_HZ <= hz <= HIGHEST_HZ
    ]


def _scan(solved: SolvedDesign) -> list[_Step]:
    """Steps over -3 dB from each stage's loudest point, a stage's in order of frequency."""
    steps = []
    for stage, response in _picked(solved, _SCAN_HZ).items():
        level = decibels(response)
        loudest = int(level.argmax())
        inside = level - level[loudest] + HALF_POWER_DB
        steps += [
            _Step(stage, int(k), bool(inside[k + 1] > 0.0), float(_SCAN_HZ[loudest]),
                  float(level[loudest]))
            for k in np.flatnonzero(np.diff(np.sign(inside)))
        ]  # fmt: skip
    return steps


def _narrowed(solved: SolvedDesign, steps: list[_Step]) -> list[float]:
    """Frequencies at which the steps cross, hertz, all by halving at once."""
    stages = [step.stage for step in steps]
    goals = np.array([step.reference_db - HALF_POWER_DB for step in steps])
    rising = np.array([step.rising for step in steps], dtype=bool)
    low = np.array([_SCAN_HZ[step.place] for step in steps])
    high = np.array([_SCAN_HZ[step.place + 1] for step in steps])
    for _ in range(44):
        middle = np.sqrt(low * high)
        level = _picked_levels(solved, stages, middle) * 20.0 / math.log(10.0)
        below = (level < goals) == rising
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return [float(hz) for hz in np.sqrt(low * high)]


def _kinds(steps: list[_Step]) -> list[str]:
    """What each step is: an end of the band, or a side of a dip between two steps of its stage."""
    kinds = []
    for k, step in enumerate(steps):
        before = [other.rising for other in steps[:k] if other.stage == step.stage]
        behind = [other.rising for other in steps[k + 1 :] if other.stage == step.stage]
        if step.rising:
            kinds.append("scoop to" if before and not before[-1] else "bass cut")
        else:
            kinds.append("scoop from" if behind and behind[0] else "treble cut")
    return kinds


def _strongest(parts: list[Share]) -> tuple[Share, ...]:
    counted = [share for share in parts if abs(share.sensitivity) >= _SMALLEST_SHARE]
    return tuple(sorted(counted, key=lambda share: -abs(share.sensitivity)))


def _root(kind: str, value: complex, parts: list[Share]) -> Root:
    named = _strongest(parts)
    stage = named[0].part.split(".")[0] if named else ""
    real = abs(value.imag) <= 1e-9 * abs(value)
    quality = 0.5 if real else abs(value) / (2.0 * abs(value.real))
    return Root(stage, kind, abs(value) / (2.0 * math.pi), quality, named)
