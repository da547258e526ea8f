"""Bode plots: the whole at the positions of each control, and every stage."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from vadist.analysis.chain_response import decibels, node_responses, solve_design, stage_responses
from vadist.designs.design import Design
from vadist.inspection.controls import POSITIONS
from vadist.plots.style import audio_axis, grid_shape, line_style, new_figure, panels

FREQUENCIES_HZ = np.geomspace(20.0, 20e3, 300)

_MOVES_DB = 0.5
# A control that changes a stage's response by less is not drawn there.
_FLOOR_DB = -70.0
_LEAST_SPAN_DB = 6.0


def control_figure(design: Design, control: str, axes: Any = None) -> Any:
    """Magnitude and phase of the whole at the positions of one control, in two axes."""
    others = ", ".join(
        f"{name} {knob.position:g}" for name, knob in design.controls.items() if name != control
    )
    subtitle = "small signal, input to output" + (f"; {others}" if others else "")
    figure, (top, bottom) = panels(
        axes, 2, (8.0, 6.0), (f"{design.name}: {control}", subtitle), sharex=True,
        height_ratios=(3, 2),
    )  # fmt: skip
    near = 0.0
    for k, position in enumerate(POSITIONS):
        solved = solve_design(design.with_value(control, position))
        response = node_responses(solved, FREQUENCIES_HZ)[design.output]
        if decibels(response).max() < _FLOOR_DB:
            continue  # turned off
        style = line_style(k)
        top.semilogx(FREQUENCIES_HZ, decibels(response), label=f"{control} {position:g}", **style)
        phase = _phase(response, near)
        near = float(phase[len(phase) // 2])
        bottom.semilogx(FREQUENCIES_HZ, phase, **style)
    top.set_ylabel("gain (dB)")
    top.legend(ncols=len(POSITIONS), loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2)
    bottom.set_ylabel("phase (degrees)")
    _whole_turns(bottom, 90.0)
    audio_axis(top, labelled=False)
    audio_axis(bottom)
    _at_least(top, _LEAST_SPAN_DB)
    return figure


Curve = tuple[Any, str, int]
"""A response over :data:`FREQUENCIES_HZ`, its label, and the number of its style."""


def stages_figure(design: Design) -> Any:
    """Magnitude and phase of every stage, each at the positions of the control that moves it."""
    curves = stage_curves(design)
    rows, columns = grid_shape(len(curves))
    subtitle = "output over input of each block, loaded as it is; dashes tell the control"
    figure = new_figure(4.3 * columns, 3.6 * rows, f"{design.name}: block by block", subtitle)
    cells = figure.subfigures(rows, columns, squeeze=False).ravel()
    for cell, (stage, family) in zip(cells, curves.items(), strict=False):
        _stage_cell(cell, stage, family)
    return figure


def stage_curves(design: Design) -> dict[str, list[Curve]]:
    """Response of every stage, at the positions of the control that moves it if one does."""
    here = stage_responses(solve_design(design), FREQUENCIES_HZ)
    families = {
        name: [
            stage_responses(solve_design(design.with_value(name, p)), FREQUENCIES_HZ)
            for p in POSITIONS
        ]
        for name in design.controls
    }
    result = {}
    for stage, response in here.items():
        control = _mover(stage, families)
        curves = [(response, "", 0)]
        if control is not None:
            found = [
                (family[stage], f"{p:g}", k)
                for k, (p, family) in enumerate(zip(POSITIONS, families[control], strict=True))
            ]
            curves = [curve for curve in found if decibels(curve[0]).max() > _FLOOR_DB]
            curves[0] = (curves[0][0], f"{control} {curves[0][1]}", curves[0][2])
        result[stage] = curves
    return result


def draw_gain(axis: Any, curves: Sequence[Curve]) -> None:
    """Draw the magnitude of a stage's response."""
    for response, label, k in curves:
        style = {**line_style(k), "linewidth": 1.4}
        axis.semilogx(FREQUENCIES_HZ, decibels(response), label=label, **style)
    axis.set_ylabel("gain (dB)")
    _at_least(axis, _LEAST_SPAN_DB)
    if curves[0][1]:
        axis.legend(
            ncols=len(curves), loc="lower right", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.0,
            fontsize=7, handlelength=2.0, handletextpad=0.3, columnspacing=0.7,
        )  # fmt: skip


def _stage_cell(cell: Any, stage: str, curves: Sequence[Curve]) -> None:
    top, bottom = cell.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    top.set_title(stage)
    draw_gain(top, curves)
    near = 0.0
    for response, _, k in curves:
        phase = _phase(response, near)
        near = float(phase[len(phase) // 2])
        bottom.semilogx(FREQUENCIES_HZ, phase, **{**line_style(k), "linewidth": 1.4})
    bottom.set_ylabel("phase (°)")
    _whole_turns(bottom, 45.0)
    audio_axis(top, labelled=False, few=True)
    audio_axis(bottom, few=True)


def _phase(response: Any, near: float) -> Any:
    """Phase in degrees, without jumps, its middle within half a turn of a given phase."""
    phase = np.degrees(np.unwrap(np.angle(response)))
    return phase - 360.0 * np.round((phase[len(phase) // 2] - near) / 360.0)


def _mover(stage: str, families: dict[str, list[dict[str, Any]]]) -> str | None:
    """Control that moves a stage's own response most, if one does."""
    moved = {
        name: float(np.abs(decibels(found[-1][stage]) - decibels(found[0][stage])).max())
        for name, found in families.items()
    }
    strongest = max(moved, key=lambda name: moved[name], default=None)
    return strongest if strongest is not None and moved[strongest] > _MOVES_DB else None


def _whole_turns(axes: Any, step: float) -> None:
    from matplotlib.ticker import MultipleLocator

    low, high = axes.get_ylim()
    low, high = step * np.floor(low / step), step * np.ceil(high / step)
    if high - low < 2.0 * step:  # a flat line still deserves an axis around it
        low, high = low - step * (low > -step), high + step * (high < step)
    axes.set_ylim(low, high)
    axes.yaxis.set_major_locator(MultipleLocator(step if high - low <= 5 * step else 2 * step))


def _at_least(axes: Any, span_db: float) -> None:
    """Keep a nearly flat response from filling the axis with nothing."""
    low, high = axes.get_ylim()
    missing = span_db - (high - low)
    if missing > 0.0:
        axes.set_ylim(low - missing / 2.0, high + missing / 2.0)
