"""What the page tells of a design besides its sound, as plain data for JSON."""

import math
from collections.abc import Iterable
from contextlib import suppress
from typing import Any

import numpy as np

from vadist.analysis.chain_response import (
    SolvedDesign,
    decibels,
    node_responses,
    solve_design,
)
from vadist.arrays import FloatArray
from vadist.audition.comparison import behaviour
from vadist.audition.page.spectra import spectrum_levels
from vadist.designs.design import Design
from vadist.drawing import draw_design
from vadist.errors import ConvergenceError, VadistError
from vadist.large_signal.headroom import headroom_ladder
from vadist.large_signal.steady_sine import NODE, SOURCE, SineRunner
from vadist.quantities import format_quantity
from vadist.turning.drawings import page_svg
from vadist.turning.shapes import Shapes, designs_by_chance

SINE_HZ = 220.0
"""A3, as in inspections."""

RESPONSE_HZ = (10.0, 100e3)
_POINTS_A_DECADE = 50
_GAIN_HZ = 1000.0
_LOWEST_DB = -160.0
_SCOPE_POINTS = 240


def curves(design: Design) -> dict[str, Any]:
    """Small-signal response to every stage's output, corners, gain, and resting volts."""
    solved = solve_design(design)
    decades = math.log10(RESPONSE_HZ[1] / RESPONSE_HZ[0])
    frequencies = np.geomspace(*RESPONSE_HZ, round(decades * _POINTS_A_DECADE) + 1)
    found = node_responses(solved, frequencies)
    at_1k = decibels(node_responses(solved, [_GAIN_HZ])[design.output])[0]
    band = behaviour(design).band
    names = solved.network.under_all_names(solved.node_v)
    places = {**solved.stage_nodes, **{node: node for node in inner_nodes(solved)}}
    rest = {stage: names[node] for stage, node in solved.stage_nodes.items()}
    return {
        "frequencies": rounded(frequencies, 4),
        "responses": {place: rounded(decibels(found[node])) for place, node in places.items()},
        "rest": {stage: format_quantity(volts, "V", 4) for stage, volts in rest.items()},
        "rails": {
            rail: format_quantity(names[rail], "V", 4)
            for rail in ("supply", "bias") if rail in names
        },
        "figures": [
            ["gain at 1 kHz", f"{at_1k:.2f} dB"],
            ["largest gain", f"{band.gain_db:.2f} dB at {_hertz(band.peak_hz)}"],
            ["low corner", _corner(band.low_hz, "1 Hz")],
            ["high corner", _corner(band.high_hz, "1 MHz")],
        ],
    }  # fmt: skip


def inner_nodes(solved: SolvedDesign) -> list[str]:
    """Nodes that are no stage's output and no rail, in signal order."""
    known = {*solved.stage_nodes.values(), *solved.network.moving_rails}
    return [n for section, _ in solved.sections for n in section.unknowns if n not in known]


def spectrum(samples: FloatArray, sample_rate_hz: float) -> dict[str, Any]:
    """Levels of a sound in twelfths of an octave."""
    found = spectrum_levels(samples, sample_rate_hz)
    return {"frequencies": rounded(found.frequencies_hz, 4), "levels": rounded(found.levels_db)}


def scope(design: Design, level_v: float) -> dict[str, Any]:
    """Two periods of a sine at every stage's output and every node inside, in volts from rest."""
    solved = solve_design(design)
    nodes = inner_nodes(solved)
    sines = _runner(solved).run([level_v])
    places = {**{stage: stage for stage in design.stages}, **{node: NODE + node for node in nodes}}
    traces = {}
    for place, held in {SOURCE: SOURCE, **places}.items():
        wave = np.append(sines.volts[held][:, 0], sines.volts[held][0, 0])
        at = np.linspace(0.0, len(wave) - 1.0, _SCOPE_POINTS + 1)
        once = np.interp(at, np.arange(len(wave)), wave)
        traces[place] = rounded(np.concatenate([once[:-1], once]), 4)
    distortion = {
        place: round(100.0 * float(sines.distortion(held)[0]), 3) for place, held in places.items()
    }
    return {
        "seconds": 2.0 / SINE_HZ, "traces": traces, "distortion": distortion,
        "level": format_quantity(level_v, "V"), "frequency": format_quantity(SINE_HZ, "Hz"),
    }  # fmt: skip


_SHAPES = Shapes()
# Of this process: kernels of one design's sines do for the next.


def _runner(solved: SolvedDesign) -> SineRunner:
    """Sines at every stage and every node inside."""
    if not _SHAPES.any:
        for other in designs_by_chance(solved.design):
            with suppress(VadistError):  # not every chance has an operating point
                met = solve_design(other)
                _SHAPES.sturdy(SineRunner(met, SINE_HZ, inner_nodes(met)).circuit)
    runner = SineRunner(solved, SINE_HZ, inner_nodes(solved))
    runner.circuit = _SHAPES.sturdy(runner.circuit)
    return runner


def ladder(design: Design) -> list[list[str]]:
    """Blocks in the order in which they limit: name, peak volts at the input, cause."""
    solved = solve_design(design)
    found = headroom_ladder(solved, SINE_HZ, _runner(solved))
    rungs = [
        [r.stage, ("under " if r.below else "") + format_quantity(r.input_v, "V", 3), r.cause]
        for r in found.rungs
    ]
    never = [limit.stage for limit in found.limits if not math.isfinite(limit.input_v)]
    return [*rungs, *([stage, "not up to 5 V", ""] for stage in never)]


def drawing(design: Design) -> dict[str, str]:
    """The schematic as SVG for the page, with volts at rest where it rests anywhere."""
    try:
        return {"svg": page_svg(draw_design(design, volts=True))}
    except ConvergenceError:
        return {"svg": page_svg(draw_design(design))}


def rounded(values: Iterable[float], digits: int = 2) -> list[float]:
    """Numbers for JSON: decibels to a hundredth, others to so many significant digits."""
    if digits == 2:
        return [round(max(float(v), _LOWEST_DB), 2) for v in values]
    return [float(f"{float(v):.{digits}g}") for v in values]


def _hertz(value: float) -> str:
    return format_quantity(value, "Hz", 3)


def _corner(value: float | None, beyond: str) -> str:
    return f"beyond {beyond}" if value is None else _hertz(value)
