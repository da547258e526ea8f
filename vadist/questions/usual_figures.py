"""Figures that a change is looked at by when nothing else is asked for."""

from vadist.designs.design import Design
from vadist.population.figure_names import Figure

GAIN_HZ = 1e3
"""Where mid-band gain is read (common practice)."""

LEVEL_V = 0.1
"""Peak volts of a plucked string from a pickup."""

OF_THE_WHOLE = (
    Figure("", "gain", GAIN_HZ),
    Figure("", "bass cut"),
    Figure("", "treble cut"),
    Figure("", "level", LEVEL_V),
    Figure("", "THD", LEVEL_V),
    Figure("", "noise"),
    Figure("", "supply current"),
)


def usual_figures(design: Design) -> list[Figure]:
    """Rest and gain of every block; gain, corners, level, distortion, noise and current of all.

    >>> from vadist import load_design
    >>> print(*usual_figures(load_design("treble_boost"))[:3], sep=", ")
    boost rest, boost gain at 1kHz, volume rest
    """
    blocks = [Figure(stage, kind, at) for stage in design.stages if stage not in design.bypassed
              for kind, at in (("rest", 0.0), ("gain", GAIN_HZ))]  # fmt: skip
    return [*blocks, *OF_THE_WHOLE]
