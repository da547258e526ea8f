"""The signal of a take along a design: dry, then after each block, in volts from rest."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.designs.moves import Move
from vadist.rendering.arrays import RenderResult, render

DRY = "the dry take"


@dataclass(frozen=True)
class SignalPath:
    """A take along a design.

    Attributes
    ----------
    volts : mapping of :data:`DRY` and stages -> (frames, channels)
        Volts from rest, in signal order.
    rendered : RenderResult
    """

    volts: dict[str, FloatArray]
    rendered: RenderResult

    @property
    def named(self) -> dict[str, FloatArray]:
        """The volts by what each is called: the dry take, after a block."""
        return {k if k == DRY else f"after {k}": volts for k, volts in self.volts.items()}


def signal_path(
    design: Design,
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    full_scale_v: float = 1.0,
    oversample: int | None = None,
    threads: int | None = None,
    moves: Sequence[Move] = (),
    bypass: str | None = None,
) -> SignalPath:
    """Render a take with every block tapped; see :func:`vadist.rendering.arrays.render`.

    They run by themselves: as outputs of a batch every candidate would pay for them.
    """
    take = np.asarray(samples, dtype=float)
    tapped = render(
        design, take, sample_rate_hz, full_scale_v=full_scale_v, oversample=oversample,
        taps=tuple(design.stages), threads=threads, moves=moves, bypass=bypass,
    )  # fmt: skip
    rests = tapped.stages
    dry = (take[:, None] if take.ndim == 1 else take) * full_scale_v
    after = {stage: volts - rests[stage].rest_v for stage, volts in tapped.taps.items()}
    return SignalPath({DRY: dry, **after}, tapped)


def without_rest(result: RenderResult) -> FloatArray:
    """Output less its DC volts, which are no sound."""
    return result.volts - tuple(result.stages.values())[-1].rest_v
