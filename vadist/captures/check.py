"""From a capture and a design to a verdict."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from vadist.captures.align import Alignment, Freedom, align
from vadist.captures.bounds import judge_alignment
from vadist.captures.capture import Capture
from vadist.captures.compare import Figures, compare, noise_above, noise_of_steps
from vadist.captures.evidence import Evidence, Verdict, weigh
from vadist.captures.excitation import Excitation, answers, choose_channels, excite
from vadist.captures.limits import DEFAULT_LIMITS, Judgement, judge
from vadist.captures.tones import (
    HarmonicDifference,
    harmonic_differences,
    known_tones,
    steady_tone,
)
from vadist.captures.waveform import EDGE_S, GRID, Waveform, grid_times, top_of_band
from vadist.designs.design import Design
from vadist.errors import CaptureError, UnjudgedError, UsageError
from vadist.measure.records import FloatArray

SAME_RECORD = Freedom(delay_s=(-1e-4, 1e-4))
"""Two channels of one oscilloscope: one clock, and no more than a skew between them."""

SEPARATE = Freedom(clock_ppm=500.0)
"""A generator and an oscilloscope: crystals within 100 ppm each (common practice), and what cheap
recorders add to that."""

_CLEAN_INPUT_DB = -55.0

_ARITHMETIC_BELOW_DB = 15.0
# The numerical error is kept this far below the tightest limit on the error-to-signal ratio.


@dataclass(frozen=True)
class CheckSettings:
    """How a capture is compared.

    Attributes
    ----------
    band_hz : float
        Top of the band that is compared; less if a record cannot hold it.
    freedom : mapping of field -> value
        Departures of :class:`~vadist.captures.align.Freedom` from :data:`SAME_RECORD` or
        :data:`SEPARATE`, such as ``{"gain": 0.05}``. A ``sign`` says which polarity is right: 1,
        which is the default here, -1, or 0 for either.
    output_channel, input_channel : str
        Names or numbers; empty to find out.
    ac_corner_hz : float or None
        Corner of the probe's AC coupling; None for DC coupling.
    keep_input_dc : bool
        Drive the model with the input's DC too.
    settle_s : float or None
        What to leave out at the start.
    harmonics : int
        Highest order compared.
    oversample : int or None
    allow_clipped : bool
        Compare a channel that the recording clipped.
    """

    band_hz: float = 20_000.0
    freedom: Mapping[str, Any] = field(default_factory=dict)
    output_channel: str = ""
    input_channel: str = ""
    ac_corner_hz: float | None = None
    keep_input_dc: bool = False
    settle_s: float | None = None
    harmonics: int = 10
    oversample: int | None = None
    allow_clipped: bool = False

    def __post_init__(self) -> None:
        if not 100.0 <= self.band_hz <= 150_000.0:
            raise UsageError(f"band must be within 100 Hz..150 kHz (got {self.band_hz:g} Hz)")
        if self.settle_s is not None and not self.settle_s >= 0.0:
            raise UsageError(f"settle must be >= 0 s (got {self.settle_s:g})")
        if self.harmonics < 1:
            raise UsageError(f"harmonics must be >= 1 (got {self.harmonics})")


@dataclass(frozen=True)
class Prepared:
    """A capture ready to be held against any candidate.

    Attributes
    ----------
    name : str
    measured : Waveform
    time_s : (samples,)
        The comparison's samples that count.
    excitation : Excitation
    freedom : Freedom
    top_hz : float
    noise_v : float or None
        Noise within the band, as what lies above it foretells.
    notes : tuple of str
    steps_v : float
        Noise within the band that the converter's steps add.
    """

    name: str
    measured: Waveform
    time_s: FloatArray
    excitation: Excitation
    freedom: Freedom
    top_hz: float
    noise_v: float | None
    notes: tuple[str, ...]
    steps_v: float = 0.0


@dataclass(frozen=True)
class CheckReport:
    """What a check found.

    Attributes
    ----------
    name, design : str
    figures : Figures
    alignment : Alignment
    harmonics : tuple of HarmonicDifference
    judgements : tuple of Judgement
        Of the limits, then of polarity, gain and offset.
    evidence : Evidence
    error_estimate_db : float or None
        The render's own numerical error; what lies near it is arithmetic, not the model.
    method : str
    top_hz : float
    notes : tuple of str
    time_s, measured, predicted : (samples,)
        What was compared.
    """

    name: str
    design: str
    figures: Figures
    alignment: Alignment
    harmonics: tuple[HarmonicDifference, ...]
    judgements: tuple[Judgement, ...]
    evidence: Evidence
    error_estimate_db: float | None
    method: str
    top_hz: float
    notes: tuple[str, ...]
    time_s: FloatArray = field(repr=False)
    measured: FloatArray = field(repr=False)
    predicted: FloatArray = field(repr=False)

    @property
    def verdict(self) -> Verdict:
        """Passed or failed, if the capture shows enough to tell."""
        if self.evidence.against_alignment:
            return Verdict.NOT_ALIGNED
        if self.evidence.against_judging:
            return Verdict.NOT_JUDGED
        if any(not j.passed and not j.undecided for j in self.judgements):
            return Verdict.FAIL
        return Verdict.PASS if all(j.passed for j in self.judgements) else Verdict.NOT_JUDGED

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why it did not pass; empty if it did."""
        verdict, evidence = self.verdict, self.evidence
        if verdict is Verdict.NOT_ALIGNED:
            return evidence.against_alignment
        if verdict is Verdict.NOT_JUDGED and evidence.against_judging:
            return evidence.against_judging
        held = verdict is Verdict.NOT_JUDGED
        return tuple(str(j) for j in self.judgements if not j.passed and bool(j.undecided) is held)

    @property
    def passed(self) -> bool:
        """Whether every limit is met, and there is evidence of it."""
        return self.verdict is Verdict.PASS


def prepare(capture: Capture, settings: CheckSettings, source: Capture | None = None) -> Prepared:
    """Find the channels, limit the band and make the input ready.

    Parameters
    ----------
    capture : Capture
    settings : CheckSettings
    source : Capture, optional
        What drove the board, if it is no channel of the capture.

    Raises
    ------
    CaptureError
    """
    output, driver = choose_channels(
        capture, settings.output_channel, settings.input_channel, separate_input=source is not None
    )
    same = source is None
    drive = capture if source is None else source
    if source is not None:
        driver = settings.input_channel or source.channels[0]
        if len(source.channels) > 1 and not settings.input_channel:
            raise CaptureError(
                f"{source.name}: which channel drove the board? state --input-channel "
                f"({', '.join(source.channels)})"
            )
    top_hz = top_of_band(settings.band_hz, capture.sample_rate_hz, drive.sample_rate_hz)
    volts = capture.pick(output, allow_clipped=settings.allow_clipped)
    excitation = excite(
        drive, driver, top_hz, same_record=same, needed_s=capture.seconds,
        keep_dc=settings.keep_input_dc, settle_s=settings.settle_s,
        allow_clipped=settings.allow_clipped,
    )  # fmt: skip
    freedom = replace(SAME_RECORD if same else SEPARATE, **settings.freedom)
    if settings.ac_corner_hz is not None:
        freedom = replace(freedom, offset_v=math.inf)
    measured = Waveform(volts, capture.sample_rate_hz, top_hz)
    time_s = grid_times(measured.seconds, top_hz)
    first = max(EDGE_S, excitation.settled_s if same else settings.settle_s or 0.0)
    time_s = time_s[(time_s >= first) & (time_s <= measured.seconds - EDGE_S)]
    if len(time_s) < 16:
        raise CaptureError(f"{capture.name}: too short: nothing is left to compare")
    notes = list(excitation.notes)
    if same:
        notes += _noisy_input(capture, driver, top_hz)
    return Prepared(
        capture.name, measured, time_s, excitation, freedom, top_hz,
        noise_above(volts, capture.sample_rate_hz, top_hz),
        (*capture.notes, *(() if same else drive.notes), *notes),
        noise_of_steps(volts, capture.sample_rate_hz, top_hz),
    )  # fmt: skip


def _noisy_input(capture: Capture, driver: str, top_hz: float) -> list[str]:
    volts = capture.volts[:, capture.find(driver)]
    noise = noise_above(volts, capture.sample_rate_hz, top_hz)
    if not noise or noise < 10.0 ** (_CLEAN_INPUT_DB / 20.0) * float(volts.std()):
        return []
    level = 20.0 * math.log10(noise / max(float(volts.std()), 1e-300))
    return [
        f"input: its noise of {level:.0f} dB drives the model too and counts as error; if the "
        "stimulus is at hand, give it with --input"
    ]


def check_capture(
    capture: Capture,
    design: Design,
    source: Capture | None = None,
    settings: CheckSettings | None = None,
    limits: Mapping[str, float] | None = None,
) -> CheckReport:
    """Hold a capture against a design.

    Parameters
    ----------
    capture : Capture
    design : Design
    source : Capture, optional
        What drove the board (a stimulus or another capture); by default the capture's input
        channel.
    settings : CheckSettings, optional
    limits : mapping of name -> value, optional
        See :data:`~vadist.captures.limits.LIMITS`; :data:`DEFAULT_LIMITS` by default.

    Raises
    ------
    CaptureError, UsageError
        If it cannot be compared.
    UnjudgedError
        If it is silent, or the model is.
    ConvergenceError
    """
    settings = settings or CheckSettings()
    limits = DEFAULT_LIMITS if limits is None else limits
    prepared = prepare(capture, settings, source)
    tightest = min([v for k, v in limits.items() if k.endswith(("esr", "model_error"))] or [-30.0])
    answer = answers(
        [design], prepared.excitation, prepared.top_hz, oversample=settings.oversample,
        wanted_error_db=tightest - _ARITHMETIC_BELOW_DB, ac_corner_hz=settings.ac_corner_hz,
    )[0]  # fmt: skip
    judged = (float(prepared.time_s[0]), float(prepared.time_s[-1]))
    try:
        # Either polarity is looked for: one that is wrong is to be told from one that is not found.
        free = replace(prepared.freedom, sign=0)
        alignment = align(prepared.measured, answer.wave, free, prepared.top_hz, judged)
    except CaptureError as error:
        raise type(error)(f"{capture.name}: {error}") from None
    time_s = prepared.time_s
    inside = alignment.model_time(time_s) <= answer.wave.seconds
    if prepared.excitation.same_record:
        inside &= alignment.model_time(time_s) >= 0.0
    length = len(time_s)
    time_s = time_s[inside]
    if len(time_s) < 16:
        raise UnjudgedError(
            f"{capture.name}: could not be aligned: where the model fits best nothing is compared"
        )
    measured, predicted = prepared.measured.at(time_s), alignment.apply(answer.wave, time_s)
    figures = compare(
        measured,
        predicted,
        time_s,
        offset_v=alignment.offset_v,
        noise_v=prepared.noise_v,
        steps_v=prepared.steps_v,
    )
    differences = _harmonics(prepared, alignment, time_s, measured, predicted, settings.harmonics)
    evidence = weigh(
        alignment, answer.wave, length, time_s, measured, predicted, figures, prepared.top_hz
    )
    wanted_sign = int(settings.freedom.get("sign", 1))
    judgements = (
        *judge(figures, differences, limits),
        *judge_alignment(alignment, prepared.freedom, wanted_sign),
    )
    notes = list(prepared.notes)
    if answer.error_db is not None and answer.error_db > tightest - 10.0:
        notes.append(
            f"numerical error of {answer.error_db:.1f} dB is close to the limit: raise --oversample"
        )
    return CheckReport(
        capture.name, design.name, figures, alignment, tuple(differences),
        judgements, evidence, answer.error_db, answer.method,
        prepared.top_hz, tuple(notes), time_s, measured, predicted,
    )  # fmt: skip


def _harmonics(
    prepared: Prepared,
    alignment: Alignment,
    time_s: FloatArray,
    measured: FloatArray,
    predicted: FloatArray,
    count: int,
) -> list[HarmonicDifference]:
    rate = GRID * prepared.top_hz
    tones = known_tones(prepared.excitation.passages, alignment, time_s)
    if not tones and prepared.excitation.same_record:
        drive = prepared.excitation
        wave = Waveform(drive.volts[drive.lead :], drive.sample_rate_hz, prepared.top_hz)
        tones = steady_tone(wave.at(np.clip(time_s, 0.0, wave.seconds)), rate)
    return harmonic_differences(measured, predicted, rate, prepared.top_hz, tones, count)
