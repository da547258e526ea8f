"""Takes in, takes out: the only module that knows audio files.

Readers stream and refuse what would mislead: a file cut short, a sample that is no number, a
sample rate out of range. Writers write whole or not at all, see :mod:`vadist.files`. Every
failure is an :class:`~vadist.errors.AudioFileError` of one line that names the file.

Written files hold no date and no PEAK chunk: two equal renders are equal byte for byte. PCM is
rounded to the nearest step, with dither where that is asked for.
"""

import os
import stat
import struct
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any, BinaryIO, Self

import numpy as np
import numpy.typing as npt

from vadist.arrays import FloatArray
from vadist.errors import AudioFileError
from vadist.files import AnyPath, PartialFile, draft_path, refuse, same_file, told
from vadist.quantities import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from vadist.wave_chunks import AsRF64, Chunk, copy_with_chunks, is_bw64

__all__ = ["TakeReader", "TakeWriter", "same_file"]


MOST_CHANNELS = 64
BYTES_PER_SAMPLE = {
    "PCM_U8": 1,
    "PCM_S8": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DOUBLE": 8,
}
WRITABLE_SUBTYPES = ("PCM_16", "PCM_24", "FLOAT", "DOUBLE")
FLAC_SUBTYPES, MOST_FLAC_CHANNELS = ("PCM_16", "PCM_24"), 8  # what its format knows
READABLE_CONTAINERS = ("WAV", "WAVEX", "RF64", "FLAC", "AIFF")

WAV_LIMIT_BYTES = 2**32 - 2**16  # chunk sizes are 32-bit; a generous share is for the headers
# What recorders leave as size when they write to a pipe: from memory, not located.
UNFILLED_FROM, UNFILLED_ROUND = 0xFFFFFF00, 0x7FFFF000
SFC_SET_ADD_PEAK_CHUNK = 0x1050  # sndfile.h; the Python binding gives it no name
BLOCK_FRAMES = 4096


def _named(path: Path) -> str | bytes:
    """Return a path as soundfile opens it, also where its bytes are no text."""
    return os.fsencode(path) if os.name == "posix" else str(path)


def _check_format(path: Path, rate_hz: int, channels: int) -> None:
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        allowed = f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        raise refuse(path, f"sample rate must be {allowed} (got {rate_hz} Hz)")
    if not 1 <= channels <= MOST_CHANNELS:
        raise refuse(path, f"channels must be 1 to {MOST_CHANNELS} (got {channels})")


def _check_numbers(path: Path, samples: npt.NDArray[Any], first_frame: int) -> None:
    finite = np.isfinite(samples)
    if not finite.all():
        frame, channel = np.argwhere(~finite)[0]
        place = f"frame {first_frame + frame}, channel {channel + 1}"
        raise refuse(path, f"samples must be numbers (got {samples[frame, channel]} at {place})")


def _data_bytes(stream: BinaryIO, size: int) -> tuple[int, int] | None:
    """Bytes of samples that a RIFF, RF64 or AIFF header promises, and bytes that are there.

    None if the file is of another kind or its recorder left the size open.
    """
    form = stream.read(12)
    order = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">", b"FORM": ">"}.get(form[:4])
    if order is None or len(form) < 12:
        return None
    wide_length = None
    while len(header := stream.read(8)) == 8:
        tag, length = struct.unpack(f"{order}4sI", header)
        here = stream.tell()
        if tag == b"ds64":
            wide_length = int.from_bytes(stream.read(24)[8:16], "little")
        elif tag == b"SSND":
            skipped = 8 + int.from_bytes(stream.read(8)[:4], "big")
            return max(length - skipped, 0), max(size - here - skipped, 0)
        elif tag == b"data":
            if length == 0xFFFFFFFF and wide_length is not None:
                length = wide_length
            if length == UNFILLED_ROUND or UNFILLED_FROM <= length <= 0xFFFFFFFF:
                return None
            finished = struct.unpack(f"{order}I", form[4:8])[0] + 8 == size
            return length, 0 if finished and length == 0 else size - here
        stream.seek(here + length + length % 2)
    return None


def _decodable_frames(path: Path) -> int:
    """Count the frames the decoder yields before it ends or gives up.

    Below the Python binding, whose own reading seeks after each block and fails at such an end.
    """
    import soundfile

    reached = 0
    with soundfile.SoundFile(_named(path)) as file:
        room = soundfile._ffi.new("double[]", BLOCK_FRAMES * file.channels)
        while got := soundfile._snd.sf_readf_double(file._file, room, BLOCK_FRAMES):
            reached += int(got)
    return reached


class TakeReader:
    """Stream an audio file; use it in a ``with`` statement.

    Parameters
    ----------
    path : path
        WAV (also RF64 and extensible), AIFF or FLAC; 8, 16, 24, 32-bit integer, 32 or 64-bit float.

    Attributes
    ----------
    sample_rate_hz, channels, frames : int
        8000 to 384000 Hz; 1 to 64 channels; 0 frames is a take of nothing, not an error.
    subtype, container : str
        Sample format and file format as libsndfile names them, ``PCM_24`` and ``WAV`` say.

    Raises
    ------
    AudioFileError
        If the file is missing, no audio, out of range or shorter than its header promises.
    """

    def __init__(self, path: AnyPath) -> None:
        import soundfile

        self.path = Path(path)
        self._position = 0
        with told(self.path, "cannot be read"):
            status = self.path.stat()
            if not stat.S_ISREG(status.st_mode):
                kind = "a folder" if stat.S_ISDIR(status.st_mode) else "a device or a pipe"
                raise refuse(self.path, f"must be an audio file (it is {kind})")
            with self.path.open("rb") as stream:
                wide = is_bw64(stream)
                data = _data_bytes(stream, status.st_size)
        self._held = ExitStack()
        with told(self.path, "not an audio file that can be read"), self._held as held:
            named = held.enter_context(AsRF64(self.path)) if wide else _named(self.path)
            self._file = held.enter_context(soundfile.SoundFile(named))
            self._held = held.pop_all()
        file = self._file
        self.sample_rate_hz, self.channels = int(file.samplerate), int(file.channels)
        self.frames = int(file.frames)
        self.subtype, self.container = str(file.subtype), str(file.format)
        try:
            self._check(data)
        except BaseException:
            self._held.close()
            raise

    def _check(self, data: tuple[int, int] | None) -> None:
        if self.container not in READABLE_CONTAINERS or self.subtype not in BYTES_PER_SAMPLE:
            rule = "must be WAV, AIFF or FLAC of 8, 16, 24, 32-bit integers or 32, 64-bit floats"
            raise refuse(self.path, f"{rule} (got {self.container} {self.subtype})")
        _check_format(self.path, self.sample_rate_hz, self.channels)
        if data is not None:
            frame_bytes = self.channels * BYTES_PER_SAMPLE[self.subtype]
            promised, found = (count // frame_bytes for count in data)
            if found < promised or (promised == 0 and found):
                raise self._cut_short(promised, found)
        elif self.container == "FLAC":
            self._check_flac()

    def _check_flac(self) -> None:
        """A FLAC header may leave the count open, or promise frames that were lost."""
        if self.frames == np.iinfo(np.int64).max:
            self.frames = _decodable_frames(self.path)
            self._file._info.seekable = 0  # or each read ends by seeking to where it is
            return
        whole = False
        with suppress(RuntimeError):
            self._file.seek(max(self.frames - 1, 0))
            whole = len(self._file.read(1)) == min(self.frames, 1)
            self._file.seek(0)
        if not whole:
            raise self._cut_short(self.frames, _decodable_frames(self.path))

    def _cut_short(self, promised: int, found: int) -> AudioFileError:
        kind = "cut short" if found < promised else "never finished by its recorder"
        return refuse(self.path, f"{kind}: its header promises {promised} frames, found {found}")

    def read(self, count: int) -> FloatArray:
        """Read the next `count` (>= 0) frames; fewer only at the end of the take.

        Returns
        -------
        ndarray of float64, shape (frames, channels)
            Full scale is 1. A sample that is NaN or infinite raises an AudioFileError.
        """
        wanted = max(min(count, self.frames - self._position), 0)
        place = f"damaged between frames {self._position} and {self._position + wanted}"
        with told(self.path, place):
            block: FloatArray = self._file.read(wanted, dtype="float64", always_2d=True)
        if len(block) < wanted:
            raise self._cut_short(self.frames, self._position + len(block))
        _check_numbers(self.path, block, self._position)
        self._position += wanted
        return block

    def seek(self, frame: int) -> None:
        """Continue reading at `frame`, 0 to `frames`."""
        if not 0 <= frame <= self.frames:
            raise refuse(self.path, f"frame must be 0 to {self.frames} (got {frame})")
        with told(self.path, f"damaged before frame {frame}"):
            self._file.seek(frame)
        self._position = frame

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._held.close()


class TakeWriter:
    """Write a WAV or FLAC file whole or not at all; use it in a ``with`` statement.

    Parameters
    ----------
    path : path
        Target, ``.wav`` or ``.flac``; missing folders are made. A symbolic link is replaced, not
        followed.
    sample_rate_hz, channels : int
        8000 to 384000 Hz; 1 to 64.
    subtype : str
        ``PCM_16``, ``PCM_24``, ``FLOAT`` or ``DOUBLE``; FLAC takes the first two.
    overwrite : bool
        Whether an existing target may be replaced.
    frames : int, optional
        Frames to come, if known: a file that would pass 4 GiB is then written as RF64.
    chunks : sequence of Chunk
        To stand in front of the samples of a WAV; FLAC holds none, and leaves them out.
    dither_seed : int, optional
        Seed of dither of triangular density, two steps wide, added before PCM is rounded.
    before_commit : callable, optional
        Called with the whole draft, before it takes the target's place.

    Attributes
    ----------
    clipped_samples, peak : ndarray of int64, of float64, shape (channels,)
        FloatArray beyond full scale so far (PCM limits them, floats keep them); the largest
        magnitude so far, before limiting.

    Raises
    ------
    AudioFileError
        If the target cannot be written.

    Notes
    -----
    PCM is rint(2^(bits-1) x), limited to -2^(bits-1) .. 2^(bits-1)-1, so integer takes of no more
    bits pass unchanged; exactly +1 is stored one step lower and not counted. Dither is the
    difference of two uniform random numbers of a step each, which frees the mean and the power of
    the rounding error from the signal (Lipshitz, Wannamaker and Vanderkooy, J. Audio Eng. Soc. 40,
    1992); it does not depend on how the frames come in blocks.
    """

    def __init__(
        self,
        path: AnyPath,
        sample_rate_hz: int,
        channels: int,
        subtype: str = "PCM_24",
        overwrite: bool = False,
        *,
        frames: int | None = None,
        chunks: Sequence[Chunk] = (),
        dither_seed: int | None = None,
        before_commit: Callable[[Path], None] = lambda draft: None,
    ) -> None:
        self.path = Path(path)
        flac = self.path.suffix.lower() == ".flac"
        if not flac and self.path.suffix.lower() not in (".wav", ".wave"):
            raise refuse(self.path, "the name of a written take must end in .wav or .flac")
        if subtype not in WRITABLE_SUBTYPES:
            allowed = ", ".join(WRITABLE_SUBTYPES)
            raise refuse(self.path, f"subtype must be one of {allowed} (got {subtype})")
        if flac and (subtype not in FLAC_SUBTYPES or channels > MOST_FLAC_CHANNELS):
            rule = f"FLAC holds 16 or 24 bits and at most {MOST_FLAC_CHANNELS} channels"
            raise refuse(self.path, f"{rule} (got {subtype}, {channels} channels); write a .wav")
        _check_format(self.path, sample_rate_hz, channels)
        self.sample_rate_hz, self.channels, self.subtype = sample_rate_hz, channels, subtype
        self._frame_bytes = channels * BYTES_PER_SAMPLE[subtype]
        self._chunks = () if flac else tuple(chunks)
        self._room = WAV_LIMIT_BYTES - sum(len(chunk.written) for chunk in self._chunks)
        self._noise = None if dither_seed is None else np.random.default_rng(dither_seed)
        self._before_commit = before_commit
        long = (frames or 0) * self._frame_bytes > self._room
        self.container = "FLAC" if flac else "RF64" if long else "WAV"
        self.frames_written = 0
        self.clipped_samples = np.zeros(channels, dtype=np.int64)
        self.peak = np.zeros(channels)
        self._target = PartialFile(path, overwrite)

    def __enter__(self) -> Self:
        import soundfile

        form = (self.sample_rate_hz, self.channels, self.subtype, None, self.container)
        try:
            with told(self.path, "cannot be written"):
                self._target.partial.touch(exist_ok=False)  # the system says why a folder refuses
                self._file = soundfile.SoundFile(_named(self._target.partial), "w", *form)
            if self.container == "WAV":  # in RF64 there is none until this command adds it
                # Its PEAK chunk holds the time of day: without it equal takes are equal bytes.
                no_peak = (SFC_SET_ADD_PEAK_CHUNK, soundfile._ffi.NULL, soundfile._snd.SF_FALSE)
                soundfile._snd.sf_command(self._file._file, *no_peak)
        except BaseException:
            self._target.discard()
            raise
        return self

    def write(self, samples: FloatArray) -> None:
        """Append frames, an array of shape (frames, channels) with full scale 1."""
        block = np.asarray(samples, dtype=np.float64)
        if block.ndim != 2 or block.shape[1] != self.channels:
            shape = f"(frames, {self.channels}) (got {block.shape})"
            raise refuse(self.path, f"samples must have shape {shape}")
        _check_numbers(self.path, block, self.frames_written)
        total = self.frames_written + len(block)
        if self.container == "WAV" and total * self._frame_bytes > self._room:
            raise refuse(self.path, "passes 4 GiB; state the frames beforehand to write RF64")
        stored = np.ascontiguousarray(self._stored(block))
        with told(self.path, "cannot be written; is the disk full?"):
            self._file.write(stored)
        self.frames_written = total
        magnitude = np.abs(block)
        self.clipped_samples += np.count_nonzero(magnitude > 1.0, axis=0)
        self.peak = np.maximum(self.peak, magnitude.max(axis=0, initial=0.0))

    def _stored(self, block: FloatArray) -> npt.NDArray[Any]:
        """Samples as the file holds them; integers at the top of 32 bits, as libsndfile wants."""
        if self.subtype == "DOUBLE":
            return block
        if self.subtype == "FLOAT":
            largest = np.finfo(np.float32).max
            return np.clip(block, -largest, largest).astype(np.float32)
        bits = 8 * BYTES_PER_SAMPLE[self.subtype]
        full_scale = 2.0 ** (bits - 1)
        exact = block * full_scale
        if self._noise is not None:
            exact += np.diff(self._noise.random((*block.shape, 2)))[..., 0]
        steps = np.clip(np.rint(exact), -full_scale, full_scale - 1)
        return steps.astype(np.int32) << (32 - bits)

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            with suppress(RuntimeError) if kind else told(self.path, "cannot be written"):
                self._file.close()
            if kind is None:
                self._check_whole()
                self._add_chunks()
                self._before_commit(self._target.partial)
                self._target.commit()
        finally:
            self._target.discard()

    def _add_chunks(self) -> None:
        if not self._chunks:
            return
        plain = self._target.partial
        whole = draft_path(plain.parent)
        try:
            with told(self.path, "cannot be written; is the disk full?"):
                copy_with_chunks(plain, whole, self._chunks)
                whole.replace(plain)
        finally:
            with suppress(OSError):
                whole.unlink()

    def _check_whole(self) -> None:
        """Look at what is there: libsndfile does not report every short write."""
        rule = "cannot be written; is the disk full?"
        if self.container == "FLAC":
            with told(self.path, rule):
                found = _decodable_frames(self._target.partial)
            if found < self.frames_written:
                raise refuse(
                    self.path, f"{rule} ({found} of {self.frames_written} frames are there)"
                )
            return
        wanted = self.frames_written * self._frame_bytes
        size = self._target.partial.stat().st_size
        if size < wanted:
            raise refuse(self.path, f"{rule} ({size} of {wanted} bytes are there)")
