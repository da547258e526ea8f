"""What a render from file to file has to tell."""

from dataclasses import dataclass
from pathlib import Path

from vadist.rendering.diagnostics import Diagnostics
from vadist.rendering.levels import Level


@dataclass(frozen=True)
class FileReport:
    """What a file render produced.

    Attributes
    ----------
    output, sidecar : Path
    sha256 : str
        Of the output.
    peak_v : float
        Largest output volts.
    gain_db : float
        Gain applied by normalising.
    missed_db : float
        How far the loudness stays below the one asked for, because of true peaks.
    loudness_lufs, true_peak_dbtp : float or None
        Of the file; None where it is silent, too short or not measured (true peaks without
        normalising, loudness of more than five channels).
    clipped_samples : int
        Samples beyond full scale of the output file.
    left_behind : tuple of str
        Chunks of the take that the output cannot hold.
    frames : int
    seconds : float
    input : Level
        Of the take, at its full scale.
    diagnostics : Diagnostics
    through : FileReport or None
        Of the second output, through an impulse response.
    """

    output: Path
    sidecar: Path
    sha256: str
    peak_v: float
    gain_db: float
    missed_db: float
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    clipped_samples: int
    left_behind: tuple[str, ...]
    frames: int
    seconds: float
    input: Level
    diagnostics: Diagnostics
    through: "FileReport | None" = None
