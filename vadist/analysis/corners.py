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

from vadist.analysis.chain_response import SolvedDesign, solve_design
from vadist.analysis.crossings import (
    GAIN_HZ,
    HIGHEST_HZ,
    LOWEST_HZ,
    WHOLE,
    find_crossings,
    picked_levels,
    picked_responses,
)
from vadist.analysis.part_changes import pairs_of_changes, value_text
from vadist.analysis.roots import Pencil, root_shares, roots_of, section_pencils
from vadist.arrays import FloatArray

_STEP = 1e-3
# Ratio by which a part is varied: central differences are then good to about 1e-6.
_SMALLEST_SHARE = 0.05


@dataclass(frozen=True)
class Share:
    """A part and how strongly it sets a frequency or a gain.

    Attributes
    ----------
    part : str
        ``stage.part``.
    value : str
        In the trade's notation.
    sensitivity : float
        d ln f / d ln value, or of a gain; for an op-amp of its gain-bandwidth, for a transistor of
        its current gain, for diodes of their saturation current.
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
    """All corners and roots of a design, in order of frequency within each stage.

    ``gains`` holds the parts behind each stage's gain, and that of :data:`WHOLE`, at
    :data:`GAIN_HZ`: d ln gain / d ln value.
    """

    corners: tuple[Corner, ...]
    roots: tuple[Root, ...]
    gains: dict[str, tuple[Share, ...]]

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
    crossings = find_crossings(solved)
    frequencies = np.array([c.frequency_hz for c in crossings])
    references = np.array([c.reference_hz for c in crossings])
    stages = [c.stage for c in crossings]
    places = [*solved.design.stages, WHOLE]
    gains: dict[str, list[Share]] = {place: [] for place in places}
    here = section_pencils(solved)
    roots = [roots_of(pencil, LOWEST_HZ, HIGHEST_HZ) for pencil in here]

    def levels(which: SolvedDesign, f: FloatArray) -> FloatArray:
        return picked_levels(which, stages, f) - picked_levels(which, stages, references)

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
        for place, amount in zip(places, (_gains(more) - _gains(less)) / width, strict=True):
            gains[place].append(Share(path, text, float(amount)))
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
    told = {place: _strongest(parts) for place, parts in gains.items()}
    return Corners(tuple(corners), tuple(named), told)


def _gains(solved: SolvedDesign) -> FloatArray:
    """Gain of every stage and of the whole in nepers."""
    found = picked_responses(solved, np.array([GAIN_HZ]), (*solved.design.stages, WHOLE))
    return np.array([math.log(max(abs(h[0]), 1e-300)) for h in found.values()])


def _strongest(parts: list[Share]) -> tuple[Share, ...]:
    counted = [share for share in parts if abs(share.sensitivity) >= _SMALLEST_SHARE]
    return tuple(sorted(counted, key=lambda share: -abs(share.sensitivity)))


def _root(kind: str, value: complex, parts: list[Share]) -> Root:
    named = _strongest(parts)
    stage = named[0].part.split(".")[0] if named else ""
    real = abs(value.imag) <= 1e-9 * abs(value)
    quality = 0.5 if real else abs(value) / (2.0 * abs(value.real))
    return Root(stage, kind, abs(value) / (2.0 * math.pi), quality, named)
