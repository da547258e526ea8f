"""Pictures of a design; matplotlib is imported here alone, and only when a picture is made.

Each ``plot_`` function returns a matplotlib figure, which needs no display: a notebook shows it,
and ``savefig`` writes it. Those of one or two axes draw into the caller's ``axes`` instead if they
are given; the caller's figure keeps its own heading and look.

>>> from vadist import inspect_design, load_design
>>> figure = plot_headroom(inspect_design(load_design("treble_boost")))
>>> figure.axes[0].get_xscale()
'log'
"""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from vadist.errors import UsageError

if TYPE_CHECKING:
    from vadist.designs.design import Design
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
    from vadist.plots import bode, impedances, signals
    from vadist.plots.style import look, made, save

    made(folder)
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
            ("impedances", impedances.impedances_figure(solved)),
        ]
        figures += [(f"bode-{name}", bode.control_figure(design, name)) for name in design.controls]
        for name, figure in figures:
            if figure is not None:
                written.append(save(figure, folder, name, kind))
    return written


def plot_control(design: "Design", control: str, axes: Any = None) -> Any:
    """Gain and phase of the whole at positions of one control; two axes.

    Raises
    ------
    UsageError
        If the design has no such control, or another number of axes is given.
    """
    from vadist.names import nearest
    from vadist.plots import bode
    from vadist.plots.style import look

    if control not in design.controls:
        raise UsageError(f"no control {control!r}{nearest(control, design.controls)}")
    with look():
        return bode.control_figure(design, control, axes)


def plot_stages(design: "Design") -> Any:
    """Gain and phase of every stage; a figure of its own."""
    from vadist.plots import bode
    from vadist.plots.style import look

    with look():
        return bode.stages_figure(design)


def plot_impedances(design: "Design") -> Any:
    """Input and output impedance of every block; a figure of its own."""
    from vadist.analysis.chain_response import solve_design
    from vadist.plots import impedances
    from vadist.plots.style import look

    with look():
        return impedances.impedances_figure(solve_design(design))


def plot_scope(found: "Inspection") -> Any:
    """Two periods at the output of every stage; a figure of its own."""
    return _of(found, "scope_figure")


def plot_spectrum(found: "Inspection", axes: Any = None) -> Any:
    """Harmonics at the output; one axes."""
    return _of(found, "spectrum_figure", axes)


def plot_harmonics(found: "Inspection", axes: Any = None) -> Any:
    """Harmonics at the output and THD against the input level; two axes."""
    return _of(found, "harmonics_figure", axes)


def plot_transfer(found: "Inspection") -> Any | None:
    """Output against input of every stage that limits; a figure of its own, None if none does."""
    from vadist.analysis.chain_response import solve_design
    from vadist.plots import signals
    from vadist.plots.style import look

    with look():
        return signals.transfer_figure(solve_design(found.design), found.ladder)


def plot_headroom(found: "Inspection", axes: Any = None) -> Any | None:
    """Input level at which each stage begins to limit; one axes, None if none does."""
    from vadist.plots import signals
    from vadist.plots.style import look

    with look():
        return signals.ladder_figure(found, axes)


def _of(found: "Inspection", name: str, *axes: Any) -> Any:
    from vadist.analysis.chain_response import solve_design
    from vadist.plots import signals
    from vadist.plots.style import look

    with look():
        return getattr(signals, name)(solve_design(found.design), found, *axes)
