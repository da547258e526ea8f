"""Pictures of a spread, written to a folder."""

import math
from pathlib import Path

import numpy as np

from vadist.analysis.chain_response import solve_design
from vadist.large_signal.headroom import headroom_ladder
from vadist.population.curves import gain_curves
from vadist.population.figure_names import Figure
from vadist.population.sines import SINE_HZ
from vadist.population.work import measure_population
from vadist.questions.spread import Spread

FAN_BOARDS = 512
"""Boards whose responses are drawn at most."""

_FREQUENCIES_HZ = np.geomspace(20.0, 20e3, 160)


def plot_spread(found: Spread, folder: Path, kind: str = "png", ladder: int = 0) -> list[Path]:
    """Write the pictures of a spread.

    Parameters
    ----------
    found : Spread
    folder : Path
        Made if it is not there; pictures of the same names are replaced.
    kind : str
        ``png`` or ``svg``.
    ladder : int
        Boards whose headroom is searched for the ladder, a second or more each; 0 for no ladder.

    Returns
    -------
    list of Path

    Raises
    ------
    UsageError
        If the folder cannot be made or written to.
    """
    from vadist.plots.spread import Histogram, fan_figure, histograms_figure, whiskers_figure
    from vadist.plots.style import look, made, save

    made(folder)
    title = found.design.name
    sound = [k for k in range(len(found.table)) if int(found.table.boards[k]) not in
             found.table.faults]  # fmt: skip
    boards = found.boards
    drawn = [boards[k] for k in sound[:FAN_BOARDS]]
    written = []
    with look():
        if drawn:
            nominal = gain_curves([found.design], _FREQUENCIES_HZ)[0]
            fan = fan_figure(title, _FREQUENCIES_HZ, gain_curves(drawn, _FREQUENCIES_HZ), nominal)
            written.append(save(fan, folder, "fan", kind))
        told = [
            Histogram(
                str(figure), figure.unit, column, float(nominal_value),
                [end for x in found.limits if x.figure == figure for end in (x.least, x.most)
                 if math.isfinite(end)],
            )
            for figure, column, nominal_value in zip(
                found.table.figures, found.table.values.T, found.nominal, strict=True
            )
            if np.isfinite(column).any()
        ]  # fmt: skip
        if told:
            written.append(save(histograms_figure(title, told), folder, "histograms", kind))
        if ladder and drawn:
            own = headroom_ladder(solve_design(found.design), SINE_HZ)
            stages = [rung.stage for rung in own.rungs]
            wanted = [Figure(stage, "1 % level") for stage in stages]
            limits = measure_population(drawn[:ladder], wanted, threads=found.asked.threads)
            there = {
                stage: limits.column(figure)
                for stage, figure in zip(stages, wanted, strict=True)
                if np.isfinite(limits.column(figure)).all()
            }
            if there:
                marks = {rung.stage: rung.input_v for rung in own.rungs}
                picture = whiskers_figure(title, marks, there)
                written.append(save(picture, folder, "ladder", kind))
    return written
