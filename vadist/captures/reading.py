"""Reading a capture from any file an oscilloscope, a sound card or NumPy leaves behind."""

import io
import lzma
import struct
import tokenize
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from vadist.audio_files import TakeReader
from vadist.captures.capture import Capture, Reading, scaled
from vadist.captures.delimited_text import MOST_CHANNELS, parse_text
from vadist.captures.rails import railed
from vadist.captures.text_table import LARGEST_TEXT_BYTES
from vadist.captures.time_axis import even_samples
from vadist.captures.units import named_unit
from vadist.errors import AudioFileError, CaptureError
from vadist.measure.records import FloatArray

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000.0, 1e10
_FEWEST_FRAMES = 32


def read_capture(path: str | Path, reading: Reading | None = None) -> Capture:
    """Read a bench recording.

    Parameters
    ----------
    path : str or Path
        Delimited text (also gzip), WAV or FLAC, ``.npy`` or ``.npz``. The content decides, not
        the name.
    reading : Reading, optional
        What the file does not tell.

    Returns
    -------
    Capture
        In volts; its notes tell what was understood.

    Raises
    ------
    CaptureError
        One line: what is wrong and where, or which option settles what is ambiguous.
    """
    wanted = reading or Reading()
    path = Path(path)
    place = str(path)
    head = _head(path)
    if head[:4] in (b"RIFF", b"RF64", b"RIFX", b"fLaC", b"FORM"):
        capture = _audio(path, wanted)
    elif head[:6] == b"\x93NUMPY":
        capture = _array(_load(path), place, wanted)
    elif head[:4] == b"PK\x03\x04":
        capture = _arrays(_load(path), place, wanted)
    else:
        if path.stat().st_size > LARGEST_TEXT_BYTES:
            raise CaptureError(
                f"{place}: is text of more than {LARGEST_TEXT_BYTES // 10**6} MB; cut it or save "
                "it as NumPy"
            )
        capture = parse_text(path.read_bytes(), place, wanted)
    return _checked(scaled(capture, wanted))


def _head(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise CaptureError(f"{path}: is a folder, not a capture")
        with path.open("rb") as file:
            head = file.read(16)
    except FileNotFoundError:
        raise CaptureError(f"{path}: no such file") from None
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read: {error.strerror}") from None
    except ValueError:
        raise CaptureError(f"{path}: holds a NUL character, which no name can") from None
    if not head:
        raise CaptureError(f"{path}: is empty")
    return head


def _audio(path: Path, reading: Reading) -> Capture:
    if reading.full_scale_v is None:
        raise CaptureError(
            f"{path}: an audio file does not tell volts; state --full-scale, such as 2.1V or 12dBu"
        )
    try:
        with TakeReader(path) as reader:
            samples = reader.read(reader.frames)
            rate_hz, kind = reader.sample_rate_hz, f"{reader.container} {reader.subtype}"
            integer = reader.subtype.startswith("PCM")
    except AudioFileError as error:
        raise CaptureError(str(error)) from None
    _require_channels(samples, str(path))
    # Integers end one step below full scale; two samples on end there are the converter's rail.
    at = (np.abs(samples) >= 1.0 - 2.0**-15) & integer
    rails = tuple("full scale" if (a[1:] & a[:-1]).any() else "" for a in at.T)
    names = tuple(f"CH{k + 1}" for k in range(samples.shape[1]))
    note = f"{kind}, full scale {reading.full_scale_v:.6g} V peak"
    volts = samples * reading.full_scale_v
    rate = reading.sample_rate_hz or float(rate_hz)
    return Capture(str(path), rate, names, volts, 0.0, (note,), rails=rails)


# What zipfile, its decompressors and NumPy's reader raise at bytes that are not theirs.
_DAMAGE = (
    ValueError, OSError, EOFError, MemoryError, OverflowError, NotImplementedError, RuntimeError,
    KeyError, TypeError, SyntaxError, struct.error, zlib.error, lzma.LZMAError, zipfile.BadZipFile,
    tokenize.TokenError,
)  # fmt: skip


def _load(path: Path) -> Any:
    """Open a NumPy file; nothing of it is executed and nothing is allocated before it is there."""
    try:
        with path.open("rb") as file:
            if file.read(4) != b"PK\x03\x04":
                return np.array(np.load(path, mmap_mode="r", allow_pickle=False))
        with zipfile.ZipFile(path) as packed:
            if sum(item.file_size for item in packed.infolist()) > LARGEST_TEXT_BYTES:
                raise CaptureError(f"{path}: unpacks to more than {LARGEST_TEXT_BYTES // 10**6} MB")
            return {
                name.removesuffix(".npy"): np.lib.format.read_array(
                    io.BytesIO(packed.read(name)), allow_pickle=False
                )
                for name in packed.namelist()
            }
    except _DAMAGE as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise CaptureError(f"{path}: is damaged or cut short ({reason})") from None


def _array(array: Any, place: str, reading: Reading) -> Capture:
    if array.dtype.names:
        return _arrays({name: array[name] for name in array.dtype.names}, place, reading)
    if array.dtype.kind not in "fiu" or array.ndim not in (1, 2):
        raise CaptureError(
            f"{place}: must be real numbers, (frames,) or (frames, channels) (got {array.dtype} "
            f"{array.shape})"
        )
    if not array.size:
        raise CaptureError(f"{place}: holds no samples (its shape is {array.shape})")
    columns = array.reshape(len(array), -1)
    if reading.units:
        if len(reading.units) != columns.shape[1]:
            raise CaptureError(
                f"{place}: has {columns.shape[1]} columns, --units names {len(reading.units)}"
            )
        named = {f"CH{k + 1}_{unit}": columns[:, k] for k, unit in enumerate(reading.units)}
        return _arrays(named, place, reading)
    if array.dtype.kind != "f":
        raise CaptureError(f"{place}: holds whole numbers; state their --units")
    if reading.sample_rate_hz is None:
        raise CaptureError(f"{place}: an array does not tell its rate; state --rate or --units s,V")
    _require_channels(columns, place)
    names = tuple(f"CH{k + 1}" for k in range(columns.shape[1]))
    volts = np.asarray(columns, dtype=np.float64)
    return Capture(place, reading.sample_rate_hz, names, volts, 0.0, ("NumPy array, in volts",))


def _arrays(arrays: Mapping[str, Any], place: str, reading: Reading) -> Capture:
    """Named arrays: ``sample_rate_hz`` or a time, and channels whose names may end in a unit."""
    rate_hz = reading.sample_rate_hz
    times: list[FloatArray] = []
    channels: dict[str, FloatArray] = {}
    for key, array in arrays.items():
        if array.dtype.kind not in "fiu" or array.ndim > 1:
            raise CaptureError(f"{place}: {key} must be real numbers (frames,) (got {array.shape})")
        if key in ("sample_rate_hz", "sample_rate"):
            if array.size != 1:
                raise CaptureError(f"{place}: {key} must be one number (got {array.shape})")
            rate_hz = rate_hz or float(array.item())
            continue
        name, unit = named_unit(key)
        kind, factor = unit or ("time" if key.lower() in ("time", "t") else "volts", 1.0)
        values = np.asarray(array, dtype=np.float64).ravel() * factor
        if kind == "time":
            times.append(values)
        else:
            channels[name if name not in channels else key] = values
    lengths = {len(values) for values in [*times, *channels.values()]}
    if not channels or len(lengths) != 1 or len(times) > 1:
        raise CaptureError(f"{place}: must hold channels of one length and at most one time")
    volts = np.stack(list(channels.values()), axis=1)
    _require_channels(volts, place)
    start_s, notes = 0.0, ["NumPy arrays, in volts unless their names tell otherwise"]
    if rate_hz is None:
        if not times:
            raise CaptureError(f"{place}: tells no sample_rate_hz and no time; state --rate")
        _require_finite(np.column_stack([times[0], volts]), place, ("time", *channels))
        rows = np.arange(1, len(times[0]) + 1)
        rate_hz, start_s, volts, mended = even_samples(times[0], volts, rows, place)
        notes += mended
    return Capture(place, rate_hz, tuple(channels), volts, start_s, tuple(notes))


def _require_channels(volts: FloatArray, place: str) -> None:
    if not 1 <= volts.shape[1] <= MOST_CHANNELS:
        raise CaptureError(
            f"{place}: must have 1 to {MOST_CHANNELS} channels, one a column (got {volts.shape[1]})"
        )


def _require_finite(volts: FloatArray, place: str, names: tuple[str, ...]) -> None:
    if not np.isfinite(volts).all():
        row, column = np.argwhere(~np.isfinite(volts))[0]
        raise CaptureError(f"{place}: {names[column]}: sample {row} is {volts[row, column]}")


def _checked(capture: Capture) -> Capture:
    """Refuse what cannot be compared."""
    _require_finite(capture.volts, capture.name, capture.channels)
    if len(capture.volts) < _FEWEST_FRAMES:
        raise CaptureError(
            f"{capture.name}: has {len(capture.volts)} samples, needs at least {_FEWEST_FRAMES}"
        )
    if not LOWEST_RATE_HZ <= capture.sample_rate_hz <= HIGHEST_RATE_HZ:
        raise CaptureError(
            f"{capture.name}: sample rate must be {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz "
            f"(got {capture.sample_rate_hz:g} Hz)"
        )
    rails = tuple(
        known or railed(channel)
        for known, channel in zip(
            capture.rails or [""] * len(capture.channels), capture.volts.T, strict=True
        )
    )
    facts = (
        f"{len(capture.channels)} channel{'s' if len(capture.channels) > 1 else ''} "
        f"({', '.join(capture.channels)}), {len(capture.volts)} samples at "
        f"{capture.sample_rate_hz:.6g} Hz, {capture.seconds * 1e3:.4g} ms"
    )
    return replace(capture, rails=rails).noted(facts)
