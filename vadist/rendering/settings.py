"""Everything about a file render but the design and the paths."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

AUTO = "auto"
"""A tail as long as the render takes to die away."""

_LEFT_OUT = ("threads", "overwrite", "gain")


@dataclass(frozen=True)
class FileSettings:
    """Everything about a file render but the design and the paths.

    Attributes
    ----------
    full_scale_v : float
        Peak volts of a full-scale sample of the take.
    output_full_scale_v : float or None
        The same for the output; None: as the take.
    oversample, accuracy_db, threads : see :func:`vadist.rendering.arrays.render`
    normalise : tuple of (kind, level) or None
        ``("peak", dBFS)`` or ``("loudness", LUFS)``; None keeps calibrated volts. Loudness gives
        way where true peaks would pass -1 dBTP.
    subtype : str
        ``PCM_16``, ``PCM_24`` or ``FLOAT``.
    overwrite : bool
    from_power_up : bool
        Whether the take begins as the supply is switched on.
    moves : tuple of str
        Knobs that are turned and switches that are thrown during the take, as
        :attr:`vadist.designs.moves.Move.text`.
    bypass : str
        How designs are bypassed, as :attr:`vadist.designs.contacts.Bypass.text`.
    channels : tuple of int or None
        Channels of the take to render, from 1; None: all.
    tail : float or str
        Seconds to render on after the end of the take; :data:`AUTO`: until it has died away.
    dither : bool
        Whether PCM gets dither before it is rounded.
    through : str or None
        Impulse response, a file or ``roll-off``, to write a second output through.
    gain : float or None
        Factor that several renders share, instead of normalising each by itself.
    session : str or None
        Mark of the renders that share it.
    """

    full_scale_v: float = 1.0
    output_full_scale_v: float | None = None
    oversample: int | None = None
    accuracy_db: float | None = None
    threads: int | None = None
    normalise: tuple[str, float] | None = None
    subtype: str = "PCM_24"
    overwrite: bool = False
    from_power_up: bool = False
    moves: tuple[str, ...] = ()
    bypass: str = "true"
    channels: tuple[int, ...] | None = None
    tail: float | str = 0.0
    dither: bool = False
    through: str | None = None
    gain: float | None = None
    session: str | None = None

    @property
    def heard_full_scale_v(self) -> float:
        """Volts of a full-scale sample of the output."""
        return self.output_full_scale_v or self.full_scale_v

    @property
    def audible(self) -> dict[str, Any]:
        """Those that make an output what it is, as a sidecar holds them."""
        return audible(dataclasses.asdict(self))


def audible(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Settings that make an output what it is, as JSON holds them.

    A shared gain follows from the mark of those that share it.
    """
    return {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in settings.items()
        if name not in _LEFT_OUT
    }
