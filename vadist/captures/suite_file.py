"""Suite files: many captures in one file.

Shape of a suite::

    name = "board 7"
    design = "boosted_hard_clipper"     # for every capture that names none of its own
    input = "stimulus.wav"              # likewise
    set = ["drive=0.3"]
    [reading]                           # as on the command line: units, probe, full_scale, ...
    [settings]                          # band, gain, offset, clock, ...
    [limits]
    esr = "-36dB"
    [[capture]]
    file = "low drive.csv"              # relative to the suite
    name = "low drive"
    set = ["drive=0.1"]                 # after the suite's
    limits = {esr = "-30dB"}            # added to the suite's
"""

import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from vadist.captures.limits import DEFAULT_LIMITS, parse_limits
from vadist.captures.options import reading_from, settings_from
from vadist.captures.sidecar import sidecar_of
from vadist.captures.suite import Job
from vadist.designs.files import apply_settings, load_design
from vadist.errors import UsageError, VadistError
from vadist.names import nearest

_SUITE_KEYS = ("name", "design", "input", "set", "reading", "settings", "limits", "capture")
_CAPTURE_KEYS = ("file", "name", "design", "input", "set", "reading", "settings", "limits")
_TEXTS = ("name", "file", "design", "input")


def read_suite(path: str | Path) -> tuple[str, list[Job]]:
    """Read a suite file.

    Returns
    -------
    name : str
    jobs : list of Job
        No two of one name.

    Raises
    ------
    UsageError, DesignError
        With the file, the capture and the key.
    """
    path = Path(path)
    table = _suite_table(path)
    _require_shape(table, _SUITE_KEYS, str(path))
    entries = table.get("capture", [])
    if not isinstance(entries, list) or not entries:
        raise UsageError(f"{path}: has no [[capture]]")
    jobs = [_job(path, table, entry, k + 1) for k, entry in enumerate(entries)]
    name, number = Counter(job.name for job in jobs).most_common(1)[0]
    if number > 1:
        raise UsageError(
            f"{path}: {number} captures are called {name!r}; give each a name of its own"
        )
    return table.get("name", path.stem), jobs


def suite_inputs(path: str | Path) -> list[Path]:
    """Every file that a suite names, and itself, as far as it can be read: what no result replaces.

    >>> [str(path) for path in suite_inputs("none.toml")]
    ['none.toml']
    """
    path = Path(path)
    found = [path]
    try:
        table = _suite_table(path)
    except UsageError:
        return found
    entries = table.get("capture")
    for holder in (table, *(entries if isinstance(entries, list) else ())):
        for key in _TEXTS[1:]:
            text = holder.get(key) if isinstance(holder, Mapping) else None
            if isinstance(text, str) and "\0" not in text:
                beside = path.parent / text
                found += [beside, *([sidecar_of(beside)] if key == "input" else [])]
                found += [Path(text)] if key == "design" else []
    return found


def _suite_table(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from None
    except RecursionError:
        raise UsageError(f"{path}: is nested too deeply for a suite") from None
    except ValueError as error:  # neither UTF-8 nor TOML
        raise UsageError(f"{path}: is not TOML: {error}") from None


def _job(path: Path, suite: Mapping[str, Any], entry: Any, number: int) -> Job:
    place = f"{path}: capture {number}"
    _require_shape(entry, _CAPTURE_KEYS, place)
    if "file" not in entry:
        raise UsageError(f"{place}: lacks file, the name of the capture")
    named = entry.get("design", suite.get("design"))
    if named is None:
        raise UsageError(f"{place}: lacks a design, its own or the suite's")
    beside = path.parent / named
    source = entry.get("input", suite.get("input"))
    reading = {**_table(suite, "reading", place), **_table(entry, "reading", place)}
    settings = {**_table(suite, "settings", place), **_table(entry, "settings", place)}
    limits = {
        **parse_limits(_table(suite, "limits", place), place),
        **parse_limits(_table(entry, "limits", place), place),
    }
    try:
        design = load_design(beside if beside.is_file() else named)
        design = apply_settings(design, [*_list(suite, place), *_list(entry, place)])
        return Job(
            entry.get("name", Path(entry["file"]).stem),
            path.parent / entry["file"],
            design,
            None if source is None else path.parent / source,
            reading_from(reading),
            settings_from(settings),
            limits or DEFAULT_LIMITS,
        )
    except VadistError as error:
        raise type(error)(f"{place}: {error}") from None


def _require_shape(table: Any, keys: Sequence[str], place: str) -> None:
    """Refuse what is no table, unknown keys, and names that are no text."""
    if not isinstance(table, Mapping):
        raise UsageError(f"{place}: must be a table")
    for key, held in table.items():
        if key not in keys:
            known = nearest(key, keys) or f"; there are {', '.join(keys)}"
            raise UsageError(f"{place}: unknown key {key!r}{known}")
        if key in _TEXTS and not (isinstance(held, str) and held and "\0" not in held):
            raise UsageError(f"{place}: {key} must be text without NUL (got {held!r:.60})")


def _table(holder: Mapping[str, Any], key: str, place: str) -> Mapping[str, Any]:
    held = holder.get(key, {})
    if not isinstance(held, Mapping):
        raise UsageError(f"{place}: {key} must be a table (got {held!r:.60})")
    return held


def _list(holder: Mapping[str, Any], place: str) -> list[str]:
    held = holder.get("set", [])
    if not isinstance(held, list) or not all(isinstance(text, str) for text in held):
        raise UsageError(f'{place}: set must be a list such as ["drive=0.3"]')
    return held
