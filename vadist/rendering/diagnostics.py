"""What a render says of itself."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from vadist.rendering.method import Method
from vadist.rendering.passages import StatedError


@dataclass(frozen=True)
class StageRange:
    """How far a stage's output moved.

    Attributes
    ----------
    rest_v : float
        Volts with no signal.
    low_v, high_v : float
        Smallest and largest volts during the take.
    """

    rest_v: float
    low_v: float
    high_v: float


@dataclass(frozen=True)
class SectionEffort:
    """What solving a section took.

    Attributes
    ----------
    stages : tuple of str
    newton_steps : float
        Newton steps a sample; all lanes that are stepped together take as many as the slowest.
    rescued : int
        Samples that needed the rescue, over all candidates rendered together.
    """

    stages: tuple[str, ...]
    newton_steps: float
    rescued: int


@dataclass(frozen=True)
class Diagnostics:
    """What a render says of itself.

    Attributes
    ----------
    method : Method
        Oversampling, and the sections that step more often than they usually do.
    error : StatedError
        Numerical error, of the whole take and of its worst passage.
    stages : mapping of stage name -> StageRange
    sections : tuple of SectionEffort
    segments, seams, seams_mended : int
    seam_v : float
        Largest state difference at a seam that was let stand, volts.
    """

    method: Method
    error: StatedError
    stages: dict[str, StageRange]
    sections: tuple[SectionEffort, ...]
    segments: int
    seams: int
    seams_mended: int
    seam_v: float

    @property
    def error_db(self) -> float | None:
        """Stated numerical error of the whole take against its signal; None for silence."""
        return self.error.whole_db

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> "Diagnostics":
        """Those that ``dataclasses.asdict`` made a table of, also where JSON held it since."""
        stages = {name: StageRange(**each) for name, each in table["stages"].items()}
        sections = tuple(
            SectionEffort(**{**each, "stages": tuple(each["stages"])}) for each in table["sections"]
        )
        told, error = table["method"], StatedError(**table["error"])
        method = Method(told["oversample"], tuple(map(tuple, told["sharper"])))
        return cls(**{**table, "stages": stages, "sections": sections, "method": method,
                      "error": error})  # fmt: skip
