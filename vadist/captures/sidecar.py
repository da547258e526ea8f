"""Reading a stimulus back by the sidecar that stands beside it."""

import json
from pathlib import Path
from typing import Any

from vadist.audio_files import TakeReader
from vadist.captures.capture import Capture, Passage
from vadist.errors import AudioFileError, CaptureError

FORMAT = "vadist stimulus 1"
"""What a sidecar calls itself."""


def sidecar_of(path: Path) -> Path:
    """Where the description of a stimulus file stands."""
    return path.with_suffix(".json")


def read_sidecar(path: Path) -> dict[str, Any] | None:
    """Description of a stimulus file, or None if there is none beside it.

    Raises
    ------
    CaptureError
        If the sidecar is damaged.
    """
    sidecar = sidecar_of(path)
    if not sidecar.is_file() or sidecar == path:
        return None
    try:
        found = json.loads(sidecar.read_text(encoding="utf-8"))
        if not isinstance(found, dict) or found.get("format") != FORMAT:
            return None
        float(found["full_scale_v"])
        _passages(found)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise CaptureError(f"{sidecar}: is damaged ({error}); make the stimulus again") from None
    return found


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
    if samples.shape != (found.get("frames"), 1) or rate != found.get("sample_rate_hz"):
        raise CaptureError(
            f"{path}: holds {len(samples)} frames at {rate} Hz, its sidecar tells of "
            f"{found.get('frames')} at {found.get('sample_rate_hz')} Hz; make the stimulus again"
        )
    volts = samples * float(found["full_scale_v"])
    note = f"stimulus {found.get('kind')}, peak {found.get('peak_v')} V"
    return Capture(
        str(path), float(rate), ("stimulus",), volts, 0.0, (note,), _passages(found), ("",)
    )
