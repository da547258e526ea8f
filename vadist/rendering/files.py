"""Take in, take out: a render from file to file, with a sidecar that tells how it was made."""

import dataclasses
import hashlib
import importlib.metadata
import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vadist.arrays import FloatArray
from vadist.audio_files import TakeReader, TakeWriter, same_file, write_text_atomically
from vadist.designs.design import Design
from vadist.designs.files import write_design
from vadist.errors import AudioFileError, UsageError
from vadist.files import clear_old_drafts, draft_path, told
from vadist.measure.loudness import LoudnessMeter
from vadist.measure.true_peak import CEILING_DBTP, TruePeakMeter
from vadist.names import printable
from vadist.rendering.diagnostics import Diagnostics
from vadist.rendering.passages import PASSAGE_S
from vadist.rendering.spans import Rendering

OUTPUT_SUFFIXES = (".wav", ".flac")

_BLOCK_FRAMES = 1 << 16

_SILENT_V = 1e-9
# A silent take leaves rounding of about 1e-14 V, which must not be scaled up to full scale.


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


@dataclass(frozen=True)
class FileReport:
    """What a file render produced.

    Attributes
    ----------
    output, sidecar : Path
    peak_v : float
        Largest output volts.
    gain_db : float
        Gain applied by normalising.
    missed_db : float
        How far the loudness stays below the one asked for, because of true peaks.
    clipped_samples : int
        Samples beyond full scale of the output file.
    diagnostics : Diagnostics
    """

    output: Path
    sidecar: Path
    peak_v: float
    gain_db: float
    missed_db: float
    clipped_samples: int
    seconds: float
    diagnostics: Diagnostics


def sidecar_path(output: Path) -> Path:
    """Where the sidecar of an output stands."""
    return output.with_name(output.name + ".json")


def check_output(take: Path, output: Path, *, overwrite: bool) -> None:
    """Refuse, before any work, an output that would cost somebody a file.

    Raises
    ------
    AudioFileError
    """
    if same_file(take, output):
        raise AudioFileError(f"{printable(output)}: is a take to render; give another --out")
    if not overwrite and (there := existing([output])):
        raise AudioFileError(f"{printable(there[0])}: exists; give another --out or --overwrite")
    if output.suffix.lower() not in OUTPUT_SUFFIXES:
        raise AudioFileError(f"{printable(output)}: output is WAV or FLAC; name it .wav or .flac")


def existing(outputs: Iterable[Path]) -> list[Path]:
    """Those of some outputs and their sidecars that are there already.

    Raises
    ------
    AudioFileError
        If one cannot be looked for: its name is too long, say.
    """
    found = []
    for output in outputs:
        for path in (output, sidecar_path(output)):
            with told(path, "cannot be written"):
                found += [path] if path.exists() else []
    return found


def render_file(
    design: Design,
    take: Path,
    output: Path,
    settings: FileSettings,
    progress: Callable[[float], None] = lambda done: None,
) -> FileReport:
    """Render one take to one WAV or FLAC and its sidecar.

    Raises
    ------
    AudioFileError, UsageError, ConvergenceError
        With nothing left behind.
    """
    check_output(take, output, overwrite=settings.overwrite)
    with TakeReader(take) as reader:
        if reader.frames == 0:
            raise AudioFileError(f"{printable(take)}: holds no samples")
        if settings.normalise is not None and settings.normalise[0] == "loudness":
            LoudnessMeter(reader.sample_rate_hz, reader.channels)  # refuses before the work
        rendering = Rendering(
            [design], reader.sample_rate_hz, reader.frames, reader.channels,
            file_window(reader, settings.full_scale_v), oversample=settings.oversample,
            accuracy_db=settings.accuracy_db, threads=settings.threads,
            from_power_up=settings.from_power_up,
        )  # fmt: skip
        full_scale_v = settings.output_full_scale_v or settings.full_scale_v
        if settings.normalise is None:
            gain, missed_db, volts = 1.0, 0.0, _rendered(rendering, progress)
            peak_v, clipped = _write(volts, output, reader, settings, 1.0 / full_scale_v)
        else:
            clear_old_drafts(output.parent)
            draft = draft_path(output.parent, "draft.wav")
            try:
                volts = _rendered(rendering, progress)
                exact = dataclasses.replace(settings, subtype="DOUBLE", overwrite=True)
                peak_v, _ = _write(volts, draft, reader, exact, 1.0)
                gain, missed_db = _gain(draft, peak_v, full_scale_v, settings.normalise)
                scale = gain / full_scale_v
                if scale * peak_v > 1.0:  # by rounding alone: a gain for 0 dBFS
                    scale = math.nextafter(1.0 / peak_v, 0.0)
                with TakeReader(draft) as again:
                    _, clipped = _write(_blocks(again), output, reader, settings, scale)
            finally:
                with suppress(OSError):  # it may be missing, on a disk that is read-only
                    draft.unlink()
        report = FileReport(
            output,
            sidecar_path(output),
            peak_v,
            20.0 * math.log10(gain),
            missed_db,
            clipped,
            reader.frames / reader.sample_rate_hz,
            rendering.diagnostics(0),
        )
        described = _describe(design, reader, settings, report, full_scale_v)
    try:
        text = json.dumps(described, indent=2) + "\n"
        write_text_atomically(report.sidecar, text, overwrite=settings.overwrite)
    except BaseException:
        # Without its sidecar an output is not finished; one that replaced another is kept.
        if not settings.overwrite:
            output.unlink(missing_ok=True)
        raise
    return report


def file_window(reader: TakeReader, full_scale_v: float) -> Callable[[int, int], FloatArray]:
    """Window onto a take on disk, in volts, zero outside its ends."""

    def window(first: int, last: int) -> FloatArray:
        low, high = max(first, 0), min(last, reader.frames)
        held = np.zeros((last - first, reader.channels))
        if low < high:
            reader.seek(low)
        for at in range(low, high, _BLOCK_FRAMES):
            until = min(at + _BLOCK_FRAMES, high)
            held[at - first : until - first] = reader.read(until - at) * full_scale_v
        return held

    return window


def _rendered(rendering: Rendering, progress: Callable[[float], None]) -> Iterator[FloatArray]:
    """Output volts of the first candidate in blocks; a span is let go before the next begins."""
    spans = rendering.spans(progress)
    while (span := next(spans, None)) is not None:
        for first in range(0, span.shape[1], _BLOCK_FRAMES):
            yield span[0, first : first + _BLOCK_FRAMES, :, 0].copy()
        del span


def _write(
    blocks: Iterator[FloatArray],
    output: Path,
    reader: TakeReader,
    settings: FileSettings,
    scale: float,
) -> tuple[float, int]:
    """Write volts times ``scale``; the largest |volts| and the clipped samples are returned."""
    peak = 0.0
    with TakeWriter(
        output, reader.sample_rate_hz, reader.channels, settings.subtype,
        overwrite=settings.overwrite, frames=reader.frames,
    ) as writer:  # fmt: skip
        for volts in blocks:
            peak = max(peak, float(np.abs(volts).max(initial=0.0)))
            writer.write(volts * scale)
    return peak, int(np.sum(writer.clipped_samples))


def _blocks(reader: TakeReader) -> Iterator[FloatArray]:
    while len(block := reader.read(_BLOCK_FRAMES)):
        yield block


def _gain(
    draft: Path, peak_v: float, full_scale_v: float, normalise: tuple[str, float]
) -> tuple[float, float]:
    """Gain that normalises, and by how many dB true peaks keep the loudness below the wanted."""
    kind, level = normalise
    if peak_v < _SILENT_V:
        raise UsageError("a silent render cannot be normalised")
    if kind == "peak":
        return float(10.0 ** (level / 20.0) * full_scale_v / peak_v), 0.0
    with TakeReader(draft) as reader:
        meter = LoudnessMeter(reader.sample_rate_hz, reader.channels)
        peaks = TruePeakMeter(reader.sample_rate_hz, reader.channels)
        for block in _blocks(reader):
            meter.add(block / full_scale_v)
            peaks.add(block / full_scale_v)
    loudness = meter.integrated()
    if not math.isfinite(loudness):
        raise UsageError("the render is too quiet or too short to measure its loudness")
    wanted_db = level - loudness
    gain_db = min(wanted_db, CEILING_DBTP - peaks.dbtp())
    return float(10.0 ** (gain_db / 20.0)), wanted_db - gain_db


def _sha256(path: Path) -> str:
    with told(path, "cannot be read"), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _describe(
    design: Design,
    reader: TakeReader,
    settings: FileSettings,
    report: FileReport,
    full_scale_v: float,
) -> dict[str, object]:
    """Sidecar contents: enough to make the output again.

    Byte for byte on one family of processors; on another, linear algebra may round the last bit
    of a coefficient the other way.
    """
    found = report.diagnostics
    packages: Sequence[str] = ("vadist", "numpy", "scipy", "numba", "soxr", "soundfile")
    return {
        "made_with": {name: importlib.metadata.version(name) for name in packages},
        "take": {
            "file": str(reader.path),
            "sha256": _sha256(reader.path),
            "sample_rate_hz": reader.sample_rate_hz,
            "frames": reader.frames,
            "channels": reader.channels,
            "subtype": reader.subtype,
        },
        "output": {
            "file": report.output.name,
            "subtype": settings.subtype,
            "full_scale_v": full_scale_v,
            "peak_v": report.peak_v,
            "normalising_gain_db": report.gain_db,
            "loudness_missed_db": report.missed_db,
            "clipped_samples": report.clipped_samples,
        },
        "settings": dataclasses.asdict(settings),
        "method": {
            "oversample": found.method.oversample,
            "sharper_sections": [list(block) for block in found.method.sharper],
            "error_estimate_db": found.error_db,
            "worst_passage": {
                "error_estimate_db": found.error.worst_db,
                "begins_s": found.error.worst_s,
                "seconds": PASSAGE_S,
                "channel": found.error.worst_channel + 1,
            },
        },
        "stages": {name: dataclasses.asdict(reach) for name, reach in found.stages.items()},
        "newton": [dataclasses.asdict(section) for section in found.sections],
        "seams": {
            "segments": found.segments,
            "checked": found.seams,
            "mended": found.seams_mended,
            "largest_difference_v": found.seam_v,
        },
        "design": write_design(design),
    }
