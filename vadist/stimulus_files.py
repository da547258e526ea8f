"""Stimulus files: WAV, CSV and the sidecar that describes them; and reading them back."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from vadist.audio_files import TakeReader, TakeWriter, write_text_atomically
from vadist.captures.capture import Capture, Passage
from vadist.errors import AudioFileError, CaptureError
from vadist.stimulus import CAUTION, KINDS, Stimulus

_FORMAT = "vadist stimulus 1"


def sidecar_of(path: Path) -> Path:
    """Where the description of a stimulus file stands."""
    return path.with_suffix(".json")


def write_stimulus(
    stimulus: Stimulus,
    path: str | Path,
    full_scale_v: float | None = None,
    *,
    overwrite: bool = False,
) -> list[Path]:
    """Write a stimulus as WAV, as CSV (by the suffix), with its sidecar.

    Parameters
    ----------
    stimulus : Stimulus
    path : str or Path
        ``.wav`` for a sound card, ``.csv`` for a waveform generator.
    full_scale_v : float, optional
        Peak volts of a full-scale sample; twice the stimulus's peak by default.
    overwrite : bool

    Returns
    -------
    list of Path
        The file and its sidecar.

    Raises
    ------
    AudioFileError
        If it cannot be written, or its peak is beyond full scale.
    """
    path = Path(path)
    full_scale = 2.0 * stimulus.peak_v if full_scale_v is None else full_scale_v
    largest = float(np.abs(stimulus.volts).max())
    if path.suffix.lower() not in (".wav", ".csv"):
        raise AudioFileError(f"{path}: a stimulus is written as .wav or .csv")
    if path.suffix.lower() == ".wav" and largest > full_scale:
        raise AudioFileError(
            f"{path}: the peak of {largest:.4g} V is beyond full scale, {full_scale:.4g} V"
        )
    sidecar = sidecar_of(path)
    text = json.dumps(_described(stimulus, path, full_scale), indent=2) + "\n"
    if sidecar.exists() and not overwrite:
        raise AudioFileError(f"{sidecar}: exists already; choose another name or --overwrite")
    if path.suffix.lower() == ".wav":
        with TakeWriter(
            path, stimulus.sample_rate_hz, 1, overwrite=overwrite, frames=len(stimulus.volts)
        ) as writer:
            writer.write(stimulus.volts[:, None] / full_scale)
    else:
        rows = [f"{k / stimulus.sample_rate_hz:.9g},{v:.7g}" for k, v in enumerate(stimulus.volts)]
        write_text_atomically(
            path, "Time (s),Stimulus (V)\n" + "\n".join(rows) + "\n", overwrite=overwrite
        )
    write_text_atomically(sidecar, text, overwrite=overwrite)
    return [path, sidecar]


def _described(stimulus: Stimulus, path: Path, full_scale_v: float) -> dict[str, Any]:
    return {
        "format": _FORMAT,
        "file": path.name,
        "kind": stimulus.kind,
        "purpose": KINDS[stimulus.kind][1],
        "sample_rate_hz": stimulus.sample_rate_hz,
        "frames": len(stimulus.volts),
        "peak_v": stimulus.peak_v,
        "full_scale_v": full_scale_v,
        "settings": stimulus.settings,
        "marker_s": stimulus.marker_s,
        "passages": [
            {key: value for key, value in asdict(p).items() if value is not None}
            for p in stimulus.passages
        ],
        "caution": CAUTION,
    }


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
        if not isinstance(found, dict) or found.get("format") != _FORMAT:
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
