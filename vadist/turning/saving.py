"""What the page keeps on disk: design files and auditions, in one folder and nowhere else."""

import re
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from vadist.audition.candidates import Candidate, check_candidates
from vadist.audition.files import PAGE, write_audition
from vadist.audition.names import changes_text
from vadist.audition.run import audition_design
from vadist.designs.files import write_design
from vadist.errors import UsageError
from vadist.files import write_text_atomically
from vadist.names import printable
from vadist.quantities import parse_level
from vadist.turning.fields import Settings
from vadist.turning.work import Desk

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)
# Names that Windows has taken.


@dataclass(frozen=True)
class Keeper:
    """The folder that is written to, and how the command was called.

    Attributes
    ----------
    folder : Path
        Absolute, links followed.
    design, take : str
        As they were given.
    settings : tuple of str
        Behind ``--set``, of the reference.
    full_scale : str
    """

    folder: Path
    design: str
    take: str
    settings: tuple[str, ...] = ()
    full_scale: str = "1V"

    def save_design(self, desk: Desk, settings: Settings, name: str) -> Path:
        """Write the design with settings, its comments kept.

        Raises
        ------
        UsageError, AudioFileError
            For a name that leads elsewhere, or a file that is there.
        """
        path = self._place(f"{_checked(name)}.toml")
        write_text_atomically(path, write_design(desk.changed(settings), desk.original))
        return path

    def save_audition(self, desk: Desk, kept: Sequence[Settings], name: str) -> Path:
        """Render the kept settings as an audition; its page is what is returned.

        Raises
        ------
        UsageError, AudioFileError, ConvergenceError
        """
        folder = self._place(_checked(name))
        candidates = [
            Candidate(changes_text(tuple(each.items())), desk.changed(each), tuple(each.items()))
            for each in kept
        ]
        check_candidates(candidates)
        full_scale_v = parse_level(self.full_scale)
        result = audition_design(
            desk.design, candidates, desk.volts / full_scale_v, desk.sample_rate_hz,
            full_scale_v=full_scale_v, oversample=desk.oversample, threads=desk.threads,
        )  # fmt: skip
        take = Path(self.take).name
        write_audition(result, folder, take=take, originals=[desk.original] * (1 + len(candidates)))
        return folder / PAGE

    def command(self, settings: Mapping[str, str]) -> str:
        """Line that renders the whole take with settings."""
        words = ["vadist", "render", self.take, "--design", self.design]
        for setting in (*self.settings, *(f"{path}={text}" for path, text in settings.items())):
            words += ["--set", setting]
        if self.full_scale != "1V":
            words += ["--full-scale", self.full_scale]
        return " ".join(shlex.quote(word) for word in [*words, "--out", "renders"])

    def _place(self, name: str) -> Path:
        self.folder.mkdir(parents=True, exist_ok=True)
        if self.folder.resolve() != self.folder or self.folder.is_symlink():
            raise UsageError(f"{printable(self.folder)}: leads elsewhere now; start again")
        return self.folder / name


def _checked(name: str) -> str:
    if not _NAME.fullmatch(name) or _RESERVED.fullmatch(name):
        raise UsageError(
            "a name must be 1 to 60 letters, digits, - and _, beginning with a letter or digit"
        )
    return name
