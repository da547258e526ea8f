"""Pictures of a design; matplotlib is imported here alone, and only when a picture is made."""

from pathlib import Path
from typing import TYPE_CHECKING

from vadist.errors import UsageError

if TYPE_CHECKING:
    from vadist.inspection.figures import Inspection


def plot_inspection(found: "Inspection", folder: Path, kind: str = "png") -> list[Path]:
    """Write the pictures of an inspection.

    Parameters
    ----------
    found : Inspection
    folder : Path
        Made if it is not there; pictures of the same names are replaced.
    kind : str
        ``png`` or ``svg``.

    Returns
    -------
    list of Path
        In the order they are best looked at.

    Raises
    ------
    UsageError
        If the folder cannot be made or written to.
    """
    from vadist.analysis.chain_response import solve_design
    from vadist.plots import bode, signals
    from vadist.plots.style import look, save

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be made: {error.strerror}") from None
    design = found.design
    solved = solve_design(design)
    written = []
    with look():
        figures = [
            ("scope", signals.scope_figure(solved, found)),
            ("headroom", signals.ladder_figure(found)),
            ("harmonics", signals.harmonics_figure(solved, found)),
            ("spectrum", signals.spectrum_figure(solved, found)),
            ("transfer", signals.transfer_figure(solved, found.ladder)),
            ("bode-stages", bode.stages_figure(design)),
        ]
        figures += [(f"bode-{name}", bode.control_figure(design, name)) for name in design.controls]
        for name, figure in figures:
            if figure is not None:
                written.append(save(figure, folder, name, kind))
    return written
