"""Reading a stimulus back by the sidecar that stands beside it."""

import json
import math
from pathlib import Path
from typing import Any

from vadist.audio_files import TakeReader
from vadist.captures.capture import Capture, Passage
from vadist.captures.stimulus import KINDS
from vadist.errors import AudioFileError, CaptureError

FORMAT = "vadist stimulus 1"
"""What a sidecar calls itself."""


_PASSAGES = ("tone", "silence", "signal")
_LARGEST = 1e15
# Of any number: beyond it nothing of a bench lies, and whole numbers leave what a float holds.


def sidecar_of(path: Path) -> Path:
    """Where the description of a stimulus file stands."""
    return path.with_suffix(".json")


def read_sidecar(path: Path) -> dict[str, Any] | None:
    """Description of a stimulus file, or None if there is none beside it.

    Raises
    ------
    CaptureError
        If the sidecar is damaged: with the field, its rule and what stood there.
    """
    sidecar = sidecar_of(path)
    if not sidecar.is_file() or sidecar == path:
        return None
    try:
        found = json.loads(sidecar.read_text(encoding="utf-8"))
        if not isinstance(found, dict) or found.get("format") != FORMAT:
            return None
        _require_facts(found)
    except RecursionError:
        raise _damaged(sidecar, "nested too deeply") from None
    except (OSError, ValueError) as error:
        raise _damaged(sidecar, error) from None
    return found


def _damaged(sidecar: Path, reason: object) -> CaptureError:
    return CaptureError(f"{sidecar}: is damaged ({reason}); make the stimulus again")


def _require_facts(found: dict[str, Any]) -> None:
    """Raise ValueError with the first field that is used and is not what was written."""
    for key in ("frames", "sample_rate_hz"):
        if type(held := found.get(key)) is not int or not 0 < held < _LARGEST:
            raise ValueError(f"{key} must be a whole number above 0, got {held!r:.40}")
    for key in ("full_scale_v", "peak_v"):
        _require_number(found, key, 0.0, above=True)
    if found.get("kind") not in tuple(KINDS):
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {found.get('kind')!r:.40}")
    passages = found.get("passages")
    if not isinstance(passages, list) or not passages:
        raise ValueError(f"passages must be a list of tables, got {passages!r:.40}")
    seconds = found["frames"] / found["sample_rate_hz"]
    for number, passage in enumerate(passages, 1):
        try:
            _require_passage(passage, seconds, found["sample_rate_hz"], found["peak_v"])
        except ValueError as error:
            raise ValueError(f"passage {number}: {error}") from None


def _require_passage(passage: Any, seconds: float, rate_hz: int, peak_v: float) -> None:
    if not isinstance(passage, dict):
        raise ValueError(f"must be a table, got {passage!r:.40}")
    tone = passage.get("kind") == "tone"
    keys = ("kind", "start_s", "duration_s", *(("frequency_hz", "level_v") if tone else ()))
    if passage.get("kind") not in _PASSAGES:
        raise ValueError(f"kind must be one of {', '.join(_PASSAGES)}")
    if set(passage) != set(keys):
        raise ValueError(f"must hold {', '.join(keys)}, got {', '.join(passage)[:60]}")
    start_s = _require_number(passage, "start_s", 0.0)
    # An interval more: ends are rounded to samples.
    _require_number(passage, "duration_s", 0.0, seconds - start_s + 2.0 / rate_hz)
    if tone:
        _require_number(passage, "frequency_hz", 0.0, 0.5 * rate_hz, above=True)
        _require_number(passage, "level_v", 0.0, peak_v * (1.0 + 1e-9), above=True)


def _require_number(
    table: dict[str, Any], key: str, least: float, most: float = _LARGEST, *, above: bool = False
) -> float:
    held = table.get(key)
    value = math.nan
    if isinstance(held, int | float) and not isinstance(held, bool) and abs(held) < _LARGEST:
        value = float(held)
    if not ((value > least if above else value >= least) and value <= most):
        bound = "" if most == _LARGEST else f" and at most {most:.6g}"
        rule = f"{'above' if above else 'at least'} {least:g}{bound}"
        raise ValueError(f"{key} must be a number {rule}, got {held!r:.40}")
    return value


def _passages(sidecar: dict[str, Any]) -> tuple[Passage, ...]:
    return tuple(Passage(**p) for p in sidecar["passages"])


def read_stimulus(path: str | Path) -> Capture | None:
    """Read a stimulus WAV by its sidecar; None if it has none.

    Raises
    ------
    CaptureError
        If file and sidecar do not belong together.
    """
    path = Path(path)
    found = read_sidecar(path)
    if found is None or path.suffix.lower() != ".wav":
        return None
    try:
        with TakeReader(path) as reader:
            samples, rate = reader.read(reader.frames), reader.sample_rate_hz
    except AudioFileError as error:
        raise CaptureError(str(error)) from None
    if samples.shape != (found["frames"], 1) or rate != found["sample_rate_hz"]:
        raise CaptureError(
            f"{path}: holds {len(samples)} frames at {rate} Hz, its sidecar tells of "
            f"{found['frames']} at {found['sample_rate_hz']} Hz; make the stimulus again"
        )
    volts = samples * found["full_scale_v"]
    note = f"stimulus {found['kind']}, peak {found['peak_v']} V"
    return Capture(
        str(path), float(rate), ("stimulus",), volts, 0.0, (note,), _passages(found), ("",)
    )
