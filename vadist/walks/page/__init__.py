"""The page of a walk: one HTML file with pictures, sound and player inside, and no network."""

import base64
import math
import re
from typing import Any

from vadist.drawing.parts import part_designator
from vadist.flac import flac_bytes
from vadist.inspection.whole import (
    Rows,
    absence_rows,
    clean_up_text,
    control_rows,
    current_rows,
    from_text,
    ladder_rows,
    loop_rows,
    low_fifth_text,
    never_text,
    noise_lines,
    noise_rows,
    rail_lines,
    rail_rows,
)
from vadist.inspection.words import amperes, decibels, hertz, volts
from vadist.pages import listening_style, program, script_json, templates, text_of
from vadist.walks.sentences import kind_words
from vadist.walks.sounds import NOTCHES, Sounds
from vadist.walks.walk import Stop, Walk

_OWN = "vadist.walks.page"
_SCRIPTS = ("walk.js",)
_FIGURE = re.compile(r"(?<=\d) (?=(?:%|dB|LUFS|[pnµmkM]?(?:V|A|S|Hz|s)\b))")
_SIDE_PT = 400.0
# A drawing that is wider stands across the page: its letters would be lost in a column.
_NOTCH_WORDS = dict(zip(NOTCHES, ("minimum", "noon", "maximum"), strict=True))


def build_page(walk: Walk) -> str:
    """Build the page.

    Parameters
    ----------
    walk : Walk

    Returns
    -------
    str
        HTML.
    """
    found, sounds = walk.found, walk.sounds
    html: str = (
        templates("vadist.walks", "page")
        .get_template("walk.html")
        .render(
            design=walk.design,
            found=found,
            style=listening_style(text_of(_OWN, "walk.css")),
            program="" if sounds is None else program(_OWN, _SCRIPTS),
            data="" if sounds is None else script_json(_data(walk, sounds)),
            audio=[] if sounds is None else _audio(sounds),
            sounds=sounds,
            take=walk.take,
            knobs=[f"{n} at {k.position:g}" for n, k in walk.design.controls.items()],
            note=f"{hertz(found.frequency_hz)}, {volts(found.level_v)} peak",
            supply=f"{walk.design.supply.volts:g} V",
            path=[_card(stop, number) for number, stop in enumerate(walk.stops)],
            stops=[_stop(walk, stop, number) for number, stop in enumerate(walk.stops)],
            whole=_whole(walk),
            picture_uri=_uri,
            unbroken=unbroken,
            method="" if sounds is None else _method(sounds),
        )
    )
    return html


def _method(sounds: Sounds) -> str:
    """How the whole was rendered, and how far that may be off."""
    found = sounds.diagnostics
    error = "" if found.error_db is None else f", numerical error {found.error_db:.0f} dB"
    return f"{found.method} the sample rate{error}"


def _audio(sounds: Sounds) -> list[tuple[int, str]]:
    """Number and FLAC of every sound that can be heard."""
    rate = round(sounds.sample_rate_hz)
    return [
        (k, base64.b64encode(flac_bytes(track.samples, rate, track.bits)).decode("ascii"))
        for k, track in enumerate(sounds.tracks)
        if not track.silent
    ]


def _data(walk: Walk, sounds: Sounds) -> dict[str, Any]:
    """What the program needs to know besides the audio."""
    return {
        "sampleRate": round(sounds.sample_rate_hz),
        "frames": len(sounds.tracks[0].volts),
        "tracks": [
            {"name": track.name, "gainDb": track.gain_db, "silent": track.silent,
             "nullGain": None}
            for track in sounds.tracks
        ],
        "whole": sounds.whole,
        "stops": [
            {"name": stop.block.name, "before": number, "after": number + 1,
             "without": sounds.without.get(stop.block.name)}
            for number, stop in enumerate(walk.stops)
        ],
    }  # fmt: skip


def _card(stop: Stop, number: int) -> dict[str, Any]:
    """A block in the overview."""
    block, limit = stop.block, stop.block.limit
    limits = "never limits"
    if math.isfinite(limit.input_v):
        limits = f"limits {from_text(limit.input_v, limit.below)}: {limit.cause}"
    return {
        "number": number + 1,
        "name": block.name,
        "kind": kind_words(block.kind),
        "gain": decibels(block.gain_db),
        "level": f"{volts(block.level.low_v, sign=True)} to {volts(block.level.high_v, sign=True)}",
        "limits": limits,
        "first": bool(math.isfinite(limit.input_v)),
    }


def _stop(walk: Walk, stop: Stop, number: int) -> dict[str, Any]:
    sounds, block = walk.sounds, stop.block
    return {
        **_card(stop, number),
        "stop": stop,
        "large": _width_pt(stop.drawing) > _SIDE_PT,
        "sound": None if sounds is None else _buttons(sounds, block.name, number),
        "problem": "" if sounds is None else sounds.problems.get(block.name, ""),
        "knobs": control_rows(stop.knobs) if stop.knobs else None,
        "turned": [] if sounds is None else _turned(sounds, stop),
    }


def _buttons(sounds: Sounds, stage: str, number: int) -> list[dict[str, Any]]:
    """Before and after the block, the whole with it and without it."""
    pair, told = (number, number + 1), []
    for track, word in zip(pair, ("Before", "After"), strict=True):
        told.append(_button(sounds, track, word, pair))
    without = sounds.without.get(stage)
    if without is not None:
        both = (sounds.whole, without)
        told.append(_button(sounds, sounds.whole, "The whole", both))
        told.append(_button(sounds, without, "The whole without it", both))
    return told


def _turned(sounds: Sounds, stop: Stop) -> list[tuple[str, list[dict[str, Any]]]]:
    """For each knob in a block, the whole with it at each notch."""
    found = []
    for name in dict.fromkeys(row.control for row in stop.knobs):
        heard = {p: sounds.turned[name, p] for p in NOTCHES if (name, p) in sounds.turned}
        group = tuple(heard.values())
        found.append(
            (name, [_button(sounds, t, f"{name} {_NOTCH_WORDS[p]}", group)
                    for p, t in heard.items()])
        )  # fmt: skip
    return found


def _button(sounds: Sounds, track: int, word: str, group: tuple[int, ...]) -> dict[str, Any]:
    """A sound, and those beside which its true level counts."""
    sound = sounds.tracks[track]
    level = "silent" if sound.silent else f"{sound.level:.1f} {sounds.match.unit}"
    return {
        "track": track,
        "word": word,
        "level": level,
        "silent": sound.silent,
        "group": ",".join(str(k) for k in group),
    }


def _whole(walk: Walk) -> dict[str, Any]:
    found, tell = walk.found, walk.teller
    output, source = noise_lines(found)
    rails = found.rails
    return {
        "gain": f"{decibels(found.gain_db)}: {tell.parts(found.gain_parts)}",
        "corners": [
            (c.kind, f"{hertz(c.frequency_hz)} (-3 dB): {tell.parts(c.parts)}")
            for c in found.corners
        ],
        "ladder": ladder_rows(found.ladder),
        "picture": walk.ladder,
        "never": never_text(found.ladder),
        "clean_up": clean_up_text(found),
        "fifth": low_fifth_text(found.low_fifth),
        "controls": control_rows(found.controls) if found.controls else None,
        "absences": absence_rows(found.without),
        "problems": [(a.stage, a.problem) for a in found.without if a.problem],
        "loops": _named(walk, loop_rows(found.loops)) if found.loops else None,
        "noise": _named(walk, noise_rows(found)),
        "noise_output": output,
        "noise_input": source,
        "current": _named(walk, current_rows(found)),
        "total": amperes(found.current.total_a),
        "divided": walk.design.supply.divided,
        "rails": None if rails is None or not rails.moving else rail_rows(rails),
        "rail_lines": [] if rails is None else rail_lines(rails, found),
    }


def _named(walk: Walk, told: Rows) -> Rows:
    """A table of parts, each with its designator before its path."""
    rows = []
    for path, *cells in told.rows:
        number = part_designator(walk.teller.numbers, path)
        rows.append((path if number == path else f"{number}  {path}", *cells))
    return Rows(told.headings, tuple(rows))


def unbroken(said: str) -> str:
    """Return a sentence in which no line ends between a figure and its unit.

    >>> unbroken("from 11.4 mV on").replace("\u00a0", "_")
    'from 11.4_mV on'
    """
    return _FIGURE.sub("\u00a0", said)


def _width_pt(svg: str) -> float:
    found = re.match(r'<svg[^>]* width="([\d.]+)pt"', svg)
    return float(found[1]) if found else 0.0


def _uri(svg: str) -> str:
    """A picture as an address of its own: its styles and names stay inside."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode("utf-8")).decode("ascii")
