"""The manifest of a session: every render, its settings, levels and errors; as JSON and as CSV."""

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vadist.files import write_text_atomically
from vadist.rendering.files import outputs_of
from vadist.rendering.settings import FileSettings
from vadist.rendering.sidecars import made_with
from vadist.sessions.plan import Job
from vadist.sessions.resume import read_sidecar

COLUMNS = (
    "file", "state", "take", "design", "changes", "through", "seconds", "peak_v", "gain_db",
    "loudness_lufs", "true_peak_dbtp", "clipped_samples", "input_peak_v", "input_loudness_lufs",
    "error_estimate_db", "sha256", "error",
)  # fmt: skip

RENDERED, SKIPPED, FAILED, LEFT = "rendered", "there already", "failed", "not rendered"


@dataclass(frozen=True)
class Entry:
    """A job of a session, and what came of it.

    Attributes
    ----------
    job : Job
    output : Path
    state : str
    error : str
    """

    job: Job
    output: Path
    state: str
    error: str = ""


def manifest_paths(name: str) -> tuple[Path, Path]:
    """JSON and CSV of a manifest.

    >>> [path.name for path in manifest_paths("tuesday")]
    ['tuesday.json', 'tuesday.csv']
    """
    path = Path(name)
    stem = path.with_suffix("") if path.suffix.lower() in (".json", ".csv") else path
    return stem.with_name(stem.name + ".json"), stem.with_name(stem.name + ".csv")


def write_manifest(name: str, entries: Sequence[Entry], settings: FileSettings) -> None:
    """Write both; figures are read from the sidecars, so that they are those of the files."""
    rows = [row for entry in entries for row in _rows(entry, settings)]
    as_json, as_csv = manifest_paths(name)
    table = {"made_with": made_with(), "settings": settings.audible, "files": rows}
    write_text_atomically(as_json, json.dumps(table, indent=2) + "\n", overwrite=True)
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\r\n")  # RFC 4180
    writer.writeheader()
    writer.writerows({**row, "changes": " ".join(row["changes"])} for row in rows)
    write_text_atomically(as_csv, text.getvalue(), overwrite=True)


def _rows(entry: Entry, settings: FileSettings) -> list[dict[str, Any]]:
    rows = []
    for path in outputs_of(entry.output, settings):
        row: dict[str, Any] = dict.fromkeys(COLUMNS)
        row |= {
            "file": str(path),
            "state": entry.state,
            "take": str(entry.job.take),
            "design": entry.job.name,
            "changes": list(entry.job.changes),
            "error": entry.error,
        }
        sidecar = read_sidecar(path) if entry.state in (RENDERED, SKIPPED) else None
        if sidecar is not None:
            out, told = sidecar["output"], sidecar["input"]
            row |= {
                "through": None if sidecar["through"] is None else sidecar["through"]["name"],
                "seconds": out["frames"] / sidecar["take"]["sample_rate_hz"],
                "peak_v": out["peak_v"],
                "gain_db": out["normalising_gain_db"],
                "loudness_lufs": out["loudness_lufs"],
                "true_peak_dbtp": out["true_peak_dbtp"],
                "clipped_samples": out["clipped_samples"],
                "input_peak_v": told["peak_v"],
                "input_loudness_lufs": told["loudness_lufs"],
                "error_estimate_db": sidecar["method"]["error_estimate_db"],
                "sha256": out["sha256"],
            }
        rows.append(row)
    return rows
