"""How finely a take is stepped, and the choice of it.

A run is held against one an octave finer, every section's rate doubled: that is the truth as far
as it matters to it, for what remains of its error is at most a quarter.
"""

from dataclasses import dataclass

from vadist.stepping.resampling import default_oversample

MOST_OVERSAMPLE = 256


@dataclass(frozen=True, order=True)
class Method:
    """How a take is rendered.

    Attributes
    ----------
    oversample : int
        Factor of the rate at which the take enters; sections step at multiples of it.
    """

    oversample: int

    @property
    def finer(self) -> int:
        """Factor of the run that the error is told by."""
        return 2 * self.oversample

    def __str__(self) -> str:
        return f"{self.oversample}x"


def methods(sample_rate_hz: float) -> list[Method]:
    """Methods that a wanted accuracy is sought among, in order of cost.

    They begin at the default factor, for all rates pass through it.
    """
    factor = default_oversample(sample_rate_hz)
    return [Method(factor << k) for k in range(4) if factor << k <= MOST_OVERSAMPLE]
