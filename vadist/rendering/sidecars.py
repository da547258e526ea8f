"""What stands in the JSON file beside an output: how it was made, enough to make it again."""

import dataclasses
import importlib.metadata
import json
from functools import cache
from pathlib import Path
from typing import Any

from vadist.designs.design import Design
from vadist.designs.files import write_design
from vadist.rendering.diagnostics import Diagnostics
from vadist.rendering.passages import PASSAGE_S
from vadist.rendering.report import FileReport
from vadist.rendering.settings import FileSettings
from vadist.rendering.sources import Source
from vadist.rendering.through import Response

_PACKAGES = ("vadist", "numpy", "scipy", "numba", "soxr", "soundfile")


def sidecar_path(output: Path) -> Path:
    """Where the sidecar of an output stands."""
    return output.with_name(output.name + ".json")


@cache
def made_with() -> dict[str, str]:
    """Versions of all that the bytes of an output depend on."""
    return {name: importlib.metadata.version(name) for name in _PACKAGES}


def sidecar_text(
    design: Design,
    source: Source,
    settings: FileSettings,
    report: FileReport,
    response: Response | None,
) -> str:
    """Sidecar contents: enough to make the output again.

    Byte for byte on one family of processors; on another, linear algebra may round the last bit
    of a coefficient the other way.
    """
    reader, level = source.reader, source.level
    described = {
        "made_with": made_with(),
        "take": {
            "file": str(reader.path),
            "sha256": source.sha256,
            "sample_rate_hz": reader.sample_rate_hz,
            "frames": reader.frames,
            "channels": reader.channels,
            "subtype": reader.subtype,
        },
        "input": {"peak_v": level.peak_v, "loudness_lufs": level.loudness()},
        "output": {
            "file": report.output.name,
            "sha256": report.sha256,
            "subtype": settings.subtype,
            "full_scale_v": settings.heard_full_scale_v,
            "frames": report.frames,
            "peak_v": report.peak_v,
            "normalising_gain_db": report.gain_db,
            "loudness_missed_db": report.missed_db,
            "loudness_lufs": report.loudness_lufs,
            "true_peak_dbtp": report.true_peak_dbtp,
            "clipped_samples": report.clipped_samples,
        },
        "through": None if response is None else _told_of(response),
        "settings": dataclasses.asdict(settings),
        **_told_by(report.diagnostics),
        "design": write_design(design),
    }
    return json.dumps(described, indent=2) + "\n"


def _told_of(response: Response) -> dict[str, Any]:
    return {
        "name": response.name,
        "sha256": response.sha256,
        "taps": len(response.taps),
        "moved_ahead_samples": response.delay,
    }


def _told_by(found: Diagnostics) -> dict[str, Any]:
    return {
        "method": {
            "oversample": found.method.oversample,
            "sharper_sections": [list(block) for block in found.method.sharper],
            "error_estimate_db": found.error_db,
            "worst_passage": {
                "error_estimate_db": found.error.worst_db,
                "begins_s": found.error.worst_s,
                "seconds": PASSAGE_S,
                "channel": found.error.worst_channel + 1,
            },
        },
        "stages": {name: dataclasses.asdict(reach) for name, reach in found.stages.items()},
        "newton": [dataclasses.asdict(section) for section in found.sections],
        "seams": {
            "segments": found.segments,
            "checked": found.seams,
            "mended": found.seams_mended,
            "largest_difference_v": found.seam_v,
        },
    }
