"""A take as it is rendered: the channels chosen, in volts, with what is to be told of it."""

import hashlib
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Self

import numpy as np

from vadist.arrays import FloatArray
from vadist.audio_files import TakeReader
from vadist.errors import AudioFileError, UsageError
from vadist.files import told
from vadist.names import printable
from vadist.rendering.levels import Level, LevelMeter
from vadist.rendering.settings import FileSettings
from vadist.wave_chunks import Chunk, read_chunks

BLOCK_FRAMES = 1 << 16


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Raises
    ------
    AudioFileError
    """
    with told(path, "cannot be read"), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class Source:
    """A take on disk as settings want it heard; use it in a ``with`` statement.

    Parameters
    ----------
    take : Path
    settings : FileSettings

    Attributes
    ----------
    reader : TakeReader
    channels : int
        Of the render.

    Raises
    ------
    AudioFileError
        If the take cannot be read or holds no samples.
    UsageError
        If it has not the channels that are wanted.
    """

    def __init__(self, take: Path, settings: FileSettings) -> None:
        self.reader = TakeReader(take)
        self._full_scale_v = settings.full_scale_v
        chosen = settings.channels
        try:
            if self.reader.frames == 0:
                raise AudioFileError(f"{printable(take)}: holds no samples")
            if chosen is not None and max(chosen) > self.reader.channels:
                raise UsageError(
                    f"{printable(take)}: has {self.reader.channels} channels, "
                    f"and no number {max(chosen)}"
                )
        except BaseException:
            self.reader.__exit__()
            raise
        self._columns = None if chosen is None else [number - 1 for number in chosen]
        self.channels = self.reader.channels if chosen is None else len(chosen)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.reader.__exit__()

    def _read(self, frames: int) -> FloatArray:
        block = self.reader.read(frames)
        return (block if self._columns is None else block[:, self._columns]) * self._full_scale_v

    def window(self, first: int, last: int) -> FloatArray:
        """Frames first..last in volts, (frames, channels), zero outside the take."""
        low, high = max(first, 0), min(last, self.reader.frames)
        held = np.zeros((last - first, self.channels))
        if low < high:
            self.reader.seek(low)
        for at in range(low, high, BLOCK_FRAMES):
            until = min(at + BLOCK_FRAMES, high)
            held[at - first : until - first] = self._read(until - at)
        return held

    def _blocks(self) -> Iterator[FloatArray]:
        self.reader.seek(0)
        while len(block := self._read(BLOCK_FRAMES)):
            yield block

    @cached_property
    def level(self) -> Level:
        """Level of the take at its full scale; true peaks are not measured."""
        rate = self.reader.sample_rate_hz
        meter = LevelMeter(rate, self.channels, self._full_scale_v, true_peaks=False)
        for block in self._blocks():
            meter.add(block)
        return meter.level()

    @cached_property
    def sha256(self) -> str:
        """Of the whole file."""
        return sha256_of(self.reader.path)

    @cached_property
    def chunks(self) -> tuple[Chunk, ...]:
        """What stands beside its samples and goes with them."""
        return read_chunks(self.reader.path)
