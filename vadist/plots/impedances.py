"""What every block presents and drives with, against frequency."""

from typing import Any

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.impedances import block_impedances
from vadist.plots.style import audio_axis, grid_shape, line_style, new_figure

FREQUENCIES_HZ = np.geomspace(20.0, 20e3, 120)

_LEAST_OHM = 1e-3
# A stiff output is not drawn.


def impedances_figure(solved: SolvedDesign) -> Any:
    """Magnitudes of input and output impedance, a panel a block.

    Parameters
    ----------
    solved : SolvedDesign
    """
    from matplotlib.ticker import EngFormatter

    found = block_impedances(solved, FREQUENCIES_HZ)
    rows, columns = grid_shape(len(found))
    subtitle = "magnitude: into each block, loaded as it is; out of it, driven as it is"
    figure = new_figure(
        4.0 * columns, 2.4 * rows + 0.6, f"{solved.design.name}: impedances", subtitle
    )
    panels = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True).ravel()
    for panel in panels[len(found) :]:
        panel.set_visible(False)
    for number, (panel, (stage, seen)) in enumerate(zip(panels, found.items(), strict=False)):
        panel.set_title(stage)
        for k, (label, ohms) in enumerate((("in", seen.input_ohm), ("out", seen.output_ohm))):
            size = np.abs(ohms)
            if np.isfinite(size).all() and size.min() > _LEAST_OHM:
                panel.loglog(FREQUENCIES_HZ, size, label=label, **line_style(k))
            else:
                told = "takes no current" if k == 0 else "stiff output"
                panel.text(
                    0.02, 0.5 - 0.14 * k, told, transform=panel.transAxes, fontsize=8
                )  # fmt: skip
        if panel.lines:
            panel.legend(loc="best", fontsize=8)
        panel.yaxis.set_major_formatter(EngFormatter(sep=""))
        if number % columns == 0:
            panel.set_ylabel("ohms")
        audio_axis(panel, labelled=number + columns >= len(found), few=True)
    return figure
