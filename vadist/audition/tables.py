"""An audition in numbers: a table for people, a table for spreadsheets, and everything as JSON."""

import csv
import importlib.metadata
import io
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from vadist.audition.comparison import Band
from vadist.audition.layout import lay_out, wrap_notes
from vadist.audition.matching import LOUDNESS
from vadist.audition.names import Changes, changes_text
from vadist.audition.run import REFERENCE, AuditionResult, Track
from vadist.designs.files import write_design
from vadist.quantities import format_quantity

IDENTICAL_DB = -140.0
"""A null this deep is the arithmetic's: 24-bit samples end at -144 dB."""

TOLD_HZ = (60.0, 12e3)
"""Where the largest change is looked for: what lies beyond is hum, or above a guitar's speaker."""

TOLD_DB = 40.0
"""Bands this far below the loudest hold too little for their change to be the one to name."""

FILE_WIDTH = 80
"""Letters in a line of ``table.txt``."""

_PACKAGES = ("vadist", "numpy", "scipy", "numba", "soxr")

HEADINGS = (
    "track", "level before", "gain", "THD", "centroid", "null depth", "low corner", "high corner",
    "largest band change", "largest DC shift",
)  # fmt: skip


def figure_rows(result: AuditionResult) -> list[tuple[str, ...]]:
    """Figures of each track as texts under :data:`HEADINGS`; empty where there is none."""
    unit = result.match.unit
    return [
        (
            full_name(result, track),
            f"{track.level_before:.1f} {unit}",
            decibels(track.gain_db),
            thd_text(track),
            f"{track.centroid_hz:.0f} Hz",
            null_text(track),
            _corner(track, "low_hz"),
            _corner(track, "high_hz"),
            largest_band_text(result, track),
            largest_shift_text(track),
        )
        for track in result.tracks
    ]


def full_name(result: AuditionResult, track: Track) -> str:
    """Name of a track; behind the reference's what it holds of the values that are tried."""
    if track.role != REFERENCE or not result.held:
        return track.name
    return f"{track.name} ({changes_text(result.held)})"


def reference_values(result: AuditionResult, track: Track) -> Changes:
    """What the reference holds where a track differs; of itself, wherever any does."""
    if track.role == REFERENCE:
        return result.held
    held = dict(result.held)
    return tuple((path, held[path]) for path, _ in track.changes)


def decibels(value: float) -> str:
    """Return a gain with its sign and one decimal, never a minus before zero.

    Examples
    --------
    >>> decibels(-0.04), decibels(5.51)
    ('+0.0 dB', '+5.5 dB')
    """
    return f"{round(value, 1) + 0.0:+.1f} dB"


def thd_text(track: Track) -> str:
    """THD of the probe in percent."""
    if track.distortion is None or math.isnan(track.distortion.thd):
        return ""
    return f"{100.0 * track.distortion.thd:.3g} %"


def null_text(track: Track) -> str:
    """Null depth, or that nothing is left."""
    if track.comparison is None:
        return ""
    depth = track.comparison.null_depth_db
    return "identical" if depth < IDENTICAL_DB else f"{depth:.1f} dB"


def largest_band_text(result: AuditionResult, track: Track) -> str:
    """Third octave that changed most, of those within :data:`TOLD_HZ` that hold energy."""
    found = largest_band(result, track)
    if found is None:
        return ""
    band, change = found
    hertz = f"{band:g} Hz" if band < 1000.0 else f"{band / 1000.0:g} kHz"
    return f"{change:+.2f} dB at {hertz}"


def largest_band(result: AuditionResult, track: Track) -> tuple[float, float] | None:
    """Nominal mid-band in Hz and change in dB of the band that changed most, if one did."""
    compared = track.comparison
    if compared is None:
        return None
    louder = np.maximum(compared.levels_db, compared.levels_db - compared.bands_db)
    low, high = TOLD_HZ
    told = np.isfinite(louder) & (result.bands_hz >= low) & (result.bands_hz <= high)
    told &= louder >= louder.max(where=np.isfinite(louder), initial=-np.inf) - TOLD_DB
    if not told.any():
        return None
    k = int(np.argmax(np.where(told, np.abs(compared.bands_db), -1.0)))
    return float(result.bands_hz[k]), float(compared.bands_db[k])


def largest_shift_text(track: Track) -> str:
    """Node that moved most at rest."""
    if track.comparison is None:
        return ""
    if not track.comparison.shifts:
        return "none"
    shift = track.comparison.shifts[0]
    return f"{shift.node} {_shift(shift.shift_v)}"


def _shift(volts: float) -> str:
    return f"{'+' if volts > 0 else ''}{format_quantity(volts, 'V')}"


def _corner(track: Track, side: str) -> str:
    if track.behaviour is None:
        return ""
    hertz = getattr(track.behaviour.band, side)
    return "beyond" if hertz is None else format_quantity(hertz, "Hz")


def text_table(result: AuditionResult, width: int = FILE_WIDTH) -> str:
    """Table and notes for a terminal or a text file, in lines of at most so many letters."""
    table = lay_out([HEADINGS, *figure_rows(result)], width)
    return "\n".join([*table, "", *wrap_notes(notes(result), width), ""])


def notes(result: AuditionResult) -> list[str]:
    """What the figures mean, a sentence each."""
    match, probe = result.match, result.probe
    level = f"{match.level:.1f} {match.unit}"
    said = [
        f"Level before: relative to 1 V peak. All tracks were brought to {level} ({match.measure})."
    ]
    if match.measure != LOUDNESS:
        said.append(
            "The take is shorter than 400 ms, one gating block of ITU-R BS.1770: "
            "levels were matched by rms instead of loudness."
        )
    if match.lowered_db > 0.0:
        said.append(
            f"All were lowered alike by {match.lowered_db:.1f} dB to keep true peaks at or below "
            "-1 dBTP."
        )
    said += [
        f"THD: of a {format_quantity(probe.frequency_hz, 'Hz')} sine of "
        f"{format_quantity(probe.peak_v, 'V')} peak, relative to the fundamental, harmonics up to "
        "20 kHz; a take has no THD of its own.",
        "Null depth: power left after subtracting the candidate, at its best gain, from the "
        "reference. The lower, the more alike.",
        "Corners: where the small-signal gain of the whole design first falls 3 dB below its "
        "largest.",
        "Band change: third octaves of the matched tracks, of those from "
        f"{TOLD_HZ[0]:g} Hz to {TOLD_HZ[1] / 1e3:g} kHz within {TOLD_DB:g} dB of the loudest. "
        "DC shift: node volts without signal.",
    ]
    return said


def csv_table(result: AuditionResult) -> str:
    """Every figure as a number, with its unit in the heading."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    bands = [f"change_{hertz:g}_hz_db" for hertz in result.bands_hz]
    level = "lufs" if result.match.measure == LOUDNESS else "db_rms"
    writer.writerow(
        ["track", "role", "reference_values", f"level_before_{level}", "gain_db",
         "true_peak_dbtp", "thd_percent", "centroid_hz", "null_depth_db",
         "gain_peak_db", "low_corner_hz", "high_corner_hz",
         "largest_dc_shift_node", "largest_dc_shift_v", *bands]
    )  # fmt: skip
    for track in result.tracks:
        writer.writerow(_csv_row(result, track))
    return out.getvalue()


def _csv_row(result: AuditionResult, track: Track) -> list[object]:
    band = track.behaviour.band if track.behaviour else None
    compared = track.comparison
    shift = compared.shifts[0] if compared and compared.shifts else None
    changes: Sequence[float] = (
        compared.bands_db.tolist() if compared else [math.nan] * len(result.bands_hz)
    )
    return [
        track.name,
        track.role,
        changes_text(reference_values(result, track)),
        _cell(track.level_before),
        _cell(track.gain_db),
        _cell(track.true_peak_dbtp),
        _cell(100.0 * track.distortion.thd if track.distortion else None),
        _cell(track.centroid_hz),
        _cell(compared.null_depth_db if compared else None),
        _cell(band.gain_db if band else None),
        _cell(band.low_hz if band else None),
        _cell(band.high_hz if band else None),
        shift.node if shift else "",
        _cell(shift.shift_v if shift else None),
        *(_cell(change) for change in changes),
    ]


def _cell(value: float | None) -> str:
    return "" if value is None or math.isnan(value) else f"{value:.6g}"


def described(
    result: AuditionResult, files: Sequence[str], take: str, originals: Sequence[str] = ()
) -> dict[str, Any]:
    """Contents of ``audition.json``; numbers that are not finite are null.

    Parameters
    ----------
    result : AuditionResult
    files : sequence of str
        Audio file of each track.
    take : str
        Name of the take.
    originals : sequence of str
        Text of the design file that each track's design stems from, the reference first.
    """
    match = result.match
    stems = [*originals, *[None] * (len(files) - len(originals))]
    return {
        "made_with": {name: importlib.metadata.version(name) for name in _PACKAGES},
        "take": {
            "file": take,
            "sample_rate_hz": result.sample_rate_hz,
            "frames": len(result.reference.samples),
            "channels": result.reference.samples.shape[1],
            "full_scale_v": result.full_scale_v,
        },
        "method": result.method,
        "reference_values": dict(result.held),
        "matching": {
            "measure": match.measure,
            "unit": match.unit,
            "level": match.level,
            "lowered_db": match.lowered_db,
        },
        "probe": {"frequency_hz": result.probe.frequency_hz, "peak_v": result.probe.peak_v},
        "third_octaves_hz": result.bands_hz.tolist(),
        "tracks": [_track(*each) for each in zip(result.tracks, files, stems, strict=True)],
        "notes": notes(result),
    }


def _track(track: Track, file: str, original: str | None) -> dict[str, Any]:
    told: dict[str, Any] = {
        "name": track.name,
        "role": track.role,
        "file": file,
        "changes": [{"path": path, "value": text} for path, text in track.changes],
        "level_before": track.level_before,
        "gain_db": track.gain_db,
        "true_peak_dbtp": track.true_peak_dbtp,
        "centroid_hz": track.centroid_hz,
        "numerical_error_db": track.error_db,
    }
    if track.distortion is not None:
        told["thd"] = _finite(track.distortion.thd)
        told["harmonics_db"] = [_finite(v) for v in track.distortion.harmonics_db.tolist()]
    if track.behaviour is not None:
        told["band"] = _band(track.behaviour.band)
        told["rest_v"] = track.behaviour.rest_v
    if track.comparison is not None:
        compared = track.comparison
        told["identical"] = compared.null_depth_db < IDENTICAL_DB
        told["null_depth_db"] = _finite(compared.null_depth_db)
        told["null_gain"] = compared.null_gain
        told["third_octave_change_db"] = [_finite(v) for v in compared.bands_db.tolist()]
        told["rest_shifts_v"] = {shift.node: shift.shift_v for shift in compared.shifts}
    if track.design is not None:
        told["design"] = write_design(track.design, original)
    return told


def _band(band: Band) -> dict[str, float | None]:
    return {
        "gain_db": band.gain_db,
        "peak_hz": band.peak_hz,
        "low_hz": band.low_hz,
        "high_hz": band.high_hz,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
