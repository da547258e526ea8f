"""Take in, take out: a render from file to file, with a sidecar that tells how it was made."""

import dataclasses
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vadist.arrays import FloatArray
from vadist.audio_files import BYTES_PER_SAMPLE, TakeReader, TakeWriter, same_file
from vadist.designs.contacts import parse_bypass
from vadist.designs.design import Design
from vadist.designs.moves import parse_move
from vadist.errors import AudioFileError
from vadist.files import clear_old_drafts, draft_path, told, write_text_atomically
from vadist.measure.loudness import LoudnessMeter
from vadist.names import file_words, printable, short_stem
from vadist.rendering.diagnostics import Diagnostics
from vadist.rendering.levels import Gain, Level, LevelMeter, level_of, normalising_gain
from vadist.rendering.report import FileReport
from vadist.rendering.settings import AUTO, FileSettings
from vadist.rendering.sidecars import made_with, sidecar_path, sidecar_text
from vadist.rendering.sources import BLOCK_FRAMES, Source, sha256_of
from vadist.rendering.spans import Rendering
from vadist.rendering.through import Response, load_response
from vadist.wave_chunks import coding_line, rendered

OUTPUT_SUFFIXES = (".wav", ".flac")

LONGEST_TAIL_S = 10.0
"""What a tail of its own accord lasts at most: coupling capacitors have emptied by then."""

TAIL_DB = -90.0
"""Where it ends: below the render's own peak by this."""

_TAIL_GRAIN = 1024


def through_path(output: Path, through: str) -> Path:
    """Where what is heard through a response stands: beside the output that is not.

    >>> through_path(Path("renders/riff.wav"), "cabinets/dark one.wav").name
    'riff--through=dark_one.wav'
    """
    stem = short_stem(f"{output.stem}--through={file_words(Path(through).stem)}")
    return output.with_name(f"{stem}{output.suffix}")


def outputs_of(output: Path, settings: FileSettings) -> list[Path]:
    """What a render writes besides sidecars."""
    second = [] if settings.through is None else [through_path(output, settings.through)]
    return [output, *second]


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
    """Render one take to one WAV or FLAC and its sidecar; with ``through`` to a second as well.

    Raises
    ------
    AudioFileError, UsageError, ConvergenceError
        With nothing left behind.
    """
    for each in outputs_of(output, settings):
        check_output(take, each, overwrite=settings.overwrite)
    with Source(take, settings) as source:
        rendering = rendering_of(design, source, settings)
        levelled = settings.normalise is None or settings.gain is not None
        if levelled and settings.through is None and settings.tail != AUTO:
            voice = Voice(
                output, rendering.frames, lambda: rendered_blocks(rendering, progress),
                lambda: rendering.diagnostics(0),
            )  # fmt: skip
            return _write(design, source, settings, voice, Gain(settings.gain or 1.0))
        clear_old_drafts(output.parent)
        draft = draft_path(output.parent, "draft.wav")
        try:
            write_draft(rendering, source, draft, progress)
            voices = voices_of(source, settings, draft, output, rendering.diagnostics(0))
            return finish(design, source, settings, voices)
        finally:
            with suppress(OSError):  # it may be missing, on a disk that is read-only
                draft.unlink()


def rendering_of(design: Design, source: Source, settings: FileSettings) -> Rendering:
    """A take's rendering, its tail included."""
    rate = source.reader.sample_rate_hz
    if settings.normalise is not None and settings.normalise[0] == "loudness":
        LoudnessMeter(rate, source.channels)  # refuses before the work
    if settings.through is not None:
        load_response(settings.through, rate, source.channels)  # so does this
    tail_s = LONGEST_TAIL_S if isinstance(settings.tail, str) else settings.tail
    return Rendering(
        [design], rate, source.reader.frames + round(tail_s * rate), source.channels,
        source.window, oversample=settings.oversample, accuracy_db=settings.accuracy_db,
        threads=settings.threads, from_power_up=settings.from_power_up,
        moves=[parse_move(move) for move in settings.moves],
        bypass=parse_bypass(settings.bypass),
    )  # fmt: skip


def rendered_blocks(
    rendering: Rendering, progress: Callable[[float], None]
) -> Iterator[FloatArray]:
    """Output volts of the first candidate in blocks; a span is let go before the next begins."""
    spans = rendering.spans(progress)
    while (span := next(spans, None)) is not None:
        for first in range(0, span.shape[1], BLOCK_FRAMES):
            yield span[0, first : first + BLOCK_FRAMES, :, 0].copy()
        del span


def write_draft(
    rendering: Rendering, source: Source, draft: Path, progress: Callable[[float], None]
) -> None:
    """Write a render as exact volts."""
    with TakeWriter(
        draft, source.reader.sample_rate_hz, source.channels, "DOUBLE", frames=rendering.frames
    ) as writer:
        for volts in rendered_blocks(rendering, progress):
            writer.write(volts)


@dataclass(frozen=True)
class Voice:
    """One output of a render.

    Attributes
    ----------
    output : Path
    frames : int
    volts : callable
        What was rendered, in blocks.
    diagnostics : callable
        What it says of itself, once the volts were taken.
    response : Response or None
        What it is heard through.
    rest_v : float
        Volts at rest; a loudspeaker passes none.
    """

    output: Path
    frames: int
    volts: Callable[[], Iterator[FloatArray]]
    diagnostics: Callable[[], Diagnostics]
    response: Response | None = None
    rest_v: float = 0.0

    def blocks(self) -> Iterator[FloatArray]:
        """What is heard, in blocks of volts."""
        heard = self.volts()
        if self.response is not None:
            heard = self.response.through(block - self.rest_v for block in heard)
        return _first(heard, self.frames)

    def level(self, source: Source, full_scale_v: float) -> Level:
        """How loud it is before any gain."""
        rate = source.reader.sample_rate_hz
        return level_of(self.blocks(), rate, source.channels, full_scale_v)


def voices_of(
    source: Source,
    settings: FileSettings,
    draft: Path,
    output: Path,
    diagnostics: Diagnostics,
) -> list[Voice]:
    """Outputs of a draft: the render itself, and what is heard of it through a response."""
    responses: list[Response | None] = [None]
    if settings.through is not None:
        rate = source.reader.sample_rate_hz
        responses.append(load_response(settings.through, rate, source.channels))
    rest_v = tuple(diagnostics.stages.values())[-1].rest_v
    with TakeReader(draft) as reader:
        frames = reader.frames
    voices = []
    for response, each in zip(responses, outputs_of(output, settings), strict=True):
        voice = Voice(each, frames, lambda: _blocks(draft), lambda: diagnostics, response, rest_v)
        if settings.tail == AUTO:
            ends = _dies_away(voice.blocks(), 0.0 if response else rest_v)
            voice = dataclasses.replace(voice, frames=max(ends, source.reader.frames))
        voices.append(voice)
    return voices


def finish(
    design: Design,
    source: Source,
    settings: FileSettings,
    voices: Sequence[Voice],
    levels: Sequence[Level] | None = None,
    gains: Sequence[Gain] | None = None,
) -> FileReport:
    """Write the voices of a draft.

    Parameters
    ----------
    design, source, settings, voices
    levels : sequence of Level, optional
        Of the voices, if they are known.
    gains : sequence of Gain, optional
        That each voice shares with others; else each is normalised by itself.
    """
    full_scale_v = settings.heard_full_scale_v
    reports = []
    for k, voice in enumerate(voices):
        used = settings if voice.response else dataclasses.replace(settings, through=None)
        level, gain = None if levels is None else levels[k], Gain(settings.gain or 1.0)
        if gains is not None:
            gain = gains[k]
            used = dataclasses.replace(used, gain=gain.factor)
        elif settings.normalise is not None and settings.gain is None:
            level = level or voice.level(source, full_scale_v)
            gain = normalising_gain([level], full_scale_v, settings.normalise)
        reports.append(_write(design, source, used, voice, gain, level))
    return dataclasses.replace(reports[0], through=reports[1] if len(reports) > 1 else None)


def _write(
    design: Design,
    source: Source,
    settings: FileSettings,
    voice: Voice,
    gain: Gain,
    level: Level | None = None,
) -> FileReport:
    """Write an output; its sidecar takes its place just before it does."""
    output = voice.output
    rate, channels = source.reader.sample_rate_hz, source.channels
    full_scale_v, factor = settings.heard_full_scale_v, gain.factor
    scale = factor / full_scale_v
    if level is not None and settings.normalise is not None and scale * level.peak_v > 1.0:
        scale = math.nextafter(1.0 / level.peak_v, 0.0)  # by rounding alone: a gain for 0 dBFS
    meter = LevelMeter(rate, channels, full_scale_v, true_peaks=False)
    bits = 8 * BYTES_PER_SAMPLE[settings.subtype]
    line = coding_line(rate, bits, channels, f"vadist {made_with()['vadist']} {design.name}")
    flac = output.suffix.lower() == ".flac"
    left_behind = tuple(c.tag.decode("ascii").strip() for c in source.chunks) if flac else ()
    finished: list[FileReport] = []

    def tell(draft: Path) -> None:
        found = level or meter.level()
        report = FileReport(
            output, sidecar_path(output), sha256_of(draft), found.peak_v,
            20.0 * math.log10(factor), gain.missed_db,
            found.loudness(factor), found.true_peak(factor), int(np.sum(writer.clipped_samples)),
            left_behind, voice.frames, voice.frames / rate, source.level, voice.diagnostics(),
        )  # fmt: skip
        text = sidecar_text(design, source, settings, report, voice.response)
        write_text_atomically(report.sidecar, text, overwrite=settings.overwrite)
        finished.append(report)

    try:
        with TakeWriter(
            output, rate, channels, settings.subtype, overwrite=settings.overwrite,
            frames=voice.frames, chunks=rendered(source.chunks, line, bits, settings.channels),
            dither_seed=int(source.sha256[:16], 16) if settings.dither else None,
            before_commit=tell,
        ) as writer:  # fmt: skip
            for volts in voice.blocks():
                if level is None:
                    meter.add(volts)
                writer.write(volts * scale)
    except BaseException:
        # A sidecar says that its output is there; of one that was to be replaced it is kept.
        if finished and not settings.overwrite:
            finished[0].sidecar.unlink(missing_ok=True)
        raise
    return finished[0]


def _blocks(draft: Path) -> Iterator[FloatArray]:
    with TakeReader(draft) as reader:
        while len(block := reader.read(BLOCK_FRAMES)):
            yield block


def _first(blocks: Iterator[FloatArray], frames: int) -> Iterator[FloatArray]:
    left = frames
    for block in blocks:
        yield block[:left]
        left -= len(block[:left])


def _dies_away(blocks: Iterator[FloatArray], rest_v: float) -> int:
    """Frames up to which a render is louder than :data:`TAIL_DB` below its peak."""
    highest, frames = [0.0], 0
    for block in blocks:
        size = np.abs(block - rest_v).max(axis=1)
        for first in range(0, len(size), _TAIL_GRAIN):
            highest.append(float(size[first : first + _TAIL_GRAIN].max()))
        frames += len(block)
    peaks = np.asarray(highest[1:])
    loud = np.flatnonzero(peaks > max(highest) * 10.0 ** (TAIL_DB / 20.0))
    return min((int(loud[-1]) + 1) * _TAIL_GRAIN, frames) if len(loud) else 0
