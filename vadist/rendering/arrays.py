"""Rendering arrays: a take through one design or many candidates."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.designs.contacts import parse_bypass
from vadist.designs.design import Design
from vadist.designs.moves import Move, parse_move
from vadist.errors import UsageError
from vadist.rendering.diagnostics import Diagnostics, StageRange
from vadist.rendering.method import Method
from vadist.rendering.spans import Rendering, array_window


@dataclass(frozen=True)
class RenderResult:
    """A rendered take.

    Attributes
    ----------
    volts : (frames, channels)
        Output of the design, volts.
    sample_rate_hz : float
    method : Method
        How it was rendered.
    taps : mapping of stage name -> (frames, channels)
        Volts after each stage asked for.
    stages : mapping of stage name -> StageRange
        How far each stage's output moved.
    diagnose : callable
        What :attr:`diagnostics` asks, once.
    """

    volts: FloatArray
    sample_rate_hz: float
    method: Method
    taps: dict[str, FloatArray]
    stages: dict[str, StageRange]
    diagnose: Callable[[], Diagnostics] = field(repr=False, compare=False)

    @cached_property
    def diagnostics(self) -> Diagnostics:
        """Method, error and effort; the passages that tell the error are run when first asked."""
        return self.diagnose()

    def __getstate__(self) -> dict[str, Any]:
        told = self.diagnostics
        return {**self.__dict__, "diagnose": partial(_told, told)}


def render(
    design: Design,
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    full_scale_v: float = 1.0,
    oversample: int | None = None,
    accuracy_db: float | None = None,
    taps: Sequence[str] = (),
    threads: int | None = None,
    from_power_up: bool = False,
    moves: Sequence[Move | str] = (),
    bypass: str | None = None,
) -> RenderResult:
    """Render a take through a design.

    Parameters
    ----------
    design : Design
    samples : (frames,) or (frames, channels)
        The dry take, full scale +-1. A take of one channel may be either; what comes back has two
        dimensions always, (frames, channels), unlike :meth:`vadist.stepping.processor.Processor
        .process`, which gives back the shape it is given.
    sample_rate_hz : float
        8000 to 384000.
    full_scale_v : float
        Peak volts of a full-scale sample.
    oversample : int, optional
        Factor; the default reaches at least 352.8 kHz.
    accuracy_db : float, optional
        Wanted numerical error, e.g. -90: the cheapest method whose estimate meets it is taken.
    taps : sequence of stage names
        Stages to hear besides the output.
    threads : int, optional
        Worker threads; all cores by default. The result does not depend on it.
    from_power_up : bool
        Whether the take begins as the supply is switched on, every capacitor empty, instead of at
        rest; its first frame is then one frame after that. It runs in one segment.
    moves : sequence of Move or str
        Controls that are turned during the take, as ``"drive=0.2@0s,0.9@2s"``; switches that are
        thrown, as ``"bypass=in@0s,out@1.5s"``.
    bypass : str, optional
        How the design is bypassed, see :func:`vadist.designs.contacts.parse_bypass`.

    Returns
    -------
    RenderResult
        With ``volts`` of (frames, channels), channels 1 for samples of one dimension.

    Raises
    ------
    UsageError
        For samples, rates or settings that cannot be used.
    ConvergenceError
        Naming stages, time and residual if the circuit equations could not be solved.

    Examples
    --------
    >>> import numpy as np
    >>> from vadist import load_design, render
    >>> result = render(load_design("treble_boost"), np.zeros(480), 48000)
    >>> result.volts.shape, float(abs(result.volts).max()) < 1e-9
    ((480, 1), True)
    """
    return render_candidates(
        [design], samples, sample_rate_hz, full_scale_v=full_scale_v, oversample=oversample,
        accuracy_db=accuracy_db, taps=taps, threads=threads, from_power_up=from_power_up,
        moves=moves, bypass=bypass,
    )[0]  # fmt: skip


def render_candidates(
    designs: Sequence[Design],
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    full_scale_v: float = 1.0,
    oversample: int | None = None,
    accuracy_db: float | None = None,
    taps: Sequence[str] = (),
    threads: int | None = None,
    from_power_up: bool = False,
    moves: Sequence[Move | str] = (),
    bypass: str | None = None,
    device: str = "cpu",
    progress: Callable[[float], None] = lambda done: None,
) -> list[RenderResult]:
    """Render one take through many candidates, side by side; see :func:`render`.

    With ``device="gpu"`` each is a thread of a graphics card, from the first frame to the last;
    the processor judges their errors.
    """
    volts = _as_take(samples) * full_scale_v
    window = array_window(volts)
    rendering = Rendering(
        designs, sample_rate_hz, len(volts), volts.shape[1], window, oversample=oversample,
        accuracy_db=accuracy_db, taps=taps, threads=threads, from_power_up=from_power_up,
        moves=[parse_move(move) if isinstance(move, str) else move for move in moves],
        bypass=None if bypass is None else parse_bypass(bypass),
        device=device,
    )  # fmt: skip
    heard = rendering.whole(progress)
    return [
        RenderResult(
            np.ascontiguousarray(heard[k, :, :, 0]),
            sample_rate_hz,
            rendering.method,
            {s: np.ascontiguousarray(heard[k, :, :, t + 1]) for t, s in enumerate(taps)},
            rendering.reached(k),
            partial(rendering.diagnostics, k),
        )
        for k in range(len(designs))
    ]


def _told(told: Diagnostics) -> Diagnostics:
    return told


def _as_take(samples: ArrayLike) -> FloatArray:
    take = np.asarray(samples, dtype=float)
    if take.ndim == 1:
        take = take[:, None]
    if take.ndim != 2 or take.shape[1] == 0:
        raise UsageError(f"samples must be (frames,) or (frames, channels) (got {take.shape})")
    if not np.isfinite(take).all():
        frame = int(np.flatnonzero(~np.isfinite(take).all(axis=1))[0])
        raise UsageError(f"samples must be finite (frame {frame} is not)")
    return take
