"""Stimulus files: WAV or CSV, and the sidecar that describes them."""

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from vadist.audio_files import TakeWriter
from vadist.captures.sidecar import FORMAT, sidecar_of
from vadist.captures.stimulus import CAUTION, KINDS, Stimulus
from vadist.errors import AudioFileError
from vadist.files import write_lines_atomically, write_text_atomically
from vadist.names import printable

_BLOCK_FRAMES = 1 << 16


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
    largest = float(max(stimulus.volts.max(), -stimulus.volts.min()))
    if path.suffix.lower() not in (".wav", ".csv"):
        raise AudioFileError(f"{printable(path)}: a stimulus is written as .wav or .csv")
    if path.suffix.lower() == ".wav" and largest > full_scale:
        raise AudioFileError(
            f"{printable(path)}: the peak of {largest:.4g} V is beyond full scale, "
            f"{full_scale:.4g} V"
        )
    sidecar = sidecar_of(path)
    text = json.dumps(_described(stimulus, path, full_scale), indent=2) + "\n"
    if sidecar.exists() and not overwrite:
        raise AudioFileError(
            f"{printable(sidecar)}: exists already; choose another name or --overwrite"
        )
    if path.suffix.lower() == ".wav":
        with TakeWriter(
            path, stimulus.sample_rate_hz, 1, overwrite=overwrite, frames=len(stimulus.volts)
        ) as writer:
            for start in range(0, len(stimulus.volts), _BLOCK_FRAMES):
                writer.write(stimulus.volts[start : start + _BLOCK_FRAMES, None] / full_scale)
    else:
        write_lines_atomically(path, _rows(stimulus), overwrite)
    write_text_atomically(sidecar, text, overwrite=overwrite)
    return [path, sidecar]


def _rows(stimulus: Stimulus) -> Iterator[str]:
    yield "Time (s),Stimulus (V)\n"
    for k, volts in enumerate(stimulus.volts):
        yield f"{k / stimulus.sample_rate_hz:.9g},{volts:.7g}\n"


def _described(stimulus: Stimulus, path: Path, full_scale_v: float) -> dict[str, Any]:
    return {
        "format": FORMAT,
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
