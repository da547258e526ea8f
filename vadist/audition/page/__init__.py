"""The page to listen with: one HTML file with audio, figures, style and program inside.

It opens from disk and asks no network for anything. Tracks are embedded as FLAC files; the
program plays all of them together and switches by gain alone, so that switching is accurate to
the sample. The program is plain ECMAScript: what every page that plays has, then the small files
that :data:`SCRIPTS` names in order.
"""

import base64
from typing import Any

import numpy as np

from vadist.arrays import FloatArray
from vadist.audition.names import changes_text
from vadist.audition.page.size import page_bits
from vadist.audition.page.spectra import spectrum_levels
from vadist.audition.run import BLOCK, REFERENCE, THROUGH, AuditionResult, Track
from vadist.audition.tables import (
    HEADINGS,
    decibels,
    figure_rows,
    largest_band_text,
    notes,
    null_text,
)
from vadist.flac import flac_bytes
from vadist.pages import blind_test, listening_style, program, script_json, templates, text_of
from vadist.quantities import format_quantity

SCRIPTS = ("spectrum.js", "page.js")

_MOST_SHIFTS = 8  # nodes listed for a candidate; the JSON has them all


def build_page(result: AuditionResult, take: str) -> str:
    """Build the page of an audition.

    Parameters
    ----------
    result : AuditionResult
    take : str
        Name of the take, for people.

    Returns
    -------
    str
        HTML.
    """
    frames, channels = result.reference.samples.shape
    bits = page_bits(len(result.tracks) * frames * channels)
    rate = round(result.sample_rate_hz)
    own = "vadist.audition.page"
    html: str = (
        templates("vadist.audition", "page")
        .get_template("page.html")
        .render(
            take=take,
            style=listening_style(text_of("vadist.pages", "blind.css"), text_of(own, "style.css")),
            program="\n".join([blind_test(), program(own, SCRIPTS)]),
            data=script_json(page_data(result, take, bits)),
            audio=[
                base64.b64encode(flac_bytes(track.samples, rate, bits)).decode("ascii")
                for track in result.tracks
            ],
            result=result,
            bits=bits,
            rate=rate,
            seconds=frames / rate,
            headings=HEADINGS,
            rows=figure_rows(result),
            notes=notes(result),
            details=[_detail(result, track) for track in result.candidates],
            tracks=list(enumerate(result.tracks)),
            block=BLOCK,
            through=THROUGH,
            reference=REFERENCE,
            held=changes_text(result.held),
            decibels=decibels,
        )
    )
    return html


def page_data(result: AuditionResult, take: str, bits: int) -> dict[str, Any]:
    """What the program needs to know besides the audio."""
    rate, reference = result.sample_rate_hz, result.reference
    spectra = [spectrum_levels(track.samples, rate) for track in result.tracks]
    tracks = []
    for number, (track, spectrum) in enumerate(zip(result.tracks, spectra, strict=True)):
        told: dict[str, Any] = {
            "name": track.name,
            "role": track.role,
            "levels": _rounded(spectrum.levels_db),
            "nullGain": None,
            "twin": result.twin(number),
        }
        if track.comparison is not None:
            gain = track.comparison.null_gain
            left = spectrum_levels(reference.samples - gain * track.samples, rate)
            told |= {"nullGain": gain, "leftLevels": _rounded(left.levels_db)}
            told["nullText"] = null_text(track)
        tracks.append(told)
    return {
        "take": take,
        "sampleRate": round(rate),
        "bits": bits,
        "frames": len(reference.samples),
        "frequencies": [round(f, 2) for f in spectra[0].frequencies_hz.tolist()],
        "tracks": tracks,
    }


def _rounded(levels_db: FloatArray) -> list[float]:
    return [round(level, 2) for level in np.maximum(levels_db, -160.0).tolist()]


def _detail(result: AuditionResult, track: Track) -> dict[str, Any]:
    """Lines that tell what a candidate changed."""
    compared, mine, theirs = track.comparison, track.behaviour, result.reference.behaviour
    assert compared is not None
    assert mine is not None
    assert theirs is not None
    held = dict(result.held)
    corners = []
    for label, now, then in (
        ("low corner", mine.band.low_hz, theirs.band.low_hz),
        ("high corner", mine.band.high_hz, theirs.band.high_hz),
    ):
        if now is not None and then is not None:
            corners.append(f"{label} {_change(then, now)}")
    corners.append(f"largest gain {theirs.band.gain_db:.2f} dB to {mine.band.gain_db:.2f} dB")
    shifts = [
        f"{s.node} {s.reference_v:.3f} V to {s.candidate_v:.3f} V"
        for s in compared.shifts[:_MOST_SHIFTS]
    ]
    return {
        "name": track.name,
        "values": [f"{path} {held[path]} to {text}" for path, text in track.changes],
        "null": null_text(track),
        "band": largest_band_text(result, track),
        "corners": corners,
        "shifts": shifts,
        "more": max(len(compared.shifts) - _MOST_SHIFTS, 0),
    }


def _change(then_hz: float, now_hz: float) -> str:
    percent = 100.0 * (now_hz / then_hz - 1.0)
    if abs(percent) < 0.05:
        return f"{format_quantity(then_hz, 'Hz')}, unchanged"
    then, now = (format_quantity(hertz, "Hz", 4) for hertz in (then_hz, now_hz))
    return f"{then} to {now} ({percent:+.1f} %)"
