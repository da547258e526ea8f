"""The desk behind the page: a design, a take, and whatever is asked of the design with settings."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.turning import figures
from vadist.turning.fields import Settings, blocks_of, fields_of, stepped, with_settings
from vadist.turning.loop import Loop
from vadist.turning.sounds import Sound, sound_of

_KEPT = 6


class Superseded(Exception):  # noqa: N818 - it is no error: something newer is wanted
    """Raised in work that nobody waits for any more."""


@dataclass(frozen=True)
class Told:
    """A sound, and what is told beside it.

    Attributes
    ----------
    sound : Sound
    settled : bool
        Whether the loop fits at all its seams; a draft does not yet.
    blocks : tuple of str
        What was stepped anew.
    passes : int
    """

    sound: Sound
    settled: bool
    blocks: tuple[str, ...]
    passes: int


class Desk:
    """A design and a take, and what the page asks of them.

    Parameters
    ----------
    design : Design
        The reference.
    original : str
        TOML it stems from.
    volts : (frames, channels)
        The take at the input.
    sample_rate_hz : float
    oversample, threads : int, optional
    """

    def __init__(
        self,
        design: Design,
        original: str,
        volts: FloatArray,
        sample_rate_hz: float,
        *,
        oversample: int | None = None,
        threads: int | None = None,
    ) -> None:
        self.design, self.original = design, original
        self.sample_rate_hz, self.threads, self.oversample = sample_rate_hz, threads, oversample
        self.volts = volts
        self._loop = Loop(volts, sample_rate_hz, oversample=oversample, threads=threads)
        self._loop.learn(design)
        self._stepping = threading.Lock()
        self._told: OrderedDict[tuple[tuple[str, str], ...], Told] = OrderedDict()
        self.reference = self.sound({})

    def changed(self, settings: Settings) -> Design:
        """The design with settings; an operating point that is none is told as it is met."""
        return with_settings(self.design, settings)

    def sound(
        self,
        settings: Settings,
        *,
        draft: bool = False,
        wanted: Callable[[], None] = lambda: None,
    ) -> Told:
        """The loop through the design with settings.

        Parameters
        ----------
        settings : mapping of path -> text
        draft : bool
            Whether a loop that has not settled yet will do.
        wanted : callable
            Raises if nobody waits for it any more.

        Raises
        ------
        DesignError, ConvergenceError, Superseded
        """
        design, key = self.changed(settings), tuple(sorted(settings.items()))
        with self._stepping:
            wanted()
            held = self._told.get(key)
            if held is None or not (held.settled or draft):
                heard = self._loop.render(design, wanted, draft=draft)
                sound = sound_of(heard.volts, self.sample_rate_hz)
                held = Told(sound, heard.settled, heard.blocks, heard.passes)
                self._told[key] = held
            self._told.move_to_end(key)
            while len(self._told) > _KEPT:
                self._told.popitem(last=False)
        return held

    def heard(self, told: Told) -> dict[str, Any]:
        """What the page is told of a sound, but for its samples."""
        matched, short = told.sound.gain_db(self.reference.sound, matched=True)
        true, held_back = told.sound.gain_db(self.reference.sound, matched=False)
        volts = told.sound.volts
        return {
            "frames": len(volts), "channels": volts.shape[1], "rate": self.sample_rate_hz,
            "matched": round(matched, 3), "short": round(short, 2),
            "true": round(true, 3), "heldBack": round(held_back, 2),
            "loudness": None if told.sound.loudness == -float("inf")
            else round(told.sound.loudness, 2),
            "peak": round(told.sound.true_peak_db, 2),
            "settled": told.settled, "blocks": list(told.blocks), "passes": told.passes,
        }  # fmt: skip

    def stepped(self, settings: Settings, path: str, by: int, series: str) -> str:
        """Text of a value so many steps up or down."""
        return stepped(self.changed(settings), path, by, series)

    def fields(self, settings: Settings) -> dict[str, Any]:
        """Fields and blocks of the design with settings."""
        design = self.changed(settings)
        return {"fields": fields_of(design), "blocks": blocks_of(design)}

    def spectrum(self, settings: Settings) -> dict[str, Any] | None:
        """Spectrum of the loop, if it was rendered of late."""
        told = self._told.get(tuple(sorted(settings.items())))
        if told is None:
            return None
        return figures.spectrum(told.sound.volts, self.sample_rate_hz)
