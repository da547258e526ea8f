"""What drove the board, made ready to drive the model, and the model's answer."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from vadist.captures.capture import Capture, Passage
from vadist.captures.waveform import Waveform, high_passed
from vadist.designs.design import Design
from vadist.errors import CaptureError
from vadist.measure.records import FloatArray
from vadist.rendering.arrays import RenderResult, render_candidates

INPUT_BAND = 1.5
"""A measured input is kept up to this multiple of the band's top: noise above it would be heard
through a circuit that clips, content below it drives what is compared."""

_INPUT_RATE = 4.8
# Samples of a measured input per period of the band's top: 96 kHz for 20 kHz.

_SILENT = 0.015
# A record starts in silence if its first millisecond moves by less, rms, than this share of its
# peak: three steps of 8 bits.

_SILENT_S = 1e-3
_LONGEST_LEAD_S = 0.25
_LEAD_S = 5e-3
_TAIL_S = 0.02
_LONGEST_TAIL_S = 2.0
_SETTLING_S = 0.02
_MOST_OVERSAMPLE = 64


@dataclass(frozen=True)
class Excitation:
    """Input volts of a circuit.

    Attributes
    ----------
    volts : (frames,)
        Deviation from where the input rests.
    sample_rate_hz : float
    lead : int
        Frames before time zero, in which the circuit finds its way.
    settled_s : float
        When the model's output begins to count.
    same_record : bool
        Whether input and output are channels of one capture.
    passages : tuple of Passage
    notes : tuple of str
    """

    volts: FloatArray
    sample_rate_hz: float
    lead: int
    settled_s: float
    same_record: bool
    passages: tuple[Passage, ...]
    notes: tuple[str, ...]


def excite(
    source: Capture,
    channel: str,
    top_hz: float,
    *,
    same_record: bool,
    needed_s: float,
    keep_dc: bool = False,
    settle_s: float | None = None,
    allow_clipped: bool = False,
) -> Excitation:
    """Make a channel of a capture, or a stimulus, ready to drive a model.

    Parameters
    ----------
    source : Capture
    channel : str
    top_hz : float
        Top of the band that is compared.
    same_record : bool
        Whether the output was recorded with it.
    needed_s : float
        Duration of what was measured.
    keep_dc : bool
        Drive the model with the input's DC too; else the circuit is taken to rest at it.
    settle_s : float, optional
        What to leave out at the start; by default nothing if the input starts in silence.
    allow_clipped : bool
    """
    stimulus = bool(source.passages)
    volts = source.pick(channel, allow_clipped=allow_clipped or stimulus)
    rate = source.sample_rate_hz
    if not stimulus and rate > _INPUT_RATE * top_hz:
        # Everything above the input's band is noise; fewer samples are rendered without it.
        kept = Waveform(volts, rate, INPUT_BAND * top_hz)
        rate = _INPUT_RATE * top_hz
        volts = kept.at(np.arange(int(kept.seconds * rate) + 1) / rate)
    notes = []
    quiet = _silent_frames(volts, rate)
    rest = float(volts[:quiet].mean() if quiet else volts.mean())
    if keep_dc:
        rest = 0.0
    elif abs(rest) > 1e-6:
        notes.append(f"input: {rest * 1e3:.3g} mV of DC taken off; the model starts at rest")
    volts = volts - rest
    settled_s = 0.0
    if quiet or stimulus:
        lead = round(_LEAD_S * rate)
        before = np.zeros(lead)
    else:
        # The record begins in the middle of a signal: what came before is taken as its mirror
        # image, faded in, so that coupling capacitors are about where they were.
        lead = min(len(volts) - 1, round(_LONGEST_LEAD_S * rate))
        before = volts[lead:0:-1] * np.sin(0.5 * np.pi * np.arange(lead) / lead) ** 2
        settled_s = min(_SETTLING_S, 0.2 * source.seconds)
        notes.append(
            f"input: starts in the middle of a signal; the first {settled_s * 1e3:.3g} ms do not "
            "count"
        )
    if settle_s is not None:
        settled_s = settle_s
    tail_s = (
        0.0 if same_record else min(max(needed_s - source.seconds, 0.0) + _TAIL_S, _LONGEST_TAIL_S)
    )
    padded = np.concatenate([before, volts, np.zeros(round(tail_s * rate))])
    return Excitation(padded, rate, lead, settled_s, same_record, source.passages, tuple(notes))


def _silent_frames(volts: FloatArray, rate: float) -> int:
    """How many frames at the start hold no signal."""
    peak = float(np.abs(volts - np.median(volts)).max())
    length = max(round(_SILENT_S * rate), 8)
    noise = float(volts[:length].std())
    if noise > _SILENT * peak:
        return 0
    loud = np.abs(volts - volts[:length].mean()) > 5.0 * noise + 1e-4 * peak
    # Single samples may stick out of noise; signal sticks out for longer.
    loud = np.convolve(loud, np.ones(3), "valid") > 2.5
    return int(np.argmax(loud)) if loud.any() else len(volts)


@dataclass(frozen=True)
class Answer:
    """What the model answers to an excitation.

    Attributes
    ----------
    wave : Waveform
        Output volts, time zero at the excitation's time zero.
    rendered : RenderResult
    """

    wave: Waveform
    rendered: RenderResult

    @property
    def error_db(self) -> float | None:
        """The render's estimate of its own numerical error, worked out when first asked for."""
        return self.rendered.diagnostics.error_db

    @property
    def method(self) -> str:
        """How it was rendered."""
        return str(self.rendered.method)

    @property
    def oversample(self) -> int:
        """Its oversampling."""
        return self.rendered.method.oversample


def answers(
    designs: Sequence[Design],
    excitation: Excitation,
    top_hz: float,
    *,
    oversample: int | None = None,
    wanted_error_db: float | None = None,
    ac_corner_hz: float | None = None,
    threads: int = 1,
    progress: Callable[[float], None] = lambda done: None,
) -> list[Answer]:
    """Render designs, as lanes side by side.

    Parameters
    ----------
    designs : sequence of Design
    excitation : Excitation
    top_hz : float
    oversample : int, optional
    wanted_error_db : float, optional
        Numerical error that would matter: the oversampling is doubled until the estimate is below.
    ac_corner_hz : float, optional
        Corner of the probe's AC coupling.
    threads : int
    progress : called with 0..1

    Raises
    ------
    ConvergenceError
    """
    rate = excitation.sample_rate_hz
    # The phase of a ripple is nothing that a recording could be held against.
    designs = [design.on_a_still_supply() for design in designs]
    factor = oversample
    while True:
        results = render_candidates(
            designs, excitation.volts, rate, oversample=factor, threads=threads, progress=progress
        )
        factor = results[0].method.oversample
        given = oversample is not None or factor >= _MOST_OVERSAMPLE
        if given or _is_good(results, wanted_error_db):
            return [_answer(r, excitation, top_hz, ac_corner_hz) for r in results]
        factor *= 2


def _is_good(results: Sequence[RenderResult], wanted_error_db: float | None) -> bool:
    if wanted_error_db is None:
        return True
    worst = max((r.diagnostics.error_db or -math.inf for r in results), default=-math.inf)
    return worst <= wanted_error_db


def _answer(
    result: RenderResult, excitation: Excitation, top_hz: float, ac_corner_hz: float | None
) -> Answer:
    volts = result.volts[:, 0]
    if ac_corner_hz is not None:
        volts = high_passed(volts - volts[0], excitation.sample_rate_hz, ac_corner_hz)
    wave = Waveform(volts[excitation.lead :], excitation.sample_rate_hz, top_hz)
    return Answer(wave, result)


def choose_channels(
    capture: Capture, output: str, input_name: str, *, separate_input: bool
) -> tuple[str, str]:
    """Which channel is the output, and which the input if the capture holds it.

    Raises
    ------
    CaptureError
        If it cannot be told, naming the option that settles it.
    """
    names = list(capture.channels)
    known = ", ".join(names)
    if not separate_input and len(names) == 1:
        raise CaptureError(
            f"{capture.name}: holds one channel; give what drove the board with --input"
        )
    driver = ""
    if not separate_input:
        driver = names[capture.find(input_name)] if input_name else _only(names, "in")
    taken = names[capture.find(output)] if output else ""
    taken = taken or _only(names, "out")
    others = [name for name in names if name != driver]
    taken = taken or (others[0] if len(others) == 1 and (driver or separate_input) else "")
    if not taken:
        raise CaptureError(
            f"{capture.name}: which channel is the output? state --output-channel ({known})"
        )
    if separate_input:
        return taken, ""
    others = [name for name in names if name != taken]
    driver = driver or (others[0] if len(others) == 1 else "")
    if not driver:
        raise CaptureError(
            f"{capture.name}: which channel is the input? state --input-channel ({known}), or "
            "give what drove the board with --input"
        )
    if driver == taken:
        raise CaptureError(f"{capture.name}: {taken!r} cannot be input and output")
    return taken, driver


def _only(names: list[str], start: str) -> str:
    fitting = [name for name in names if name.lower().startswith(start)]
    return fitting[0] if len(fitting) == 1 else ""
