"""How finely a take is stepped, and the choice of it.

A run is held against one an octave finer, every section's rate doubled: that is the truth as far
as it matters to it, for what remains of its error is at most a quarter.
"""

from dataclasses import dataclass

from vadist.stepping.resampling import default_oversample

MOST_OVERSAMPLE = 256


Block = tuple[str, ...]
"""Stages of a section, by which it is known in every candidate."""


@dataclass(frozen=True, order=True)
class Method:
    """How a take is rendered.

    Attributes
    ----------
    oversample : int
        Factor of the rate at which the take enters; sections step at multiples of it.
    sharper : tuple of tuple of str
        Sections, by their stages, that step twice as often as they usually do.
    """

    oversample: int
    sharper: tuple[Block, ...] = ()

    @property
    def finer(self) -> "Method":
        """The run that the error is told by."""
        return Method(2 * self.oversample, self.sharper)

    def __str__(self) -> str:
        twice = ", ".join(" to ".join(dict.fromkeys((b[0], b[-1]))) for b in self.sharper)
        return f"{self.oversample}x" + (f" ({twice} twice as often)" if twice else "")


def factors(sample_rate_hz: float) -> list[int]:
    """Factors that a wanted accuracy is sought among, in order of cost.

    They begin at the default, for all rates pass through it.
    """
    factor = default_oversample(sample_rate_hz)
    return [factor << k for k in range(4) if factor << k <= MOST_OVERSAMPLE]
